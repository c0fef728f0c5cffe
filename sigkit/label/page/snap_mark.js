// Put the chosen mark on a sample or a step: only when asked, and the label says that it was used.

import { marksOf, moveMark, sameMark } from "./label_state.js";

export function snapMark(page, kind) {
  const chosen = marksOf(page.state.firing).find((mark) => sameMark(mark, page.selected));
  if (!chosen) { page.tell("choose a mark first ([ or ])"); return; }
  const { start_ms: start, rate_Hz: rate } = page.item.channels[page.channel];
  let at = Math.round(((chosen.at - start) * rate) / 1e3);
  if (kind === "steepest") {
    const part = page.traceView.parts.get("own");
    if (!part || !part.exact) { page.tell("zoom in until single samples are shown, then snap"); return; }
    const reach = Math.max(2, Math.round((12 * page.traceView.msPerPixel) / page.traceView.sampleMs));
    const first = Math.round(((part.x[0] - start) * rate) / 1e3);
    let best = -1;
    const middle = at;
    for (let k = Math.max(middle - reach, first); k < Math.min(middle + reach, first + part.y.length - 1); k += 1) {
      const rise = Math.abs(part.y[k + 1 - first] - part.y[k - first]);
      if (rise > best) { best = rise; at = k; }
    }
  }
  page.state.aids.add("snap");
  page.change((state, firing) => moveMark(firing, chosen, page.clip(start + (at / rate) * 1e3)));
}
