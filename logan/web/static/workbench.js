// The drive workbench: timeline, marks, the road, and what a marked span says.
import { ask, guarded, newest } from "./ask.js";
import { api, byId, channelWords, fill, make, number, shownAs, units, valueText } from "./page.js";
import { hands } from "./hands.js";
import { roadMap } from "./road.js";
import { Axis, Series } from "./series.js";
import { spanPanel } from "./span.js";
import { Timeline } from "./timeline.js";

const FIRST = ["speed", "elevation", "pack_power", "pack_current", "state_of_charge", "motor_temperature",
  "coolant_temperature", "cell_temperature_max"];
const REST_MS = 120, MANY = 12, ROAD_PARTS = 700;
const TONES = { red: "red", amber: "amber", note: "line" };

// 1:02:03, with tenths where they tell.
export function moment(seconds, step) {
  const whole = Math.floor(seconds + 1e-6), hours = Math.floor(whole / 3600), minutes = Math.floor(whole % 3600 / 60);
  const two = (value) => String(value).padStart(2, "0");
  const rest = step < 1 ? (seconds - whole).toFixed(step < 0.1 ? 2 : 1).slice(1) : "";
  return (hours ? hours + ":" + two(minutes) : minutes) + ":" + two(whole % 60) + rest;
}

const shownChannel = (channel) => ({ ...channel, shown: shownAs(channel.unit, channel.name) });

// What is to be seen at its place: events beyond a limit, findings, and what was left out or corrected by hand.
function marksOf(stored, about) {
  const analysis = stored.analysis, span = (start, end) => [{ start_s: start ?? about.start_s, end_s: end ?? about.end_s }];
  const events = analysis.limits.events.map((event) => ({
    kind: "limit", severity: event.severity, title: channelWords(event.what) + " beyond its limit", text: event.caution || event.remark,
    channels: [event.what.split(": ").pop().replaceAll(" ", "_")], at_s: event.context.at_s,
    spans: span(Math.min(event.start_s, event.context.at_s), Math.max(event.start_s + event.duration_s, event.context.at_s)),
  }));
  const flags = ["red", "amber", "note"].flatMap((severity) => analysis.flags.filter((flag) => flag.severity === severity).map((flag) =>
    ({ ...flag, kind: "finding", text: flag.evidence + ". " + flag.remedy })));
  const hand = stored.record.conditions.corrections.map((one) => ({ kind: one.is_mask ? "mask" : "correction", severity: "note",
    title: one.why, text: "", channels: one.channels, spans: span(one.start_s, one.end_s) }));
  return [...events, ...flags, ...hand];
}

const windowOf = (number) => (which, channels, start, end, parts) => ask("GET", api + "/drives/" + number(which) +
  "/window?" + new URLSearchParams({ channels: channels.join(","), start_s: start, end_s: end, parts: parts }));

export class Workbench {
  constructor(n, change) {
    Object.assign(this, { n: n, change: change, over: null, chosen: null, isMarking: false, mark: -1 });
    this.place = byId("timeline");
    const askSpan = (start, end) => ask("GET", api + "/drives/" + n + "/span?" + new URLSearchParams({ start_s: start, end_s: end }));
    this.askSpan = newest(askSpan, (found) => {
      if (this.shown) { spanPanel(byId("span"), this, found); }
    });
  }

  async load() {
    const [about, stored] = await Promise.all([ask("GET", api + "/drives/" + this.n + "/workbench"), ask("GET", api + "/drives/" + this.n)]);
    this.corrections = stored.record.conditions.corrections;
    this.about = { ...about, channels: about.channels.map(shownChannel), marks: marksOf(stored, about) };
    await this.loaded();
    return stored;
  }

