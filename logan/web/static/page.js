// What every page is made with. Everything that comes from a file is put in as text, never as markup.

const data = document.body.dataset;
export const build = data.build;
export const api = "/api/v1/builds/" + encodeURIComponent(build);
export const pageOf = (path) => "/builds/" + encodeURIComponent(build) + (path ? "/" + path : "");
export const byId = (id) => document.getElementById(id);

const isMiles = data.distance !== "km";
const isFahrenheit = data.temperature !== "degC";

// The units that the build is shown in; values arrive in SI.
export const units = {
  isMiles: isMiles,
  metres: isMiles ? 1609.344 : 1000,
  distance: isMiles ? "mi" : "km",
  speed: isMiles ? "mph" : "km/h",
  consumption: isMiles ? "Wh/mi" : "Wh/km",
  temperature: isFahrenheit ? "°F" : "°C",
  ofTemperature: (degc) => isFahrenheit ? degc * 1.8 + 32 : degc,
  ofConsumption: (whPerKm) => whPerKm * (isMiles ? 1.609344 : 1),
};

const lines = JSON.parse(data.units || "{}");
const SHARES = ["pump_duty", "fan_duty", "accelerator", "relative_humidity", "grade"];
const PLAIN = { "A*h": "Ah", "deg": "°", "m/s^2": "m/s²", "ratio": "" };

// How a channel or a unit in SI is shown: its unit, and the straight line to it.
export function shownAs(unit, channel) {
  const kind = (channel || "").replace(/_\d+$/, ""), line = lines[SHARES.includes(kind) ? "state_of_charge" : kind] || lines[unit];
  return line ? { unit: line[0], scale: line[1], offset: line[2] } : { unit: PLAIN[unit] ?? unit, scale: 1, offset: 0 };
}

// A value in SI as people read it, with as many digits as its size asks for.
export function valueText(value, shown, size) {
  if (value === null || value === undefined) { return "–"; }
  const seen = shown.scale * value + shown.offset, large = size === undefined ? Math.abs(seen) : Math.abs(shown.scale) * size;
  return number(seen, large > 200 ? 0 : large > 10 ? 1 : large > 1 ? 2 : 3) + (shown.unit ? " " + shown.unit : "");
}

export function make(tag, attributes, ...children) {
  const element = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes || {})) {
    if (key === "on") {
      for (const [name, action] of Object.entries(value)) { element.addEventListener(name, action); }
    } else if (value === true) {
      element.setAttribute(key, "");
    } else if (value !== false && value !== null && value !== undefined) {
      element.setAttribute(key, String(value));
    }
  }
  for (const child of children.flat()) {
    if (child !== null && child !== undefined) { element.append(child instanceof Node ? child : String(child)); }
  }
  return element;
}

const SVG = "http://www.w3.org/2000/svg";

export function svg(tag, attributes, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes)) { element.setAttribute(key, String(value)); }
  for (const child of children) { element.append(child); }
  return element;
}

// A name that tells a field from the others of its place.
export const nameOf = (field) => field.name || field.id || field.getAttribute("aria-label");

// Draws a place anew; what had the focus has it again.
export function keepFocus(place, draw) {
  const at = place.contains(document.activeElement) ? document.activeElement : null;
  const words = (one) => one.getAttribute("aria-label") || nameOf(one) || one.textContent.trim();
  const alike = () => at ? [...place.querySelectorAll(at.tagName)].filter((one) => words(one) === words(at)) : [];
  const k = alike().indexOf(at);
  draw();
  if (!at || at === document.activeElement) { return; }
  const again = at.isConnected ? at : alike()[k];
  if (!again) { return; }
  again.focus({ preventScroll: true });
  if (again !== at && (at.type === "text" || at.tagName === "TEXTAREA")) { again.setSelectionRange(at.selectionStart, at.selectionEnd); }
}

export function fill(element, ...children) {
  element.classList.remove("loading");
  keepFocus(element, () => element.replaceChildren(...children.flat().filter((child) => child !== null && child !== undefined)));
}

// A click reaches nobody where its element is drawn anew between press and release. So what comes by itself (an answer, the
// end of a message) waits from the press on something that is clicked until the click has been heard.
const CLICKED = "button, a, summary, label, [type=checkbox], [type=radio], .road svg", AFTER_TOUCH_MS = 400;
let pressed = null, letGo = () => undefined, leaving = null;
export const released = () => pressed;

function press(target) {
  clearTimeout(leaving);
  if (pressed || !target.closest || !target.closest(CLICKED) || target.matches("[type=range]")) { return; }
  pressed = new Promise((go) => { letGo = go; });
}

// Once what was begun with it is done: the click follows its release, a finger's somewhat later.
function release(after = 0) {
  clearTimeout(leaving);
  if (pressed) { leaving = setTimeout(() => { pressed = leaving = null; letGo(); }, after); }
}

