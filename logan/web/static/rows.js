// Settings of which there are several, as small tables: scenarios, alternatives, curves, what was measured.
import { ask, guarded, inTurn, saveGuarded } from "./ask.js";
import { api, channelWords, fill, keepFocus, make, say } from "./page.js";

const TITLES = { "scenario": "Scenarios", "gearing.alternative": "Gearing to compare with", "pack.alternative": "Packs to compare with",
  "limits.curve": "Currents over time, from datasheets", "limits.conductor": "Cables and bars", "measurement": "What was measured" };
const SHOWN = 6;
const textsOf = (line) => Object.fromEntries([...line.querySelectorAll("input")].map((input) => [input.name, input.value.trim()]));
const linesOf = (row) => Object.entries(row).map(([key, text]) => channelWords(key) + ": " + text).join("\n");
const cellsOf = (row) => JSON.stringify(Object.entries(row).sort());

async function editor(place, name, again) {
  let found = await ask("GET", api + "/rows/" + name);
  const body = make("tbody", {}), send = (content) => ask("PATCH", api + "/rows/" + name, content);
  let seen = new Map(), takenOut = [];
  const columns = () => found.keys.slice(0, Math.max(SHOWN, new Set(found.rows.flatMap(Object.keys)).size));
  const rowOf = (row) => {
    const line = make("tr", {}, columns().map((key) => make("td", {}, make("input", { name: key, value: (row && row[key]) || "", size: 10, autocomplete: "off",
      maxlength: 5000, "aria-label": channelWords(key) }))));
    const more = make("select", { "aria-label": "Another value" }, make("option", { value: "" }, "more …"),
      found.keys.filter((key) => !columns().includes(key)).map((key) => make("option", { value: key }, channelWords(key))));
    more.addEventListener("change", () => {
      const input = make("input", { name: more.value, size: 10, "aria-label": channelWords(more.value), placeholder: channelWords(more.value) });
      line.lastChild.before(make("td", {}, input));
      more.selectedOptions[0].remove();
      input.focus();
    });
    const takeOut = () => {
      line.remove();
      takenOut.push(line);
      place.dataset.dirty = "yes";
    };
    line.append(make("td", {}, more.options.length > 1 ? more : null, make("button", { class: "plain", type: "button", on: { click: takeOut } }, "Take out")));
    seen.set(line, [row, textsOf(line)]);
    return line;
  };
  // A row that was touched, as it was read and as it is now; cells that nobody touched go back as they came.
  const changeOf = (line) => {
    const [row, before] = seen.get(line), touched = Object.entries(textsOf(line)).filter(([key, text]) => text !== (before[key] || ""));
    return touched.length ? [row, Object.fromEntries(Object.entries({ ...row, ...Object.fromEntries(touched) }).filter(([, text]) => text))] : null;
  };
  // Lines that were typed in while they were being saved stay as they are, each from now on a change of what was saved.
  const keep = (lines, count) => {
    takenOut = takenOut.slice(count);
    if (!takenOut.length) { delete place.dataset.dirty; }
    for (const [line, now] of lines) {
      const row = Object.fromEntries(Object.entries({ ...seen.get(line)[0], ...now }).filter(([, text]) => text));
      if (Object.keys(row).length) { seen.set(line, [found.rows.find((one) => cellsOf(one) === cellsOf(row)) || row, now]); }
      for (const input of line.querySelectorAll("input")) { input.defaultValue = now[input.name] ?? ""; }
    }
  };
  const show = () => keepFocus(place, () => {
    [seen, takenOut] = [new Map(), []];
    delete place.dataset.dirty;
    body.replaceChildren(...found.rows.map(rowOf));
    fill(place, make("div", { class: "table", tabindex: "0", role: "region", "aria-label": TITLES[name] }, make("table", { class: "dense" },
      make("thead", {}, make("tr", {}, [...columns(), ""].map((key) =>
        make("th", { scope: "col", class: "words" }, channelWords(key) || make("span", { class: "hint" }, "change"))))), body)),
    make("p", { class: "bar" }, make("button", { type: "button", class: "plain", on: { click: () => body.append(rowOf(null)) } }, "Add a row"),
      make("button", { class: "primary", type: "button", on: { click: save } }, "Save " + TITLES[name].toLowerCase())));
  });
  const save = guarded(inTurn(async () => {
    const out = takenOut.map((line) => [seen.get(line)[0], null]).filter(([row]) => row);
    const changes = [...out, ...[...body.rows].map(changeOf).filter(Boolean)], lost = new Set(), text = JSON.stringify;
    const lines = [...body.rows].map((line) => [line, textsOf(line)]), count = takenOut.length;
    // What was saved elsewhere is from now on what is changed, should the user want so.
    const newest = (conflict) => conflict.forEach((one) => {
      const change = changes.find((any) => !lost.has(any) && text(any[1] || {}) === text(JSON.parse(one.yours)));
      lost.add(change);
      change[0] = JSON.parse(one.theirs);
    });
    const saved = await saveGuarded({ changes: changes }, send, newest, () => null, (json) => linesOf(JSON.parse(json))), rest = changes.filter((change) => !lost.has(change));
    found = saved || await send({ changes: rest });
    const isTyped = takenOut.length > count || body.rows.length !== lines.length || lines.some(([line, now]) => text(textsOf(line)) !== text(now));
    if (saved && isTyped) { keep(lines, count); } else { show(); }
    await again();
    if (saved || rest.length) { say("Saved.", "good"); }
  }));
  show();
}

// `again` is done after each save, since the rows are part of the settings.
export function rows(place, again) {
  fill(place, Object.keys(TITLES).map((name) => {
    const inner = make("div", { "data-keep": true }), details = make("details", {}, make("summary", {}, TITLES[name]), inner);
    details.addEventListener("toggle", guarded(async () => { if (details.open && !inner.firstChild) { await editor(inner, name, again); } }));
    return details;
  }));
}
