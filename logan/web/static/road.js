// The way driven, from the logged positions alone: north is up, nothing is fetched.
import { make, number, svg, units } from "./page.js";

const WIDE = 640, MOST_HIGH = 420, ROOM = 14, EARTH_M = 6371008.8;

// Metres east and north of the first point, on a plane that touches the earth there.
function wayOf(found) {
  const { latitude, longitude } = found.channels, way = { times: [], east: [], north: [] };
  if (!latitude || !longitude || Boolean(latitude.time_s) !== Boolean(longitude.time_s)) { return way; }
  const at = (content, k) => content.time_s ? content.value[k] : content.low[k] === null ? null : (content.low[k] + content.high[k]) / 2;
  const count = Math.min(...[latitude, longitude].map((content) => (content.value || content.low).length));
  const step = (found.end_s - found.start_s) / count, metres = Math.PI / 180 * EARTH_M;
  let first = null;
  for (let k = 0; k < count; k++) {
    const [north, east] = [at(latitude, k), at(longitude, k)];
    if (north === null || east === null) { continue; }
    first = first || [north, east];
    way.times.push(latitude.time_s ? latitude.time_s[k] : found.start_s + (k + 0.5) * step);
    way.north.push((north - first[0]) * metres);
    way.east.push(((east - first[1] + 540) % 360 - 180) * metres * Math.cos(first[0] * Math.PI / 180));
  }
  return way;
}

export function roadMap(place, found, goTo) {
  const { times, east, north } = wayOf(found);
  place.hidden = !times.length;
  if (!times.length) { return; }
  const [west, far] = [Math.min(...east), Math.max(...east)], [south, top] = [Math.min(...north), Math.max(...north)];
  const scale = Math.min((WIDE - 2 * ROOM) / (far - west || 1), (MOST_HIGH - 2 * ROOM) / (top - south || 1));
  const high = Math.max(80, Math.round((top - south) * scale + 2 * ROOM + 20));
  const x = (k) => ROOM + (east[k] - west) * scale, y = (k) => ROOM + (top - north[k]) * scale;
  const path = "M" + times.map((_, k) => x(k).toFixed(1) + " " + y(k).toFixed(1)).join("L");
  const dot = svg("circle", { r: 7, class: "here", visibility: "hidden" });
  const picture = svg("svg", { viewBox: "0 0 " + WIDE + " " + high, role: "img", "aria-label":
    "The way driven, " + number((far - west) / units.metres, 1) + " by " + number((top - south) / units.metres, 1) + " " + units.distance },
  svg("path", { d: path, class: "way" }), svg("circle", { cx: x(0), cy: y(0), r: 5, class: "start" }), dot);
  // A bar of a round length.
  const length = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100].find((one) => one * units.metres * scale > 60) || 100;
  const bar = length * units.metres * scale, label = svg("text", { x: ROOM + bar + 6, y: high - 6, "font-size": 13 });
  label.textContent = length + " " + units.distance + ", north is up";
  picture.append(svg("path", { d: "M" + ROOM + " " + (high - 10) + "h" + bar.toFixed(1), class: "scale" }), label);
  const near = (time) => {
    let low = 0, end = times.length - 1;
    while (low < end) { const middle = (low + end) >> 1; if (times[middle] < time) { low = middle + 1; } else { end = middle; } }
    return low;
  };
  place.addEventListener("cursor", (event) => {
    const k = near(event.detail);
    dot.setAttribute("cx", x(k));
    dot.setAttribute("cy", y(k));
    dot.setAttribute("visibility", "visible");
  });
  picture.addEventListener("click", (event) => {
    const box = picture.getBoundingClientRect(), ratio = WIDE / box.width;
    const [across, down] = [(event.clientX - box.left) * ratio, (event.clientY - box.top) * ratio];
    let best = 0, least = Infinity;
    times.forEach((_, k) => {
      const far = (x(k) - across) ** 2 + (y(k) - down) ** 2;
      if (far < least) { [best, least] = [k, far]; }
    });
    goTo(times[best]);
  });
  place.replaceChildren(make("figcaption", {}, "The way driven"), picture);
}
