"use strict";
// Values of a figure's lines under the pointer, the finger or the arrow keys; scrolling stays the browser's.
(() => {
  const known = new WeakMap();
  const runsOf = (path) => {
    if (!known.has(path)) {
      const runs = path.getAttribute("d").split("M").slice(1);
      known.set(path, runs.map((run) => run.split("L").map((pair) => pair.split(" ").map(Number))));
    }
    return known.get(path);
  };
  const heightAt = (path, x) => {
    for (const run of runsOf(path)) {
      if (x < run[0][0] || x > run[run.length - 1][0]) { continue; }
      let low = 0, high = run.length - 1;
      while (high - low > 1) {
        const middle = (low + high) >> 1;
        if (run[middle][0] <= x) { low = middle; } else { high = middle; }
      }
      const [x0, y0] = run[low], [x1, y1] = run[high];
      return x1 === x0 ? y0 : y0 + (y1 - y0) * (x - x0) / (x1 - x0);
    }
    return undefined;
  };
  const scale = (text) => {
    const [start, end, low, high] = text.split(" ").map(Number);
    const digits = Math.max(0, Math.min(3, 2 - Math.floor(Math.log10(high - low))));
    return { start, end, valueAt: (place) => low + (high - low) * (place - start) / (end - start),
      words: (value) => value.toLocaleString("en-US", { maximumFractionDigits: digits }) };
  };
  const parts = (title) => { const found = /^(.*?)\s*\[(.*)\]$/.exec(title); return found ? [found[1], found[2]] : [title, ""]; };

  const read = (drawing, place) => {
    const shown = [...drawing.querySelectorAll("svg")].filter((one) => one.clientWidth > 0);
    const panels = shown.flatMap((one) => [...one.querySelectorAll(".panel[data-x]")]);
    if (!panels.length) { return; }
    const across = scale(panels[0].dataset.x);
    const x = Math.min(Math.max(place, across.start), across.end);
    drawing.dataset.place = x;
    const [name, unit] = parts(panels[0].dataset.across);
    const said = [`${name} ${across.words(across.valueAt(x))} ${unit}`];
    for (const panel of panels) {
      const up = scale(panel.dataset.y), [what, of] = parts(panel.dataset.title);
      for (const path of panel.querySelectorAll("path[data-name]")) {
        const y = heightAt(path, x);
        if (y !== undefined) { said.push(`${path.dataset.name || what} ${up.words(up.valueAt(y))} ${of}`); }
      }
      let cursor = panel.querySelector(".cursor");
      if (!cursor) {
        cursor = document.createElementNS("http://www.w3.org/2000/svg", "path");
        cursor.setAttribute("class", "cursor frame");
        panel.append(cursor);
      }
      cursor.setAttribute("d", `M${x} ${up.end}V${up.start}`);
    }
    drawing.nextElementSibling.textContent = said.join(" · ");
  };
  const placeOf = (drawing, event) => {
    const svg = [...drawing.querySelectorAll("svg")].find((one) => one.clientWidth > 0);
    const frame = svg.getBoundingClientRect();
    return (event.clientX - frame.left) / frame.width * svg.viewBox.baseVal.width;
  };
  const at = (event) => event.target.closest ? event.target.closest(".drawing") : null;
  document.addEventListener("pointermove", (event) => {
    const drawing = at(event);
    if (drawing) { read(drawing, placeOf(drawing, event)); }
  });
  document.addEventListener("click", (event) => {
    const drawing = at(event);
    if (!drawing) { return; }
    read(drawing, placeOf(drawing, event));
    const title = [...event.target.closest("g,rect,path").children].find((child) => child.tagName === "title");
    if (title) { drawing.nextElementSibling.textContent = title.textContent; }
  });
  document.addEventListener("keydown", (event) => {
    const steps = { ArrowLeft: -1, ArrowRight: 1, PageUp: -10, PageDown: 10 };
    const drawing = event.target.classList && event.target.classList.contains("drawing") ? event.target : null;
    if (!drawing || !(event.key in steps)) { return; }
    event.preventDefault();
    read(drawing, Number(drawing.dataset.place || 0) + 4 * steps[event.key]);
  });
})();
