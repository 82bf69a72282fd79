// Settings of which there are several, as small tables: scenarios, alternatives, curves, what was measured.
import { ask, guarded, saveGuarded } from "./ask.js";
import { api, channelWords, fill, make, say } from "./page.js";

const TITLES = { "scenario": "Scenarios", "gearing.alternative": "Gearing to compare with", "pack.alternative": "Packs to compare with",
  "limits.curve": "Currents over time, from datasheets", "limits.conductor": "Cables and bars", "measurement": "What was measured" };
const SHOWN = 6;

async function editor(place, name) {
  let found = await ask("GET", api + "/rows/" + name);
  const body = make("tbody", {}), address = api + "/rows/" + name;
  const columns = () => found.keys.slice(0, Math.max(SHOWN, new Set(found.rows.flatMap(Object.keys)).size));
  const rowOf = (row) => {
    const line = make("tr", {}, columns().map((key) => make("td", {}, make("input", { name: key, value: row[key] || "", size: 14, autocomplete: "off",
      maxlength: 5000, "aria-label": channelWords(key) }))));
    const more = make("select", { "aria-label": "Another value" }, make("option", { value: "" }, "more …"),
      found.keys.filter((key) => !columns().includes(key)).map((key) => make("option", { value: key }, channelWords(key))));
    more.addEventListener("change", () => {
      const input = make("input", { name: more.value, size: 14, "aria-label": channelWords(more.value), placeholder: channelWords(more.value) });
      line.lastChild.before(make("td", {}, input));
      more.selectedOptions[0].remove();
      input.focus();
    });
    line.append(make("td", {}, more.options.length > 1 ? more : null,
      make("button", { class: "plain", type: "button", on: { click: () => line.remove() } }, "Take out")));
    return line;
  };
  const said = () => [...body.rows].map((line) => Object.fromEntries([...line.querySelectorAll("input")]
    .map((input) => [input.name, input.value.trim()]).filter(([, text]) => text))).filter((row) => Object.keys(row).length);
  const show = () => {
    body.replaceChildren(...found.rows.map(rowOf));
    fill(place, make("div", { class: "table", tabindex: "0", role: "region", "aria-label": TITLES[name] }, make("table", { class: "dense" },
      make("caption", {}, TITLES[name]), make("thead", {}, make("tr", {}, [...columns(), ""].map((key) =>
        make("th", { scope: "col" }, channelWords(key) || make("span", { class: "hint" }, "change"))))), body)),
    make("p", { class: "bar" }, make("button", { type: "button", class: "plain", on: { click: () => body.append(rowOf({})) } }, "Add a row"),
      make("button", { class: "primary", type: "button", on: { click: save } }, "Save " + TITLES[name].toLowerCase())));
  };
  const save = guarded(async () => {
    let { version } = found;
    const saved = await saveGuarded({ rows: said() }, (content) => ask("PUT", address, { ...content, version: version }),
      async () => { version = (await ask("GET", address)).version; }, () => null);
    found = saved || await ask("GET", address);
    show();
    if (saved) { say("Saved.", "good"); }
  });
  show();
}

export function rows(place) {
  fill(place, Object.keys(TITLES).map((name) => {
    const inner = make("div", {}), details = make("details", {}, make("summary", {}, TITLES[name]), inner);
    details.addEventListener("toggle", guarded(async () => { if (details.open && !inner.firstChild) { await editor(inner, name); } }));
    return details;
  }));
}
