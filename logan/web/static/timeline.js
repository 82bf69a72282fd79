// The timeline: lanes that move together. Each lane keeps a picture three screens wide and moves it;
// it is painted anew, a few lanes a frame, when it runs out or finer samples have come.
import { make } from "./page.js";
import { Series, ticks } from "./series.js";

const PAINT_MS = 4, AT_ONCE = 8, AHEAD = 1, NEAR = 0.35, AXIS_PX = 26, NAME_PX = 18;
const SCREENS = 1 + 2 * AHEAD;

export class Timeline {
  // `fetchWindow(which, channels, start, end, parts)` answers the server's window of the first or second drive.
  constructor(place, options) {
    Object.assign(this, { place: place, fetchWindow: options.fetchWindow, told: options.told });
    this.axis = options.axis;
    this.view = { low: this.axis.low, high: this.axis.high };
    this.lanes = [];
    this.shades = [];
    this.span = null;
    this.cursor = null;
    this.isAsking = false;
    this.frameOf = null;
    this.head = make("canvas", { class: "axis", "aria-hidden": "true" });
    this.body = make("div", { class: "lanes" });
    place.replaceChildren(this.head, this.body);
    new ResizeObserver(() => this.resize()).observe(place);
    window.addEventListener("scroll", () => this.draw(), { passive: true });
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.recolour());
    this.recolour();
  }

  recolour() {
    const style = getComputedStyle(document.body);
    this.colours = Object.fromEntries(["ink", "paper", "line", "soft", "red", "amber", "link", "second"]
      .map((name) => [name, style.getPropertyValue("--" + name).trim()]));
    this.forget();
  }

  forget() {
    for (const lane of this.lanes) { lane.picture = null; }
    this.draw();
  }

  // Shows these channels of the first drive; `over` has the second drive's of the same name, where one is laid over.
  show(channels, over) {
    const known = new Map(this.lanes.map((lane) => [lane.about.name, lane]));
    this.lanes = channels.map((about) => {
      const old = known.get(about.name), lane = old && old.about === about ? old : newLane(about, old);
      lane.others = (over && over.channels.find((other) => other.name === about.name)) || null;
      lane.picture = null;
      return lane;
    });
    this.over = over || null;
    this.body.replaceChildren(...this.lanes.map((lane) => lane.element));
    this.resize();
    this.want();
  }

  setAxis(axis) {
    const [start, end] = [this.axis.toTime(this.view.low), this.axis.toTime(this.view.high)];
    this.axis = axis;
    this.move(axis.ofTime(start), axis.ofTime(end));
    this.forget();
  }

  resize() {
    this.width = Math.max(100, this.place.clientWidth);
    this.ratio = Math.min(2, window.devicePixelRatio || 1);
    for (const canvas of [this.head, ...this.lanes.map((lane) => lane.canvas)]) {
      const height = canvas === this.head ? AXIS_PX : canvas.clientHeight || 56;
      canvas.width = Math.round(this.width * this.ratio);
      canvas.height = Math.round(height * this.ratio);
    }
    this.forget();
  }

  // Goes to a part of the drive; never beyond its ends, never closer than a fiftieth of a second (or a foot).
  move(low, high) {
    const whole = this.axis.high - this.axis.low;
    const length = Math.min(whole, Math.max(this.axis.isDistance ? 0.3 : 0.02, high - low));
    const start = Math.min(Math.max(low, this.axis.low), this.axis.high - length);
    this.view = { low: start, high: start + length };
    this.draw();
    this.want();
    this.told.moved();
  }

  zoom(factor, about) {
    const { low, high } = this.view, middle = about ?? (low + high) / 2;
    this.move(middle - (middle - low) * factor, middle + (high - middle) * factor);
  }

  pan(screens) {
    const step = screens * (this.view.high - this.view.low);
    this.move(this.view.low + step, this.view.high + step);
  }

  get times() { return this.timesOf("own"); }

  // From and to in the time of the first or the second drive, some screens beyond the view, never beyond the drive.
  timesOf(which, beyond = 0) {
    const axis = which === "own" ? this.axis : this.over.axis, more = beyond * (this.view.high - this.view.low);
    return [axis.toTime(Math.max(axis.low, this.view.low - more)), axis.toTime(Math.min(axis.high, this.view.high + more))];
  }

  placeAt(pixel) { return this.view.low + (this.view.high - this.view.low) * pixel / this.width; }

  pixelAt(place) { return (place - this.view.low) / (this.view.high - this.view.low) * this.width; }

  // Asks for finer samples where the picture would run out of them: one question at a time, the newest next.
  want() {
    if (this.isAsking || !this.lanes.length) { return; }
    for (const which of this.over ? ["own", "other"] : ["own"]) {
      const [start, end] = this.timesOf(which), near = this.timesOf(which, NEAR * AHEAD);
      const isFine = (series) => series && series.covers(...near) &&
        (series.isWhole || series.step <= 1.6 * (end - start) / this.width);
      const lacking = this.lanes.filter((lane) => (which === "own" || lane.others) && !isFine(lane[which].fine));
      if (lacking.length && end > start) { this.fetch(which, lacking.slice(0, AT_ONCE), ...this.timesOf(which, AHEAD)); return; }
    }
  }

  async fetch(which, lanes, start, end) {
    this.isAsking = true;
    const over = this.over;
    const parts = Math.min(12000, Math.ceil(this.width * (end - start) / Math.max(1e-9, this.times[1] - this.times[0])));
    try {
      const found = await this.fetchWindow(which, lanes.map((lane) => lane.about.name), start, end, parts);
      for (const lane of lanes) {
        const content = found.channels[lane.about.name], about = which === "own" ? lane.about : lane.others;
        // Another drive may have been laid over meanwhile.
        if (!content || !about || (which === "other" && over !== this.over)) { continue; }
        const series = new Series(content, start, end, about);
        lane[which].fine = series;
        lane[which].coarse = lane[which].isOld ? series : lane[which].coarse || series;
        lane[which].isOld = false;
        // A picture of samples as fine stays until it runs out.
        lane.isStale = lane.isStale || !(lane.picture && lane.picture.isFine && which === "own");
      }
      this.told.loaded();
    } finally { this.isAsking = false; }
    this.draw();
    this.want();
  }

  draw() {
    if (this.frameOf === null) { this.frameOf = requestAnimationFrame(() => { this.frameOf = null; this.frame(); }); }
  }

  frame() {
    const began = performance.now(), top = this.body.getBoundingClientRect().top;
    let isOpen = false, below = 0;
    for (const lane of this.lanes) {
      const height = lane.canvas.height / this.ratio, at = top + below;
      below += height;
      if (at > window.innerHeight || at + height < 0) { continue; }
      if (this.lacksPicture(lane)) {
        if (performance.now() - began < PAINT_MS) { this.paint(lane); } else { isOpen = true; }
      }
      this.compose(lane);
    }
    this.drawAxis();
    if (isOpen) { this.draw(); }
  }

  lacksPicture(lane) {
    const picture = lane.picture, { low, high } = this.view, length = high - low;
    if (!picture || lane.isStale || Math.abs(picture.length - length) > 1e-9 * length) { return true; }
    const isLow = picture.low > this.axis.low && low < picture.low + NEAR * length;
    return isLow || (picture.high < this.axis.high && high > picture.high - NEAR * length);
  }

  paint(lane) {
    const { low, high } = this.view, length = high - low, height = lane.canvas.height;
    const from = low - AHEAD * length, to = high + AHEAD * length;
    const canvas = (lane.picture && lane.picture.canvas) || document.createElement("canvas");
    canvas.width = lane.canvas.width * SCREENS;
    canvas.height = height;
    const context = canvas.getContext("2d"), scale = canvas.width / (to - from);
    const [bottom, top] = lane.range, room = height - 6 - NAME_PX * this.ratio;
    const y = (value) => height - 4 - room * (value - bottom) / (top - bottom);
    for (const [name, value] of lane.about.limits) {
      context.strokeStyle = this.colours[name === "red" ? "red" : "amber"];
      context.lineWidth = this.ratio;
      context.setLineDash([8 * this.ratio, 5 * this.ratio]);
      context.beginPath();
      context.moveTo(0, y(value));
      context.lineTo(canvas.width, y(value));
      context.stroke();
    }
    context.setLineDash([]);
    for (const which of this.over ? ["other", "own"] : ["own"]) {
      const { fine, coarse } = lane[which], series = fine && fine.covers(...this.timesOf(which)) ? fine : coarse;
      if (!series) { continue; }
      const axis = which === "own" ? this.axis : this.over.axis;
      const x = axis.isDistance ? (time) => (axis.ofTime(time) - from) * scale : (time) => (time - from) * scale;
      context.strokeStyle = context.fillStyle = this.colours[which === "own" ? "link" : "second"];
      series.draw(context, ...this.timesOf(which, AHEAD), x, y, 1.3 * this.ratio);
    }
    const { fine } = lane.own;
    lane.picture = { canvas: canvas, low: from, high: to, length: length,
      isFine: Boolean(fine && fine.covers(...this.timesOf("own", AHEAD)) && (fine.isWhole || fine.step <= 1.6 * length / this.width)) };
    lane.isStale = false;
  }

  compose(lane) {
    const context = lane.canvas.getContext("2d"), { width, height } = lane.canvas, { low, high } = this.view;
    context.clearRect(0, 0, width, height);
    const band = (from, to, colour, strength) => {
      const left = this.pixelAt(from) * this.ratio, right = this.pixelAt(to) * this.ratio;
      if (right < 0 || left > width) { return; }
      context.globalAlpha = strength;
      context.fillStyle = colour;
      context.fillRect(left, 0, Math.max(right - left, this.ratio), height);
      context.globalAlpha = 1;
    };
    for (const shade of this.shades) {
      if (!shade.channels.length || shade.channels.includes(lane.about.name)) {
        band(this.axis.ofTime(shade.start), this.axis.ofTime(shade.end), this.colours[shade.colour], 0.18);
      }
    }
    if (lane.picture) {
      const picture = lane.picture, scale = picture.canvas.width / (picture.high - picture.low);
      context.drawImage(picture.canvas, (low - picture.low) * scale, 0, (high - low) * scale, height, 0, 0, width, height);
    }
    if (this.span) { band(this.axis.ofTime(this.span[0]), this.axis.ofTime(this.span[1]), this.colours.link, 0.2); }
    context.fillStyle = this.colours.line;
    context.fillRect(0, height - 1, width, 1);
    if (this.cursor !== null) {
      context.fillStyle = this.colours.ink;
      context.fillRect(Math.round(this.pixelAt(this.axis.ofTime(this.cursor)) * this.ratio), 0, this.ratio, height);
    }
  }

  drawAxis() {
    const context = this.head.getContext("2d"), { low, high } = this.view, label = this.told.label;
    context.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    context.clearRect(0, 0, this.width, AXIS_PX);
    context.fillStyle = this.colours.soft;
    context.font = "12px system-ui, sans-serif";
    const unit = this.axis.isDistance ? label.metres : 1;
    const { step, places } = ticks(low / unit, high / unit, this.width / 90, !this.axis.isDistance);
    for (const place of places) {
      const at = this.pixelAt(place * unit);
      context.fillRect(at, AXIS_PX - 6, 1, 6);
      const words = label.words(place, step);
      context.fillText(words, Math.min(at + 3, this.width - context.measureText(words).width - 2), 13);
    }
  }
}

// In the place of a lane of the same channel, whose samples were changed since, what it drew stays until the new ones come.
function newLane(about, old) {
  const canvas = make("canvas", { "aria-hidden": "true" });
  const value = make("span", { class: "value" });
  const name = make("span", { class: "name", title: about.meaning }, about.name.replaceAll("_", " "));
  const element = make("div", { class: "lane" }, canvas, make("p", {}, name, " ", value));
  let [low, high] = [about.low ?? 0, about.high ?? 1];
  const span = high - low || 1;
  // A limit that is near enough to be reached is in the picture.
  for (const [, limit] of about.limits) {
    if (limit <= high + 0.8 * span && limit >= low - 0.8 * span) { [low, high] = [Math.min(low, limit), Math.max(high, limit)]; }
  }
  const room = 0.06 * (high - low || 1);
  return { about: about, canvas: canvas, value: value, element: element, range: [low - room, high + room],
    own: old ? { coarse: old.own.coarse, isOld: true } : {}, other: {}, others: null, picture: null, isStale: false };
}
