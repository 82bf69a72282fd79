// Puts the figures that the server has drawn into a place, each below what it finds.
import { make } from "./page.js";

const parsed = (text) => document.importNode(new DOMParser().parseFromString(text, "image/svg+xml").documentElement, true);

export const drawing = (figure) => make("figure", {},
  make("figcaption", {}, make("h2", {}, figure.title)),
  make("div", { class: "drawing", role: "img", "aria-label": figure.alt, tabindex: "0" }, parsed(figure.wide), parsed(figure.narrow)),
  make("output", {}),
  figure.detail ? make("p", { class: "hint" }, figure.detail) : null);

export const drawAll = (place, figures) => place.append(...figures.map(drawing));
