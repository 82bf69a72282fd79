// One drive: figures, timeline, notes, tags, masks.
import { ask, follow, guarded } from "./ask.js";
import { api, byId, channelWords, clock, figureText, fill, keyFigure, make, number, partInFit, percent, say, table, units,
  whyOf } from "./page.js";
import { draw, drawAll } from "./plots.js";

function keyFigures(energy) {
  const net = energy.net_wh_per_km, back = energy.regenerated_wh;
  return make("dl", { class: "key-figures" },
    keyFigure("net consumption", figureText(net, units.ofConsumption(1), 0, units.consumption), whyOf(net)),
    keyFigure("distance", figureText(energy.distance_m, 1 / units.metres, 1, units.distance), energy.distance_source),
    keyFigure("coverage", percent(energy.coverage_ratio), "share of the time really sampled"),
    keyFigure("put back", figureText(back, 1, 0, "Wh"), whyOf(back)));
}

function eventNotice(event) {
  const long = event.duration_s < 1 ? "less than a second" : number(event.duration_s) + " s";
  const did = event.severity === "note" ? " touched its limit" : " passed " + event.severity;
  const words = channelWords(event.what) + did + " for " + long + ". " + (event.caution || event.remark);
  return make("div", { class: "notice " + event.severity }, words);
}

function findings(flags, n) {
  if (!flags.length) { return make("p", {}, "The detectors found nothing to say."); }
  const spanWords = (span) => clock(span.start_s) + " to " + clock(span.end_s);
  const when = (flag) => flag.spans.slice(0, 3).map(spanWords).join(", ") || "whole drive";
  const rowOf = (flag) => ({ tone: flag.severity, cells: [flag.title, when(flag), flag.evidence, flag.remedy.replace("logan drive N", "logan drive " + n)] });
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
  const timeline = byId("timeline");

  const change = async (content, words) => {
    show(await ask("PATCH", address, content));
    if (words) { say(words, "good"); }
  };
  const show = (stored) => {
    const analysis = stored.analysis, conditions = stored.record.conditions, part = partInFit(stored.record);
    const steps = stored.history.map((step) =>
      make("li", {}, step.action.replaceAll("_", " ") + ": " + step.detail + "; " + step.reason));
    fill(place, part ? make("p", { class: "notice amber" }, "The fit: " + part) : null, keyFigures(analysis.energy), analysis.limits.events.map(eventNotice), findings(analysis.flags, n),
      steps.length
        ? make("details", {}, make("summary", {}, "What was done to the data"), make("ul", {}, steps)) : null);
    byId("note").value = conditions.note;
    byId("change").value = conditions.change;
    byId("payload").value = conditions.payload_kg === null ? "" : conditions.payload_kg + " kg";
    byId("tags").value = conditions.tags.join(", ");
    byId("exclude").value = conditions.excluded_because;
    byId("include").value = conditions.included_because;
    const takeBack = (k) => guarded(async () => {
      await change({ take_back: k + 1 }, "Taken back.");
      await drawTimeline();
    });
    fill(byId("masks"), conditions.corrections.map((correction, k) => make("li", {},
      make("span", { class: "grow" }, correctionWords(correction)),
      make("button", { type: "button", on: { click: takeBack(k) } }, "Take back"))));
    byId("unmask").hidden = conditions.corrections.length < 2;
  };
  const drawTimeline = async () => {
    const found = await ask("GET", address + "/timeline");
    await draw(timeline, found.figure, found.alt);
    // What is zoomed to is what a mask would blank.
    timeline.on("plotly_relayout", (change) => {
      const key = Object.keys(change).find((name) => /^xaxis\d*\.range\[0\]$/.test(name));
      if (!key) { return; }
      const [start, end] = [change[key], change[key.replace("[0]", "[1]")]].map((minutes) => Math.max(0, minutes * 60));
      byId("mask-span").value = start.toFixed(1) + "s.." + end.toFixed(1) + "s";
    });
  };

  byId("notes-form").addEventListener("submit", guarded(async (event) => {
    const form = event.target, exclude = form.exclude_because.value.trim();
    await change({
      note: form.note.value, change: form.change.value,
      tags: form.tags.value.split(",").map((tag) => tag.trim()).filter(Boolean),
      payload: form.payload.value,
      exclude_because: exclude || null, is_included: !exclude,
      include_because: form.include_because.value.trim() || null,
    }, "Saved.");
  }));
  byId("mask-form").addEventListener("submit", guarded(async (event) => {
    const mask = { span: event.target.span.value, why: event.target.why.value };
    await change({ mask: mask }, "Masked; it can be taken back.");
    await drawTimeline();
  }));
  byId("unmask").addEventListener("click", guarded(async () => {
    await change({ is_unmasked: true }, "All are taken back.");
    await drawTimeline();
  }));
  byId("drive-report").addEventListener("click", guarded(async () => {
    const job = await ask("POST", api + "/report", { kind: "drive", drive: Number(n) });
    await follow(job, byId("drive-report-job"), (result, box) => {
      const about = { href: api + "/reports/" + result.name, target: "_blank", rel: "noopener" };
      box.append(make("p", {}, make("a", about, "Open " + result.name)));
    });
  }));
  // The timeline is asked for beside the numbers, so that neither waits for the other.
  await Promise.all([ask("GET", address).then(show), drawTimeline()]);
  drawAll(byId("drive-figures"), (await ask("GET", address + "/figures")).figures);
}