  async loaded() {
    const about = this.about;
    this.named = new Map(about.channels.map((channel) => [channel.name, channel]));
    if (!this.timeline) { this.begin(); }
    this.timeline.shades = about.marks.filter((mark) => mark.kind !== "finding" || mark.severity !== "note").flatMap((mark) =>
      mark.spans.map((span) => ({ start: span.start_s, end: span.end_s, channels: mark.channels, colour: TONES[mark.severity] })));
    this.showMarks();
    guarded(async () => {
      const found = await this.timeline.fetchWindow("own", ["latitude", "longitude"], about.start_s, about.end_s, ROAD_PARTS);
      roadMap(byId("road"), found, (time) => { this.point(time); this.timeline.move(...this.around(time)); });
    })();
    this.showLanes();
    if (this.shown) { await this.showSpan(); }
  }

  begin() {
    const about = this.about;
    const axis = this.axisOf(about, false), asked = new URLSearchParams(location.hash.slice(1));
    this.timeline = new Timeline(this.place, {
      axis: axis, fetchWindow: windowOf((which) => which === "own" ? this.n : this.over.number),
      told: { moved: () => this.placeMarks(), loaded: () => this.showValues(), label: this.label(false) },
    });
    hands(this.timeline, this.place, {
      point: (time) => this.point(time), isMarking: () => this.isMarking,
      mark: (from, to, isDone) => this.setSpan(from, to, isDone), key: (event, step) => this.key(event, step),
    });
    this.chosen = FIRST.filter((name) => this.named.has(name));
    const worst = about.marks.filter((mark) => mark.severity !== "note").flatMap((mark) => mark.channels);
    this.chosen.push(...[...new Set([asked.get("channel"), ...worst])].filter((name) => this.named.has(name) && !this.chosen.includes(name)));
    if (!this.chosen.length) { this.chosen = [...this.named.keys()].slice(0, 8); }
    this.controls();
    if (asked.get("at")) { this.timeline.move(...this.around(Number(asked.get("at")))); this.point(Number(asked.get("at"))); }
  }

  axisOf(about, isDistance) {
    return new Axis(about.along_s, isDistance && about.along_m.length ? about.along_m : null, about.start_s, about.end_s);
  }

  label(isDistance) {
    const digits = (step) => Math.max(0, Math.ceil(-Math.log10(step)));
    return { metres: units.metres,
      words: isDistance ? (place, step) => number(place, digits(step)) + " " + units.distance : moment };
  }

  around(time) {
    const axis = this.timeline.axis, half = Math.min(0.5 * (axis.high - axis.low), axis.isDistance ? 1500 : 60);
    return [axis.ofTime(time) - half, axis.ofTime(time) + half];
  }

  controls() {
    const timeline = this.timeline;
    byId("zoom-in").onclick = () => timeline.zoom(0.5);
    byId("zoom-out").onclick = () => timeline.zoom(2);
    byId("zoom-all").onclick = () => timeline.move(timeline.axis.low, timeline.axis.high);
    byId("earlier").onclick = () => timeline.pan(-0.5);
    byId("later").onclick = () => timeline.pan(0.5);
    byId("next-mark").onclick = () => this.goToMark(1);
    byId("marking").onclick = (event) => {
      this.isMarking = !this.isMarking;
      event.target.setAttribute("aria-pressed", String(this.isMarking));
    };
    byId("by-distance").disabled = !this.about.along_m.length;
    byId("by-distance").onclick = (event) => {
      const isDistance = !timeline.axis.isDistance;
      event.target.setAttribute("aria-pressed", String(isDistance));
      timeline.told.label = this.label(isDistance);
      if (this.over) { this.over.axis = this.axisOf(this.over, isDistance); }
      timeline.setAxis(this.axisOf(this.about, isDistance));
    };
    const askOther = async (other) => other ? ask("GET", api + "/drives/" + other + "/workbench") : null;
    const layOver = newest(askOther, (about) => {
      this.over = about && { ...about, channels: about.channels.map(shownChannel) };
      if (this.over) { this.over.axis = this.axisOf(this.over, timeline.axis.isDistance); }
      for (const lane of timeline.lanes) { lane.other = {}; }
      this.showLanes();
    });
    byId("lay-over").onchange = guarded((event) => layOver(Number(event.target.value)));
    this.chooser();
  }

