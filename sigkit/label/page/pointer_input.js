// Mouse and touch on the trace and on the strip: drag a mark, place one, pan, zoom, pinch.

import { marksOf, moveMark } from "./label_state.js";

const REACH = { mouse: 7, pen: 12, touch: 18 };

export function attachPointers(page, over) {
  const view = page.traceView;
  const fingers = new Map();
  let held = null; // what the first pointer does

  const at = (event) => {
    const box = over.getBoundingClientRect();
    const x = event.clientX - box.left, y = event.clientY - box.top;
    return { x, y, ms: view.view.from + (x / box.width) * (view.view.to - view.view.from), value: view.plot.posToVal(y, "y") * (page.inverted ? -1 : 1) };
  };

  const nearest = (place, reach) => {
    let found = null, best = reach;
    if (page.state.firing && page.state.firing.channel === page.channel) {
      for (const mark of marksOf(page.state.firing)) {
        const gap = Math.abs(view.plot.valToPos(mark.at, "x") - place.x);
        if (gap <= best) { best = gap; found = { mark }; }
      }
    }
    page.levels.forEach((level, k) => {
      const gap = Math.abs(view.plot.valToPos(page.inverted ? -level : level, "y") - place.y);
      if (gap < best) { best = gap; found = { level: k }; }
    });
    return found;
  };

  over.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    event.preventDefault();
    over.setPointerCapture(event.pointerId);
    const place = at(event);
    fingers.set(event.pointerId, place);
    if (fingers.size === 2) {
      const [a, b] = [...fingers.values()];
      held = { pinch: { from: view.view.from, to: view.view.to, a: Math.min(a.ms, b.ms), b: Math.max(a.ms, b.ms) } };
      return;
    }
    const found = nearest(place, REACH[event.pointerType] || 8);
    if (page.tool) held = { tool: page.tool, place };
    else if (found && found.mark) { page.select(found.mark); held = { mark: found.mark, before: page.state.at, offset: found.mark.at - place.ms, moved: false }; }
    else if (found) { page.selectLevel(found.level); held = { level: found.level }; }
    else held = { pan: place, from: view.view.from, heights: view.shownHeights(), fixed: view.heights !== null, moved: false };
  });

  over.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) {
      if (event.pointerType === "mouse") {
        const place = at(event);
        over.style.cursor = page.tool ? "crosshair" : nearest(place, REACH.mouse) ? "ew-resize" : "default";
      }
      return;
    }
    const place = at(event);
    if (held && held.pinch && fingers.size === 2) {
      fingers.set(event.pointerId, place);
      const box = over.getBoundingClientRect();
      const [p, q] = [...fingers.values()].map((one) => one.x / box.width).sort((m, n) => m - n);
      const { a, b } = held.pinch;
      const span = (b - a) / Math.max(q - p, 0.02);
      view.show(a - p * span, a - p * span + span);
      return;
    }
    if (!held) return;
    if (held.mark) {
      const ms = place.ms + held.offset;
      if (!held.moved) {
        if (Math.abs(place.x - fingers.get(event.pointerId).x) < 2) return;
        held.moved = page.change((state, firing) => moveMark(firing, held.mark, page.clip(ms)));
      } else {
        const copy = structuredClone(page.state.now);
        moveMark(copy.firings[copy.current], held.mark, page.clip(ms));
        page.state.replace(copy);
      }
      page.refresh();
    } else if (held.level !== undefined) {
      page.levels[held.level] = place.value;
      page.refresh();
    } else if (held.pan) {
      const start = held.pan;
      if (!held.moved && Math.hypot(place.x - start.x, place.y - start.y) < 4) return;
      held.moved = true;
      const span = view.view.to - view.view.from;
      const from = held.from - ((place.x - start.x) / over.clientWidth) * span;
      if (held.fixed) {
        const [low, high] = held.heights;
        const rise = ((place.y - start.y) / over.clientHeight) * (high - low);
        view.heights = [low + rise, high + rise];
      }
      view.show(from, from + span);
    }
  });

  const release = (event) => {
    if (!fingers.has(event.pointerId)) return;
    const place = at(event);
    fingers.delete(event.pointerId);
    if (fingers.size) { held = null; return; }
    const done = held;
    held = null;
    if (!done || event.type === "pointercancel") return;
    if (done.tool) page.useTool(done.tool, place);
    else if (done.pan && !done.moved) page.setNeedle(place.ms);
    else if (done.mark) { page.select(page.selected); page.state.store(); page.refresh(); }
  };
  over.addEventListener("pointerup", release);
  over.addEventListener("pointercancel", release);

  over.addEventListener("wheel", (event) => {
    event.preventDefault();
    const place = at(event);
    const turn = event.deltaY || event.deltaX;
    if (event.ctrlKey || event.altKey) view.zoomHeights(1.0015 ** turn, view.plot.posToVal(place.y, "y"));
    else if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) view.pan((turn / 400) * (view.view.to - view.view.from));
    else view.zoom(1.0015 ** turn, place.ms);
  }, { passive: false });
}

export function attachStrip(page, strip) {
  const move = (event) => {
    const box = strip.getBoundingClientRect();
    const [first, last] = page.traceView.extent;
    const ms = first + ((event.clientX - box.left) / box.width) * (last - first);
    const half = (page.traceView.view.to - page.traceView.view.from) / 2;
    page.traceView.show(ms - half, ms + half);
  };
  strip.addEventListener("pointerdown", (event) => { strip.setPointerCapture(event.pointerId); move(event); });
  strip.addEventListener("pointermove", (event) => { if (strip.hasPointerCapture(event.pointerId)) move(event); });
}
