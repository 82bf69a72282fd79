// Samples of a drive's channels as they come from the server, and drawing them: no state, no page.

// One channel in a window: every sample, or the extremes of equally long parts.
export class Series {
  constructor(content, start, end, about) {
    Object.assign(this, { start: start, end: end, gap: about.max_gap_s, isHeld: about.is_held });
    if (content.low) {
      this.low = content.low;
      this.high = content.high;
      this.step = (end - start) / content.low.length;
    } else {
      this.time = content.time_s;
      this.value = content.value;
    }
  }

  get isWhole() { return this.time !== undefined; }

  covers(start, end) { return this.start <= start + 1e-6 && this.end >= end - 1e-6; }

  // First sample at or after a time.
  after(time) {
    let low = 0, high = this.time.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.time[middle] < time) { low = middle + 1; } else { high = middle; }
    }
    return low;
  }

  // Value at a time: between two samples on a straight line (or held); between extremes their middle.
  at(time) {
    if (!this.isWhole) {
      const k = Math.floor((time - this.start) / this.step);
      const low = this.low[k], high = this.high[k];
      return low === null || low === undefined ? null : (low + high) / 2;
    }
    const k = this.after(time);
    if (this.time[k] === time) { return this.value[k]; }
    if (k === 0 || k === this.time.length) { return null; }
    const before = this.value[k - 1], after = this.value[k], step = this.time[k] - this.time[k - 1];
    if (before === null || after === null || step > this.gap) { return null; }
    return this.isHeld ? before : before + (after - before) * (time - this.time[k - 1]) / step;
  }

  // Draws the line; `x` and `y` turn times and values into pixels, `thick` is its width.
  draw(context, from, to, x, y, thick) {
    if (!this.isWhole) { this.drawExtremes(context, from, to, x, y, thick); return; }
    context.lineWidth = thick;
    context.beginPath();
    this.traceSamples(context, from, to, x, y);
    context.stroke();
  }

  traceSamples(context, from, to, x, y) {
    const first = Math.max(0, this.after(from) - 1), last = Math.min(this.time.length - 1, this.after(to));
    let isDown = false, level = 0;
    for (let k = first; k <= last; k++) {
      const value = this.value[k];
      if (value === null) { isDown = false; continue; }
      const across = x(this.time[k]), up = y(value);
      if (!isDown || this.time[k] - this.time[k - 1] > this.gap) {
        context.moveTo(across, up);
      } else {
        if (this.isHeld) { context.lineTo(across, level); }
        context.lineTo(across, up);
      }
      isDown = true;
      level = up;
    }
  }

  // One upright bar a part, from its lowest to its highest, drawn out to meet its neighbour: much quicker than a line.
  drawExtremes(context, from, to, x, y, thick) {
    const first = Math.max(0, Math.floor((from - this.start) / this.step));
    const last = Math.min(this.low.length - 1, Math.ceil((to - this.start) / this.step));
    let before = -Infinity, above = 0, below = 0;
    for (let k = first; k <= last; k++) {
      if (this.low[k] === null) { continue; }
      const time = this.start + k * this.step, left = x(time), wide = Math.max(x(time + this.step) - left, 1);
      let top = y(this.high[k]) - thick / 2, bottom = y(this.low[k]) + thick / 2;
      const [ownTop, ownBottom] = [top, bottom];
      if (time - before <= this.gap + this.step) { top = Math.min(top, below - thick); bottom = Math.max(bottom, above + thick); }
      context.fillRect(left, top, wide, bottom - top);
      [above, below, before] = [ownTop, ownBottom, time];
    }
  }
}

// Time against distance, both ways; without a distance both are the time.
export class Axis {
  constructor(times, distances, start, end) {
    const isDistance = distances !== null;
    this.times = times;
    this.along = distances;
    this.isDistance = isDistance;
    this.low = isDistance ? distances[0] : start;
    this.high = isDistance ? distances[distances.length - 1] : end;
  }

  ofTime(time) { return this.isDistance ? between(this.times, this.along, time) : time; }

  toTime(place) { return this.isDistance ? between(this.along, this.times, place) : place; }
}

function between(from, to, wanted) {
  let low = 0, high = from.length - 1;
  if (wanted <= from[0]) { return to[0]; }
  if (wanted >= from[high]) { return to[high]; }
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (from[middle] <= wanted) { low = middle; } else { high = middle; }
  }
  const step = from[high] - from[low];
  return step ? to[low] + (to[high] - to[low]) * (wanted - from[low]) / step : to[low];
}

// Round steps for an axis: 1, 2, 5 times a power of ten; for times also of 60.
export function ticks(low, high, most, isTime) {
  const rough = (high - low) / Math.max(1, most);
  const ten = 10 ** Math.floor(Math.log10(rough));
  const round = [1, 2, 5, 10].map((factor) => factor * ten);
  const steps = isTime && rough > 5 ? [10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 86400] : round;
  const step = steps.find((one) => one >= rough) || 86400, found = [];
  for (let k = Math.ceil(low / step); k * step <= high; k++) { found.push(k * step); }
  return { step: step, places: found };
}