  chooser() {
    const groups = Map.groupBy ? Map.groupBy(this.about.channels, (one) => one.group) : new Map([["channels", this.about.channels]]);
    const box = (channel) => {
      const input = make("input", { type: "checkbox", checked: this.chosen.includes(channel.name), on: { change: () => {
        this.chosen = input.checked ? [...this.chosen, channel.name] : this.chosen.filter((name) => name !== channel.name);
        this.showLanes();
      } } });
      return make("label", { class: "inline pick" }, input, channelWords(channel.name));
    };
    const every = (isAll) => make("button", { class: "plain", type: "button", on: { click: () => {
      this.chosen = isAll ? [...this.named.keys()] : FIRST.filter((name) => this.named.has(name));
      this.chooser();
      this.showLanes();
    } } }, isAll ? "Show all" : "Show the usual");
    fill(byId("chooser"), make("p", { class: "bar" }, every(true), every(false)),
      [...groups].map(([group, channels]) => make("p", {}, make("strong", {}, group + ": "), channels.map(box))));
  }

  showLanes() {
    this.place.classList.toggle("many", this.chosen.length > MANY);
    this.timeline.show(this.chosen.map((name) => this.named.get(name)).filter(Boolean), this.over);
    this.showValues();
  }

  shownValue(channel, value) { return valueText(value, channel.shown, (channel.high ?? 1) - (channel.low ?? 0)); }

  showValues(exact) {
    const time = this.timeline.cursor;
    for (const lane of this.timeline.lanes) {
      const of = (which, about) => {
        if (time === null || !about) { return ""; }
        const series = (exact && which === "own" && exact.get(about.name)) || lane[which].fine || lane[which].coarse;
        const at = which === "own" ? time : this.over.axis.toTime(this.timeline.axis.ofTime(time));
        return series ? this.shownValue(about, series.at(at)) : "";
      };
      const red = lane.about.limits.find(([name]) => name === "red") || lane.about.limits[0];
      const limit = red ? " · " + red[0] + " " + valueText(red[1], lane.about.shown) : "";
      const other = lane.others ? " / " + of("other", lane.others) : "";
      lane.value.textContent = (of("own", lane.about) || lane.about.shown.unit) + other + limit;
    }
  }

  // Puts the cursor somewhere; once it rests, the exact values are asked for.
  point(time) {
    const at = Math.min(Math.max(time, this.about.start_s), this.about.end_s);
    this.timeline.cursor = at;
    this.timeline.draw();
    this.showValues();
    byId("cursor-words").textContent = "At " + moment(at, 0.1) + (this.about.along_m.length
      ? ", " + number(this.axisOf(this.about, true).ofTime(at) / units.metres, 2) + " " + units.distance : "");
    byId("road").dispatchEvent(new CustomEvent("cursor", { detail: at }));
    clearTimeout(this.resting);
    this.resting = setTimeout(guarded(async () => {
      if (this.timeline.cursor !== at) { return; }
      const [start, end] = [at - 1e-4, at + 1e-4];
      const found = await this.timeline.fetchWindow("own", this.chosen, start, end, 1);
      const exact = new Map(Object.entries(found.channels).map(([name, content]) =>
        [name, new Series(content, start, end, this.named.get(name))]));
      if (this.timeline.cursor === at) { this.showValues(exact); }
    }), REST_MS);
  }

  setSpan(from, to, isDone) {
    this.timeline.span = [Math.min(from, to), Math.max(from, to)];
    this.timeline.draw();
    if (isDone) { guarded(() => this.showSpan())(); }
  }

  async showSpan() {
    this.shown = true;
    await this.askSpan(...this.timeline.span);
  }

