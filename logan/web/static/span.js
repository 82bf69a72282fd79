// What a marked span of a drive says, and what can be done to it.
import { once } from "./ask.js";
import { channelWords, figureText, fill, keyFigure, make, number, table, units, whyOf } from "./page.js";
import { moment } from "./workbench.js";

const ACTIONS = [["mask", "leave it out"], ["keep", "keep only this of the drive"], ["offset", "add to it"], ["gain", "multiply it by"],
  ["sign", "turn its sign"], ["shift_s", "shift it by seconds"], ["note", "note something about it"]];

function rowOf(bench, found) {
  const about = bench.named.get(found.channel);
  const shown = (value) => bench.shownValue(about, value), step = bench.shownValue({ ...about, shown: { ...about.shown, offset: 0 } }, found.change);
  const rms = about.shown.offset ? "–" : shown(found.rms);
  return { cells: [channelWords(found.channel), shown(found.low), shown(found.high), shown(found.mean), rms, step] };
}

// What is done to the span that is shown; one form for all spans, so that what is typed in it, and a click on it, outlives them.
function formOf(bench) {
  const channel = make("select", { name: "channel" });
  const action = make("select", { name: "action" }, ACTIONS.map(([value, words]) => make("option", { value: value }, words)));
  const amount = make("input", { name: "amount", size: 8, inputmode: "decimal", autocomplete: "off", "aria-label": "By how much" });
  const unit = make("span", {});
  const fit = () => {
    const about = bench.named.get(channel.value), isNumber = ["offset", "gain", "shift_s"].includes(action.value);
    amount.parentElement.hidden = !isNumber;
    amount.required = isNumber;
    channel.parentElement.hidden = ["keep", "note"].includes(action.value);
    unit.textContent = action.value === "offset" && about ? about.shown.unit : action.value === "shift_s" ? "s" : "";
  };
  const form = make("form", { class: "bar", on: { change: fit, submit: once(act) } },
    make("label", { class: "inline" }, "Do ", action), make("label", { class: "inline" }, "to ", channel),
    make("label", { class: "inline" }, "by ", amount, unit),
    make("label", { class: "inline" }, "because ", make("input", { name: "why", required: true, maxlength: 300, autocomplete: "off" })),
    make("button", { class: "primary" }, "Do it"), make("button", { type: "button", on: { click: () => bench.dropSpan() } }, "Close"));

  async function act() {
    const why = form.elements.why.value;
    // Done with, unless the next reason is being typed already.
    if (await change(why) && form.elements.why.value === why) {
      form.reset();
      fit();
    }
  }

  function change(why) {
    const { start_s: start, end_s: end } = bench.spanShown, written = start.toFixed(2) + "s.." + end.toFixed(2) + "s";
    const what = action.value, name = channel.value;
    const about = bench.named.get(name), value = Number(amount.value.replace("−", "-").replace(",", "."));
    if (what === "mask") { return bench.change({ mask: { span: written, why: why, channels: name ? [name] : [] } }, "Left out; it can be taken back."); }
    if (what === "keep") {
      return bench.change({ trims: [".." + start.toFixed(2) + "s", end.toFixed(2) + "s.."], why: why }, "Trimmed; it can be taken back.");
    }
    if (what === "note") { return bench.change({ addNote: moment(start, 1) + " to " + moment(end, 1) + ": " + why }, "Noted."); }
    const size = { offset: about ? value / about.shown.scale : 0, gain: value, sign: -1, shift_s: value }[what];
    return bench.change({ correct: name + "." + what + "=" + size + "@" + written, why: why }, "Corrected; it can be taken back.");
  }

  form.offer = () => {
    const before = channel.value;
    channel.replaceChildren(make("option", { value: "" }, "all channels"), ...bench.chosen.map((name) => make("option", { value: name }, channelWords(name))));
    channel.value = bench.chosen.includes(before) ? before : "";
    fit();
  };
  return form;
}

export function spanPanel(place, bench, found) {
  const { start_s: start, end_s: end } = found.span;
  const rows = found.channels.filter((one) => bench.chosen.includes(one.channel) && bench.named.has(one.channel));
  const consumption = found.net_wh_per_km;
  if (!place.firstChild) { place.append(make("div", {}), formOf(bench)); }
  bench.spanShown = found.span;
  const title = make("h3", {}, "From " + moment(start, 0.1) + " to " + moment(end, 0.1) + " (" + number(end - start, 1) + " s)");
  place.lastChild.offer();
  if (!rows.length && found.distance_m.reason !== undefined) { fill(place.firstChild, title, make("p", {}, "Nothing of it is left: all of it was left out by hand, or nothing was logged.")); return; }
  fill(place.firstChild, title,
    make("dl", { class: "key-figures" },
      keyFigure("net consumption", figureText(consumption, units.ofConsumption(1), 0, units.consumption), whyOf(consumption)),
      keyFigure("distance", figureText(found.distance_m, 1 / units.metres, 2, units.distance), whyOf(found.distance_m)),
      keyFigure("net energy", figureText(found.net_wh, 1, 0, "Wh"), whyOf(found.net_wh)),
      keyFigure("regen energy", figureText(found.regenerated_wh, 1, 0, "Wh"), whyOf(found.regenerated_wh))),
    table("Channels within it", ["channel", "lowest", "highest", "mean", "RMS", "end less start"], rows.map((one) => rowOf(bench, one))));
}
