// All drives: sort, filter, search, the trend, change several at once, a bin with undo.
import { ask, follow, guarded, inTurn, once, queue, saveGuarded } from "./ask.js";
import { api, byId, fill, keepFocus, make, number, pageOf, say, svg, units, whenCame } from "./page.js";

// So many rows are asked for and drawn at once; the others follow while nothing else is to be done.
const FIRST_ROWS = 50;
const whenIdle = window.requestIdleCallback || ((action) => setTimeout(action, 20));
const shown = (value, form) => value === null ? "–" : form(value);
const day = (row) => row.start_ns ? new Date(row.start_ns / 1e6).toLocaleDateString("en-CA") : "–";

// Heading, what is sorted by, what is shown; a column of words is set from the left.
const COLUMNS = [
  ["drive", (row) => row.number, (row) => make("a", { href: pageOf("drives/" + row.number) }, "drive " + row.number)],
  ["day", (row) => row.start_ns, day],
  ["min", (row) => row.duration_s, (row) => number(row.duration_s / 60)],
  [units.distance, (row) => row.distance_m, (row) => shown(row.distance_m, (v) => number(v / units.metres, 1))],
  [units.consumption, (row) => row.net_wh_per_km, (row) => row.net_wh_per_km === null ? "refused"
    : number(units.ofConsumption(row.net_wh_per_km)) + (row.sigma_wh_per_km ? " ± " + number(units.ofConsumption(row.sigma_wh_per_km)) : "")],
  ["peak A", (row) => row.peak_current_a, (row) => shown(row.peak_current_a, number)],
  ["limit events", (row) => row.limit_events, (row) => shown(row.limit_events, (v) => v ? number(v) : "none"), true],
  ["data quality", (row) => row.grade, (row) => row.grade || "–"],
  ["findings", (row) => 1000 * row.red + row.amber, (row) =>
    [row.red ? row.red + " red" : "", row.amber ? row.amber + " amber" : ""].filter(Boolean).join(", ") || "none", true],
  ["fit", (row) => row.fit, (row) => row.fit || "takes part", true],
  ["tags", (row) => row.tags.join(), (row) => row.tags.join(", "), true],
];
const FILTERS = {
  all: ["all drives", () => true], red: ["with red findings", (row) => row.red > 0],
  events: ["with limit events", (row) => row.limit_events > 0], out: ["not in the fit", (row) => row.fit !== ""],
};

// Consumption over the drives as a strip of dots; each leads to its drive.
function trend(rows) {
  const known = rows.filter((row) => row.net_wh_per_km !== null).slice(-400);
  if (known.length < 2) { return null; }
  const values = known.map((row) => row.net_wh_per_km), low = Math.min(...values), span = Math.max(...values) - low || 1;
  const x = (k) => 10 + 680 * k / (known.length - 1), y = (value) => 62 - 50 * (value - low) / span;
  const dots = known.map((row, k) => {
    const link = svg("a", { href: pageOf("drives/" + row.number), "aria-label": "drive " + row.number + ", " +
      number(units.ofConsumption(row.net_wh_per_km)) + " " + units.consumption });
    link.append(svg("circle", { cx: x(k).toFixed(1), cy: y(row.net_wh_per_km).toFixed(1), r: known.length > 60 ? 3 : 6, class: row.red ? "red" : "dot" }));
    return link;
  });
  const line = svg("path", { d: "M" + known.map((row, k) => x(k).toFixed(1) + " " + y(row.net_wh_per_km).toFixed(1)).join("L") });
  return make("figure", {}, make("figcaption", {}, "Consumption over the drives, " + number(units.ofConsumption(low)) + " to " +
    number(units.ofConsumption(low + span)) + " " + units.consumption), svg("svg", { viewBox: "0 0 700 72", class: "trend" }, line, ...dots));
}