  dropSpan() {
    clearTimeout(this.marking);
    this.shown = false;
    this.timeline.span = null;
    this.timeline.draw();
    byId("span").replaceChildren();
  }

  showMarks() {
    const entries = this.about.marks.flatMap((mark) => mark.spans.map((span) => ({ mark: mark, span: span })));
    this.entries = entries.slice(0, 120).sort((one, other) => one.span.start_s - other.span.start_s);
    fill(byId("marks"), this.entries.map((entry, k) => {
      const words = entry.mark.title + ", at " + moment(entry.span.start_s, 1);
      entry.button = make("button", { class: "mark " + entry.mark.severity + " " + entry.mark.kind, type: "button", title: words,
        "aria-label": words, on: { click: () => this.goTo(k) } });
      return entry.button;
    }));
    byId("next-mark").disabled = !this.entries.length;
    this.placeMarks();
  }

  placeMarks() {
    const timeline = this.timeline;
    for (const { span, button } of this.entries || []) {
      const left = timeline.pixelAt(timeline.axis.ofTime(span.start_s)), right = timeline.pixelAt(timeline.axis.ofTime(span.end_s));
      button.hidden = right < 0 || left > timeline.width;
      const from = Math.min(Math.max(left, 0), timeline.width - 24);
      button.style.transform = "translateX(" + from.toFixed(1) + "px)";
      button.style.width = Math.max(24, Math.min(right, timeline.width) - from).toFixed(1) + "px";
    }
  }

  goToMark(step) { this.goTo((this.mark + step + this.entries.length) % this.entries.length); }

  goTo(k) {
    const { mark, span, button } = this.entries[k], axis = this.timeline.axis;
    this.mark = k;
    const [from, to] = [axis.ofTime(span.start_s), axis.ofTime(span.end_s)], room = Math.max(to - from, axis.isDistance ? 300 : 20);
    for (const name of mark.channels) {
      if (this.named.has(name) && !this.chosen.includes(name)) { this.chosen.push(name); this.showLanes(); }
    }
    this.timeline.move(from - room, to + room);
    this.point(mark.at_s ?? span.start_s);
    fill(byId("mark-words"), make("div", { class: "notice " + mark.severity },
      make("p", {}, make("strong", {}, mark.title), " " + moment(span.start_s, 1) + " to " + moment(span.end_s, 1) + ". " + mark.text)));
    button.setAttribute("aria-current", "true");
    this.entries.forEach((entry, other) => { if (other !== k) { entry.button.removeAttribute("aria-current"); } });
  }

  // True for a key that does something: arrows move the cursor (with shift they mark), plus and minus zoom.
  key(event, step) {
    const timeline = this.timeline, [start, end] = timeline.times;
    if (step) {
      const from = timeline.cursor ?? (start + end) / 2, to = from + step * (end - start) / 50;
      if (event.shiftKey) {
        this.anchor = this.anchor ?? from;
        this.setSpan(this.anchor, to, false);
        clearTimeout(this.marking);
        this.marking = setTimeout(guarded(() => this.showSpan()), 400);
      } else { this.anchor = null; }
      this.point(to);
      if (to < start || to > end) { timeline.pan(0.3 * step); }
      return true;
    }
    const keys = {
      "+": () => timeline.zoom(0.5, timeline.cursor === null ? undefined : timeline.axis.ofTime(timeline.cursor)),
      "-": () => timeline.zoom(2), "Home": () => timeline.pan(-1e6), "End": () => timeline.pan(1e6),
      "PageUp": () => timeline.pan(-0.8), "PageDown": () => timeline.pan(0.8), "0": () => byId("zoom-all").click(),
      "n": () => this.entries.length && this.goToMark(1), "p": () => this.entries.length && this.goToMark(-1),
      "Escape": () => this.dropSpan(),
    };
    const action = keys[event.key === "=" ? "+" : event.key];
    if (action) { action(); }
    return Boolean(action);
  }
}
