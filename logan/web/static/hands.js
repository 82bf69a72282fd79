// Pointer, touch and keys on a timeline: move, zoom, mark a span, put the cursor somewhere.
const STEP = { ArrowLeft: -1, ArrowRight: 1 };

export function hands(timeline, place, does) {
  const pointers = new Map();
  let before = null, marking = null;
  const pixel = (event) => event.clientX - timeline.body.getBoundingClientRect().left;
  const timeAt = (event) => timeline.axis.toTime(timeline.placeAt(pixel(event)));
  const spread = () => {
    const [one, other] = [...pointers.values()];
    return { middle: (one + other) / 2, width: Math.max(20, Math.abs(one - other)) };
  };

  place.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || event.target.closest("button")) { return; }
    pointers.set(event.pointerId, pixel(event));
    place.setPointerCapture(event.pointerId);
    if (pointers.size === 2) { before = spread(); marking = null; return; }
    marking = does.isMarking() || event.shiftKey ? timeAt(event) : null;
    before = { x: pixel(event), moved: 0 };
  });
  place.addEventListener("pointermove", (event) => {
    if (!pointers.has(event.pointerId)) {
      if (event.pointerType === "mouse") { does.point(timeAt(event)); }
      return;
    }
    pointers.set(event.pointerId, pixel(event));
    if (pointers.size === 2) {
      const now = spread(), at = timeline.placeAt(before.middle);
      timeline.zoom(before.width / now.width, at);
      timeline.pan((before.middle - now.middle) / timeline.width);
      before = now;
      return;
    }
    if (!before || before.x === undefined) { return; }
    const step = pixel(event) - before.x;
    before.moved += Math.abs(step);
    if (marking !== null) {
      if (before.moved > 3) { does.mark(marking, timeAt(event), false); }
    } else if (step) { timeline.pan(-step / timeline.width); }
    before.x = pixel(event);
  });
  const end = (event) => {
    if (!pointers.delete(event.pointerId)) { return; }
    if (event.type === "pointerup" && before && before.moved !== undefined) {
      if (before.moved <= 3) { does.point(timeAt(event)); }
      else if (marking !== null) { does.mark(marking, timeAt(event), true); }
    }
    before = null;
    marking = null;
  };
  place.addEventListener("pointerup", end);
  place.addEventListener("pointercancel", end);
  place.addEventListener("dblclick", () => timeline.move(timeline.axis.low, timeline.axis.high));
  place.addEventListener("wheel", (event) => {
    const isAcross = Math.abs(event.deltaX) > Math.abs(event.deltaY);
    if (!event.ctrlKey && !event.metaKey && !isAcross) { return; }
    event.preventDefault();
    if (isAcross) { timeline.pan(event.deltaX / timeline.width); }
    else { timeline.zoom(Math.exp(event.deltaY / 300), timeline.placeAt(pixel(event))); }
  }, { passive: false });
  place.addEventListener("keydown", (event) => {
    if (event.target !== place || event.ctrlKey || event.metaKey || event.altKey) { return; }
    if (does.key(event, STEP[event.key] || 0)) { event.preventDefault(); }
  });
}