export async function drives() {
  const place = byId("drives"), ticked = new Set(), state = { by: 0, isDown: false, filter: "all", words: "" };
  let rows = [], binned = [], total = 0, turn = 0;

  // One question after another: an older answer never comes after a newer one.
  const load = queue()(async (most) => {
    const found = await ask("GET", api + "/drive-list" + (most ? "?most=" + most : ""));
    [rows, binned, total] = [found.rows, found.bin, found.count];
    for (const n of [...ticked]) { if (!rows.some((row) => row.number === n)) { ticked.delete(n); } }
  });
  const chosen = () => rows.filter((row) => ticked.has(row.number));
  const list = () => {
    const words = state.words.toLowerCase().split(/\s+/).filter(Boolean), [, fits] = FILTERS[state.filter];
    const text = (row) => ["drive " + row.number, day(row), row.note, row.change, row.fit, ...row.tags].join(" ").toLowerCase();
    const found = rows.filter((row) => fits(row) && words.every((word) => text(row).includes(word)));
    const by = COLUMNS[state.by][1], way = state.isDown ? -1 : 1;
    return found.sort((one, other) => {
      const [a, b] = [by(one), by(other)];
      return a === null || b === null ? (a === null) - (b === null) : way * (a < b ? -1 : a > b ? 1 : one.number - other.number);
    });
  };
  const rowOf = (row) => {
    const box = make("input", { type: "checkbox", checked: ticked.has(row.number), "aria-label": "Choose drive " + row.number });
    box.addEventListener("change", () => { ticked[box.checked ? "add" : "delete"](row.number); showChosen(); });
    const cells = COLUMNS.map(([, , show, isWords], k) => k ? make("td", { class: isWords ? "words" : null }, show(row))
      : make("th", { scope: "row" }, make("span", { class: "pick" }, box, show(row))));
    return make("tr", { class: row.red || row.damage ? "red" : row.amber ? "amber" : null, title: row.damage || row.note || null }, cells);
  };
  const body = make("tbody", {}), head = make("tr", {}), bulk = make("div", { "aria-live": "polite" }), count = make("p", { class: "hint" });
  const show = () => {
    const found = list(), mine = ++turn;
    fill(head, COLUMNS.map(([words, , , isWords], k) => make("th", { scope: "col", class: isWords ? "words" : null,
      "aria-sort": state.by === k ? (state.isDown ? "descending" : "ascending") : null },
    make("button", { class: "sort", type: "button", on: { click: () => {
      state.isDown = state.by === k && !state.isDown;
      state.by = k;
      show();
    } } }, words))));
    fill(body, found.slice(0, FIRST_ROWS).map(rowOf));
    fill(count, (found.length < rows.length ? number(found.length) + " of " : "") + number(total) + (total === 1 ? " drive." : " drives."));
    const more = (from) => whenIdle(() => {
      if (mine !== turn || from >= found.length) { return; }
      body.append(...found.slice(from, from + FIRST_ROWS).map(rowOf));
      more(from + FIRST_ROWS);
    });
    more(FIRST_ROWS);
  };
  // One change to a drive, in the version it was seen in. Of one that was changed elsewhere since, tags are added to those
  // that are there by now; another reason for leaving it out is shown beside the new one.
  const patch = (n, contentOf) => {
    const rowNow = () => rows.find((one) => one.number === n), seen = rowNow();
    const send = async () => {
      const row = rowNow();
      if (row) { await ask("PATCH", api + "/drives/" + n, { ...contentOf(row), version: row.version }); }
      return true;
    };
    const before = (key) => key === "tags" ? rowNow().tags.join(", ") : seen[key.replace("clude_", "cluded_")];
    return saveGuarded(null, send, () => load(), before, (text) => "drive " + n + ": " + (text || "takes part"));
  };
  // To every drive ticked; however far it comes, the list shows what is so by now.
  const toAll = (words, action, field) => once(inTurn(async () => {
    const numbers = chosen().map((row) => row.number), text = field ? field.value : "", count = numbers.length;
    if (field && !text.trim()) { field.focus(); return; }
    try {
      for (const n of numbers) { await action(n, text.trim()); }
      if (field && field.value === text) { field.value = ""; }
      if (count) { say(words(count, count === 1 ? " drive" : " drives"), "good"); }
    } finally { await again(); }
  }));
  const change = (words, contentOf, field) => toAll((n, drives) => words + ": " + n + drives + ".", (n, text) => patch(n, (row) => contentOf(row, text)), field);
  const remove = toAll((n, drives) => n + drives + (n === 1 ? " is" : " are") + " in the bin.", (n) => ask("DELETE", api + "/drives/" + n));
  const bringBack = (id) => once(inTurn(async () => {
    try { await ask("POST", api + "/bin/" + id, {}); } finally { await again(); }
  }));
  const field = (label) => make("input", { "aria-label": label, placeholder: label, maxlength: 300, size: 22 });
  const tag = field("Tag to add"), why = field("Reason");
  const addTag = change("Tagged", (row, text) => ({ tags: [...new Set([...row.tags, text])] }), tag);
  const leaveOut = change("Left out", (row, text) => ({ exclude_because: text }), why), takePart = change("Taking part", () => ({ is_included: true }));
  const showChosen = () => {
    const n = ticked.size, pair = chosen().map((row) => row.number).sort((a, b) => a - b);
    const button = (words, action) => make("button", { class: "plain", type: "button", on: { click: action } }, words);
    const bin = binned.length ? make("p", { class: "bar" }, "In the bin: ", binned.map(([k, id]) => button("Bring back drive " + k, bringBack(id))),
      button("Empty the bin", once(async () => { await ask("DELETE", api + "/bin"); await again(); }))) : null;
    // The fields are taken out of the old one already as the new one is made.
    keepFocus(bulk, () => fill(bulk, bin, !n ? make("p", { class: "hint" }, "Tick drives to change, compare or delete them.") : make("p", { class: "bar" },
      make("strong", {}, n + " ticked"), n === 2 ? make("a", { class: "button", href: pageOf("tools") + "?drives=" + pair.join(" ") + "#compare" }, "Compare the two") : null,
      tag, button("Add the tag", addTag),
      why, button("Leave out of the fit", leaveOut),
      button("Take part again", takePart), button("Delete", remove))));
  };
  const again = async () => { await load(); show(); showChosen(); };

  whenCame(["import", "refresh"], guarded(again));
  await load(FIRST_ROWS);
  if (!rows.length && !binned.length) {
    fill(place, make("p", { class: "empty" }, "No drive yet. ", make("a", { href: pageOf("logs") }, "Drop a log")));
    return;
  }
  const strip = make("div", {}, trend(rows)), search = make("input", { id: "find", type: "search", autocomplete: "off", on: { input: () => { state.words = search.value; show(); } } });
  const filter = make("select", { id: "filter", on: { change: () => { state.filter = filter.value; show(); } } },
    Object.entries(FILTERS).map(([key, [words]]) => make("option", { value: key }, words)));
  fill(place, make("p", { class: "bar" }, make("label", { class: "inline", for: "find" }, "Find"), search,
    make("label", { class: "inline", for: "filter" }, "Show"), filter), strip, bulk, count,
  make("div", { class: "table", tabindex: "0", role: "region", "aria-label": "Drives" }, make("table", {}, make("thead", {}, head), body)),
  make("p", { class: "hint" }, "Net consumption at the pack; a refused figure says why on the drive's own page."));
  show();
  showChosen();
  if (rows.length < total) {
    await new Promise((painted) => requestAnimationFrame(() => setTimeout(painted)));
    await load();
    fill(strip, trend(rows));
    show();
  }
  const { drives: stale } = await ask("GET", api + "/stale-drives");
  if (stale.length) {
    const notice = make("p", { class: "notice amber" }, "Figures of earlier settings, being worked out again: " +
      (stale.length > 12 ? stale.length + " drives." : "drive " + stale.join(", ") + "."));
    place.prepend(notice);
    await follow(await ask("POST", api + "/drives/refresh", {}), again);
    notice.remove();
  }
}