const listen = (names, heard) => { for (const name of names) { window.addEventListener(name, heard, true); } };
listen(["pointerdown"], (event) => { if (event.button === 0) { press(event.target); } });
listen(["keydown"], (event) => { if (event.key === " ") { press(event.target); } });
listen(["pointerup"], (event) => release(event.pointerType === "mouse" ? 0 : AFTER_TOUCH_MS));
listen(["click", "keyup", "pointercancel", "dragstart", "contextmenu"], () => release());
window.addEventListener("blur", () => release());
// Let go of where nobody heard it: outside the window.
listen(["pointermove"], (event) => { if (!event.buttons && !leaving) { release(); } });

export function say(text, tone) {
  const close = make("button", { on: { click: () => notice.remove() } }, "Close");
  const notice = make("div", { class: "notice " + (tone || "") }, make("p", {}, text), close);
  byId("messages").append(notice);
  if (tone !== "red") { setTimeout(async () => { await released(); notice.remove(); }, 8000); }
}

// Goes to another page, and says there what was still to be said here.
export function goSaying(address, messages) {
  sessionStorage.setItem("said", JSON.stringify(messages));
  location.href = address;
}

export function sayLeft() {
  const left = JSON.parse(sessionStorage.getItem("said") || "[]");
  sessionStorage.removeItem("said");
  for (const [text, tone] of left) { say(text, tone); }
}

export function number(value, digits) {
  if (value === null || value === undefined) { return "–"; }
  // Halves go to the even digit, as in the terminal.
  const places = { minimumFractionDigits: digits || 0, maximumFractionDigits: digits || 0, roundingMode: "halfEven" };
  const text = value.toLocaleString("en", places);
  // What rounds to nothing has no sign.
  return /[1-9]/.test(text) ? text.replace("-", "−") : text.replace("-", "");
}

export function percent(ratio) {
  if (ratio === null || ratio === undefined) { return "–"; }
  if (ratio > 0.995 && ratio < 1) { return "> 99 %"; }
  return ratio > 0 && ratio < 0.005 ? "< 1 %" : number(100 * ratio) + " %";
}

// A chance rests on samples, so it is never certain.
export const chance = (ratio) => percent(Math.min(Math.max(ratio, 1e-6), 1 - 1e-6));

export function clock(seconds) {
  const whole = Math.round(seconds);
  const hours = Math.floor(whole / 3600), minutes = Math.floor(whole % 3600 / 60);
  const padded = (value) => String(value).padStart(2, "0");
  return hours ? hours + " h " + padded(minutes) + " min" : minutes + " min " + padded(whole % 60) + " s";
}

// A figure with its uncertainty; a refused one says so, and its reason stands below it.
export function figureText(figure, scale, digits, unit) {
  if (figure.reason !== undefined) { return "refused"; }
  const sigma = figure.sigma === null ? "" : " ± " + number(figure.sigma * scale, digits);
  return number(figure.value * scale, digits) + sigma + " " + unit;
}

export const whyOf = (figure) => figure.reason !== undefined ? figure.reason : figure.source;

export function keyFigure(label, value, detail, tone) {
  const small = detail ? make("small", {}, detail) : null;
  return make("div", { class: tone || "plain" }, make("dt", {}, label), make("dd", {}, value, small));
}

// Rows are {cells, tone}; a column of words is set from the left.
export function table(caption, headings, rows, wordy) {
  const cell = (content, column) => column === 0
    ? make("th", { scope: "row", "data-head": headings[0] }, content)
    : make("td", { class: wordy && wordy.includes(column) ? "words" : null, "data-head": headings[column] }, content);
  const head = headings.map((heading, column) =>
    make("th", { scope: "col", class: wordy && wordy.includes(column) ? "words" : null }, heading));
  const body = rows.map((row) => make("tr", { class: row.tone || null }, row.cells.map(cell)));
  // On a phone, rows of words stand below each other, each with its heading, rather than in columns too narrow to read.
  return make("div", { class: wordy && wordy.length > 2 ? "table wordy" : "table", tabindex: "0", role: "region", "aria-label": caption },
    make("table", {}, make("caption", {}, make("span", {}, caption)), make("thead", {}, make("tr", {}, head)), make("tbody", {}, body)));
}

// What a page does when work that it did not begin itself has come to its end.
export const whenCame = (kinds, action) => document.addEventListener("came", (event) => { if (kinds.includes(event.detail)) { action(); } });

export const channelWords = (channel) => channel.replaceAll("_", " ");

// Why the fit does without a drive, or takes it against its data; empty where all is well.
export function partInFit(drive) {
  const { excluded_because: excluded, included_because: included } = drive.conditions;
  const kept = drive.summary.admission.kept_out.find((entry) => entry.use === "fit" && !entry.spans.length);
  if (excluded) { return "left out by you: " + excluded; }
  if (!kept) { return ""; }
  const words = included && !kept.is_missing ? "taken in by you (" + included + ") against" : "kept out by";
  return words + " its data: " + kept.reason;
}
