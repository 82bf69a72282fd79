// What people type is never lost: not where a list is drawn anew while they type, not where they leave too soon.
import { keepFocus, nameOf, say } from "./page.js";

// What a field held when it was drawn.
const originOf = (field) => field.tagName === "SELECT"
  ? (([...field.options].find((one) => one.defaultSelected) || field.options[0] || {}).value ?? "")
  : field.defaultValue.replace(/\r\n?/g, "\n").replaceAll("\n", field.tagName === "TEXTAREA" ? "\n" : "");
const fieldsOf = (place) => [...place.querySelectorAll("input:not([type=checkbox]):not([type=radio]), select, textarea")].filter(nameOf);
const isTyped = (field) => field.value !== originOf(field);

// True where something was typed that its own button has not saved: places of such fields have `data-keep`; what was
// chosen otherwise makes its place `data-dirty`.
const KEPT = "[data-keep], [data-dirty]";
export const isUnsaved = (places = document.querySelectorAll(KEPT)) =>
  [...places].some((place) => "dirty" in place.dataset || place.querySelector("[data-dirty]") || fieldsOf(place).some(isTyped));

// Fills anew, but for the children (told apart by `data-key`) that are typed in, or have the focus: they stay.
export function refill(element, ...children) {
  const isInUse = (child) => child.contains(document.activeElement) || fieldsOf(child).some(isTyped);
  const kept = new Map([...element.children].filter((child) => child.dataset.key && isInUse(child)).map((child) => [child.dataset.key, child]));
  const wanted = children.flat().filter(Boolean).map((child) => kept.get(child.dataset.key) || child);
  for (const child of [...element.children]) { if (!wanted.includes(child)) { child.remove(); } }
  wanted.forEach((child, k) => { if (element.children[k] !== child) { element.insertBefore(child, element.children[k] || null); } });
}

function sayOther(field, text) {
  const words = field.getAttribute("aria-label") || (field.labels && field.labels.length ? field.labels[0].textContent : nameOf(field));
  say(words + " was changed elsewhere meanwhile, to “" + text + "”. What you typed stands in its field; it is not saved yet.", "amber");
}

// Puts what is saved by now into a field, unless something else was typed there since it was drawn or sent (`sent`); true
// where it did.
export function renew(field, text, sent) {
  const before = originOf(field), isKept = isTyped(field) && field.value !== sent && field.value !== text;
  if (!isKept) { field.value = text; }
  field.defaultValue = text;
  if (isKept && sent === undefined && before !== text) { sayOther(field, text); }
  return !isKept;
}

// Draws a place anew and keeps what was typed there since it was drawn or sent (`sent` by names), what was open, and the focus.
export function redraw(place, draw, sent = {}) {
  const typed = fieldsOf(place).filter((field) => isTyped(field) && field.value !== sent[nameOf(field)]);
  const open = [...place.querySelectorAll("details[data-key][open]")].map((one) => one.dataset.key);
  keepFocus(place, () => {
    draw();
    for (const one of place.querySelectorAll("details[data-key]")) { one.open = one.open || open.includes(one.dataset.key); }
    const now = new Map(fieldsOf(place).map((field) => [nameOf(field), field]));
    for (const old of typed) {
      const field = now.get(nameOf(old));
      if (!field || field.value === old.value) { continue; }
      if (sent[nameOf(old)] === undefined && originOf(field) !== originOf(old)) { sayOther(field, originOf(field)); }
      field.value = old.value;
    }
  });
}
