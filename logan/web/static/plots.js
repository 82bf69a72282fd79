// Draws the figures that the server sends.
import { byId, make } from "./page.js";

// The library is large: it loads beside the questions to the server, and whoever draws first waits for it.
const library = window.Plotly ? Promise.resolve() : new Promise((resolve) => {
  byId("library")?.addEventListener("load", resolve);
});

const dark = window.matchMedia("(prefers-color-scheme: dark)");
const ink = () => dark.matches ? "#e7e9ec" : "#22262b";

dark.addEventListener("change", () => {
  document.querySelectorAll(".js-plotly-plot").forEach((plot) => Plotly.relayout(plot, { "font.color": ink() }));
});

export async function draw(place, figure, alt) {
  await library;
  const layout = figure.layout;
  layout.font.color = ink();
  if (place.clientWidth < 520) {
    layout.font.size = 12;
    layout.margin = { l: 40, r: 8, t: 30, b: 45 };
  }
  place.classList.remove("loading");
  place.replaceChildren();
  place.setAttribute("role", "img");
  place.setAttribute("aria-label", alt);
  place.style.minHeight = (layout.height || 420) + "px";
  return Plotly.newPlot(place, figure.data, layout, { responsive: true, displayModeBar: false, displaylogo: false });
}

// Puts figures into a place, each with its caption, and draws them.
export function drawAll(place, figures) {
  const frames = figures.map((content) => [content, make("div", { class: "plot" })]);
  place.append(...frames.map(([content, plot]) => make("figure", {}, make("figcaption", {}, content.title), plot)));
  for (const [content, plot] of frames) { draw(plot, content.figure, content.alt); }
}
