// The keyboard alone suffices: every action has a key, and the help lists them from this one table.

// [key, words, action]; an action gets (page, event).
export const KEYS = [
  ["ArrowLeft / ArrowRight", "move the chosen mark, else the needle, by one sample; Shift ten samples; Ctrl pans", null],
  ["ArrowUp / ArrowDown", "stretch or shrink the heights; Shift moves them; with a level chosen, moves the level", null],
  ["+", "zoom in", (p) => p.zoomBy(0.5)],
  ["-", "zoom out", (p) => p.zoomBy(2)],
  ["0", "back to the whole window", (p) => p.wholeWindow()],
  ["PageUp", "pan half a screen back", (p) => p.panBy(-0.5)],
  ["PageDown", "pan half a screen on", (p) => p.panBy(0.5)],
  ["w", "move the needle to the middle of the screen", (p) => p.needleToMiddle()],
  ["b", "begin of conduction at the needle", (p) => p.place("breakdown")],
  ["e", "end of conduction at the needle", (p) => p.place("burn_end")],
  ["o", "coil on at the needle", (p) => p.place("coil_on")],
  ["f", "coil off at the needle", (p) => p.place("coil_off")],
  ["[", "choose the mark before", (p) => p.chooseMark(-1)],
  ["]", "choose the next mark", (p) => p.chooseMark(1)],
  ["Escape", "choose nothing: arrows move the needle", (p) => p.escape()],
  ["Delete", "remove the chosen mark or level", (p) => p.removeChosen()],
  ["q", "snap the chosen mark to the nearest sample", (p) => p.snap("sample")],
  ["Q", "snap the chosen mark to the steepest step near it (noted in the label)", (p) => p.snap("steepest")],
  ["1", "answer: measured", (p) => p.answer("measured")],
  ["2", "answer: no spark", (p) => p.answer("no_spark")],
  ["3", "answer: cut", (p) => p.answer("cut")],
  ["4", "answer: not measurable", (p) => p.answer("not_measurable")],
  ["r", "next role", (p) => p.cycle("role")],
  ["p", "next polarity", (p) => p.cycle("polarity")],
  ["k", "next condition; K the one before", (p) => p.cycle("condition")],
  ["K", "", (p) => p.cycle("condition", -1)],
  ["c", "next certainty", (p) => p.cycle("certainty")],
  ["l", "place a level (two at most); chosen, it moves with the arrows", (p) => p.addLevel()],
  ["v", "turn the view upside down (changes no data)", (p) => p.toggle("inverted")],
  ["y", "superimpose the previous firing", (p) => p.toggleLayer("previous")],
  ["g", "superimpose the other leads", (p) => p.toggleLayer("sibling")],
  ["h", "hold this firing as the reference", (p) => p.holdReference()],
  ["j", "superimpose the reference", (p) => p.toggleLayer("reference")],
  ["z", "undo", (p) => p.undo()],
  ["Z", "redo", (p) => p.redo()],
  ["s", "save", (p) => p.save()],
  ["Enter", "save and show the next", (p) => p.saveAndNext()],
  ["m", "leave this one unanswered and show the next", (p) => p.next()],
  ["n", "next channel", (p) => p.nextChannel()],
  ["a", "whole capture: add a firing at the needle", (p) => p.addFiring()],
  ["d", "whole capture: delete the chosen firing", (p) => p.deleteFiring()],
  ["t", "whole capture: split the chosen firing at the needle", (p) => p.splitFiring()],
  [",", "whole capture: firing before", (p) => p.chooseFiring(-1)],
  [".", "whole capture: next firing", (p) => p.chooseFiring(1)],
  ["x", "whole capture: every firing is labelled, or not", (p) => p.toggleExhaustive()],
  ["?", "this list", (p) => p.help()],
];

const ACTIONS = new Map(KEYS.filter(([, , action]) => action).map(([key, , action]) => [key, action]));
ACTIONS.set("=", ACTIONS.get("+"));
ACTIONS.set("Backspace", ACTIONS.get("Delete"));

export function attachKeys(page) {
  document.addEventListener("keydown", (event) => {
    const inField = event.target.closest("select, input, textarea");
    if (inField && event.key === "Escape") { event.target.blur(); return; }
    if (inField || document.querySelector("dialog[open]") || !page.item) return;
    // A focused button keeps its own keys.
    if (event.target.closest("button") && (event.key === "Enter" || event.key === " ")) return;
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      event.preventDefault();
      if (event.shiftKey) page.redo(); else page.undo();
      return;
    }
    if (event.key.startsWith("Arrow")) { event.preventDefault(); page.arrow(event); return; }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const action = ACTIONS.get(event.key);
    if (action) { event.preventDefault(); action(page, event); }
  });
}

export function fillHelp(host) {
  const list = document.createElement("dl");
  for (const [key, words] of KEYS) {
    if (!words) continue;
    const name = document.createElement("dt");
    name.textContent = key;
    const what = document.createElement("dd");
    what.textContent = words;
    const pair = document.createElement("div");
    pair.append(name, what);
    list.append(pair);
  }
  const mouse = document.createElement("p");
  mouse.textContent = "Mouse: drag a mark or a level; drag elsewhere to pan; click to set the needle; wheel zooms in time, Ctrl and wheel in height, Shift and wheel pans. Touch: one finger as the mouse, two fingers zoom. A button that shows a mark waits for the place to put it.";
  host.append(list, mouse);
}
