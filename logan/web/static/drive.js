// One drive: figures, timeline, notes, tags, masks.
import { ask, follow, guarded, inTurn, once, saveGuarded } from "./ask.js";
import { renew } from "./fields.js";
import { api, byId, channelWords, clock, figureText, fill, keyFigure, make, number, partInFit, percent, say, table, units,
  whyOf } from "./page.js";
import { Workbench } from "./workbench.js";

const NUMBERS = ["wind_from_deg", "drag_factor", "rolling_factor"];

function keyFigures(energy) {
  const net = energy.net_wh_per_km, back = energy.regenerated_wh;
  return make("dl", { class: "key-figures" },
    keyFigure("net consumption", figureText(net, units.ofConsumption(1), 0, units.consumption), whyOf(net)),
    keyFigure("distance", figureText(energy.distance_m, 1 / units.metres, 1, units.distance), energy.distance_source),
    keyFigure("coverage", percent(energy.coverage_ratio), "share of the time really sampled"),
    keyFigure("regen energy", figureText(back, 1, 0, "Wh"), whyOf(back)));
}

function eventNotice(event, bench) {
  const long = event.duration_s < 1 ? "less than a second" : number(event.duration_s) + " s";
  const did = event.severity === "note" ? " touched its limit" : " passed " + event.severity;
  const words = channelWords(event.what) + did + " for " + long + ". " + (event.caution || event.remark);
  const goTo = () => {
    bench.goTo(bench.entries.findIndex((entry) => entry.mark.kind === "limit" && entry.mark.at_s === event.context.at_s));
    bench.place.focus();
  };
  return make("div", { class: "notice " + event.severity }, words + " ", make("button", { class: "plain", on: { click: goTo } }, "Show it"));
}

function findings(flags) {
  if (!flags.length) { return make("p", {}, "The detectors found nothing to say."); }
  const spanWords = (span) => clock(span.start_s) + " to " + clock(span.end_s);
  const when = (flag) => flag.spans.slice(0, 3).map(spanWords).join(", ") || "whole drive";
  const rowOf = (flag) => ({ tone: flag.severity, cells: [flag.title, when(flag), flag.evidence, flag.remedy] });
  const rows = flags.map(rowOf);
  return table("Findings", ["finding", "when", "evidence", "what to do"], rows, [1, 2, 3]);
}

function correctionWords(correction) {
  const end = (seconds, word) => seconds === null ? word : clock(seconds);
  const span = end(correction.start_s, "the start") + " to " + end(correction.end_s, "the end");
  const what = correction.channels.length ? correction.channels.map(channelWords).join(", ") : "all channels";
  return (correction.is_mask ? "Masked: " : "Corrected: ") + what + ", " + span + ". " + correction.why;
}

export async function drive() {
  const place = byId("drive"), n = place.dataset.drive, address = api + "/drives/" + n;
  let noted = null;

  // Only what was changed is sent, with the version it was changed in; `sent` are fields as they were sent.
  const change = inTurn(async (content, words, sentOf) => {
    const { addNote, takeBack, ...rest } = typeof content === "function" ? content() : content, sent = sentOf ? sentOf() : {};
    if (addNote) { rest.note = [noted.note, addNote].filter(Boolean).join("\n"); }
    const send = async (asked) => {
      // Corrections are told apart by what they are: their numbers move when others are taken back.
      const k = takeBack ? bench.corrections.findIndex((one) => JSON.stringify(one) === takeBack) : -1;
      if (takeBack && k < 0) { return asked; }
      return ask("PATCH", address, { ...asked, ...(takeBack ? { take_back: k + 1 } : {}), version: bench.about.version });
    };
    const saved = await saveGuarded(rest, send, () => bench.load(), (key) => noted[key] ?? "");
    show(await bench.load(), sent);
    if (words && saved) { say(words, "good"); }
    return saved;
  });
  const bench = new Workbench(n, change);
  const show = (stored, sent = {}) => {
    const analysis = stored.analysis, conditions = stored.record.conditions, part = partInFit(stored.record);
    const steps = stored.history.map((step) =>
      make("li", {}, step.action.replaceAll("_", " ") + ": " + step.detail + "; " + step.reason));
    fill(place, part ? make("p", { class: "notice amber" }, "The fit: " + part) : null, keyFigures(analysis.energy),
      analysis.limits.events.map((event) => eventNotice(event, bench)));
    fill(byId("findings"), findings(analysis.flags),
      steps.length
        ? make("details", {}, make("summary", {}, "What was done to the data"), make("ul", {}, steps)) : null);
    noted = {
      note: conditions.note, change: conditions.change, tags: conditions.tags.join(", "),
      payload: conditions.said.payload || (conditions.payload_kg === null ? "" : conditions.payload_kg + " kg"),
      passengers: "", ...Object.fromEntries(["ambient", "wind", "tire"].map((key) => [key, conditions.said[key] || ""])),
      ...Object.fromEntries(NUMBERS.map((key) => [key, conditions[key] === null ? "" : String(conditions[key])])),
      exclude_because: conditions.excluded_because, include_because: conditions.included_because,
    };
    for (const [key, text] of Object.entries(noted)) { renew(byId("notes-form").elements[key], text, sent[key]); }
    const takeBack = (correction) => once(() => change({ takeBack: JSON.stringify(correction) }, "Taken back."));
    fill(byId("masks"), conditions.corrections.map((correction) => make("li", {},
      make("span", { class: "grow" }, correctionWords(correction)),
      make("button", { type: "button", on: { click: takeBack(correction) } }, "Take back"))));
    byId("masks-title").hidden = !conditions.corrections.length;
    byId("unmask").hidden = conditions.corrections.length < 2;
  };

  const fields = byId("notes-form").elements;
  const touched = () => Object.fromEntries(Object.keys(noted).filter((key) => fields[key].value.trim() !== noted[key].trim())
    .map((key) => [key, fields[key].value]));
  const notesOf = () => {
    const said = Object.fromEntries(Object.entries(touched()).map(([key, text]) => [key, text.trim()]));
    for (const key of ["passengers", ...NUMBERS].filter((one) => said[one] !== undefined)) {
      said[key] = said[key] ? Number(said[key].replace(",", ".")) : key.endsWith("factor") ? 1 : undefined;
    }
    if (said.passengers !== undefined) { said.payload = said.payload ?? noted.payload; }
    if (said.tags !== undefined) { said.tags = said.tags.split(",").map((tag) => tag.trim()).filter(Boolean); }
    if (said.exclude_because === "" || said.include_because === "") { said.is_included = true; }
    for (const key of ["exclude_because", "include_because"]) { said[key] = said[key] || undefined; }
    return said;
  };
  byId("notes-form").addEventListener("submit", guarded(() => change(notesOf, "Saved.", touched)));
  byId("unmask").addEventListener("click", once(() => change({ is_unmasked: true }, "All are taken back.")));
  byId("drive-report").addEventListener("click", once(async () => {
    const job = await ask("POST", api + "/report", { kind: "drive", drive: Number(n) });
    await follow(job);
  }));
  const others = ask("GET", api + "/drive-list").then((found) => {
    byId("lay-over").append(...found.rows.filter((one) => String(one.number) !== n && !one.damage)
      .map((one) => make("option", { value: one.number }, "drive " + one.number)));
  });
  const [stored] = await Promise.all([bench.load(), others]);
  show(stored);
}
