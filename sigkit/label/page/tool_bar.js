// The row of buttons under the trace; each says its key too.

export function fillToolBar(page, host) {
  const add = (words, key, act, on = "") => {
    const one = document.createElement("button");
    one.type = "button";
    one.dataset.on = on;
    const kbd = document.createElement("kbd");
    kbd.textContent = key;
    one.append(`${words} `, kbd);
    one.addEventListener("click", () => { if (page.item) act(); one.blur(); });
    host.append(one);
  };
  const arm = (kind) => () => { page.tool = page.tool === kind ? null : kind; page.refresh(); };
  add("▼ burn begins", "b", arm("breakdown"), "breakdown");
  add("● burn ends", "e", arm("burn_end"), "burn_end");
  add("▲ coil on", "o", arm("coil_on"), "coil_on");
  add("■ coil off", "f", arm("coil_off"), "coil_off");
  add("level", "l", arm("level"), "level");
  add("remove", "Del", () => page.removeChosen());
  add("◀ sample", "←", () => page.step(-1));
  add("sample ▶", "→", () => page.step(1));
  add("snap", "q", () => page.snap("sample"));
  add("snap to step", "Q", () => page.snap("steepest"));
  add("in", "+", () => page.zoomBy(0.5));
  add("out", "-", () => page.zoomBy(2));
  add("window", "0", () => page.wholeWindow());
  add("taller", "↑", () => page.traceView.zoomHeights(0.7));
  add("flatter", "↓", () => page.traceView.zoomHeights(1 / 0.7));
  add("upside down", "v", () => page.toggle("inverted"), "inverted");
  add("previous", "y", () => page.toggleLayer("previous"), "previous");
  add("other leads", "g", () => page.toggleLayer("sibling"), "sibling");
  add("hold", "h", () => page.holdReference());
  add("reference", "j", () => page.toggleLayer("reference"), "reference");
}
