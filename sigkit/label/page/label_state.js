// The labels of what is shown, with undo to the first action. A state is plain data; every change makes a new one.

import { newId } from "./server_calls.js";

export const emptyFiring = (label, channel, place) => ({
  label, channel, place, answer: "measured", intervals: [], coil_on: [], coil_off: [],
  role: "unknown", polarity: 0, condition: "unknown", certainty: "sure", remark: "",
});

const FIELDS = ["label", "channel", "place", "answer", "intervals", "coil_on", "coil_off", "role", "polarity", "condition",
  "certainty", "remark"];
const pick = (shown) => Object.fromEntries(FIELDS.map((name) => [name, shown[name]]));
const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);

export class LabelState {
  constructor(item) {
    this.item = item;
    this.bases = {}; // label -> entry it follows
    this.kept = {}; // label -> content of that entry
    this.markBase = item.mark ? item.mark.entry : "";
    this.markKept = item.mark ? item.mark.exhaustive : false;
    this.aids = new Set();
    const first = { firings: [], current: 0, exhaustive: this.markKept };
    this.stack = [first];
    if (item.firings) {
      for (const shown of item.firings) this.remember(shown);
      first.firings = item.firings.map(pick).sort((a, b) => a.place - b.place);
    } else {
      first.firings = [emptyFiring(item.label, item.channel, null)];
      // Undo reaches back over what was saved earlier, to the empty firing.
      for (const shown of item.history) {
        this.remember(shown);
        if (!shown.deleted) this.stack.push({ ...first, firings: [pick(shown)] });
      }
    }
    this.at = this.stack.length - 1;
  }

  remember(shown) {
    this.bases[shown.label] = shown.entry;
    this.kept[shown.label] = shown.deleted ? null : pick(shown);
  }

  get now() { return this.stack[this.at]; }
  get firing() { return this.now.firings[this.now.current] || null; }
  get canUndo() { return this.at > 0; }
  get canRedo() { return this.at < this.stack.length - 1; }

  // Change a copy and put it on the stack; a change that changes nothing leaves no trace.
  change(edit) {
    const copy = structuredClone(this.now);
    edit(copy, copy.firings[copy.current] || null);
    if (same(copy, this.now)) return false;
    this.stack = [...this.stack.slice(0, this.at + 1), copy];
    this.at += 1;
    return true;
  }

  // Replace the newest state: a mark that is being dragged is one action.
  replace(copy) { this.stack[this.at] = copy; }

  undo() { if (this.canUndo) this.at -= 1; }
  redo() { if (this.canRedo) this.at += 1; }

  // What is not on disk yet, as the server wants it.
  unsaved() {
    const firings = [];
    const present = new Set();
    for (const firing of this.now.firings) {
      present.add(firing.label);
      const untouched = !this.item.firings && !this.kept[firing.label] && same(firing, emptyFiring(firing.label, firing.channel, null));
      if (!untouched && !same(firing, this.kept[firing.label])) {
        firings.push({ ...firing, entry: newId(), based_on: this.bases[firing.label] || "" });
      }
    }
    for (const [label, kept] of Object.entries(this.kept)) {
      if (kept && !present.has(label)) {
        firings.push({ ...kept, entry: newId(), based_on: this.bases[label], deleted: true });
      }
    }
    const mark = this.item.firings && this.now.exhaustive !== this.markKept
      ? { entry: newId(), based_on: this.markBase, exhaustive: this.now.exhaustive } : null;
    return { firings, mark };
  }

  get dirty() {
    const { firings, mark } = this.unsaved();
    return firings.length > 0 || mark !== null;
  }

  savedAs(sent) {
    for (const firing of sent.firings) this.remember(firing);
    if (sent.mark) { this.markBase = sent.mark.entry; this.markKept = sent.mark.exhaustive; }
  }

  // Another tab saved first: take over its entries as what ours would follow; ours stay on the screen.
  conflict(held) {
    for (const shown of held) {
      if ("exhaustive" in shown) { this.markBase = shown.entry; this.markKept = shown.exhaustive; } else this.remember(shown);
    }
  }

  // What cannot be saved yet, in words; "" when all is well.
  fault() {
    const { firings } = this.unsaved();
    for (const firing of firings) {
      if (firing.deleted) continue;
      const open = firing.intervals.filter((pair) => pair[0] === null || pair[1] === null).length;
      if (firing.answer === "measured" && firing.intervals.length === 0) return "place begin and end of the burn, or choose another answer";
      if (firing.answer === "measured" && open) return "a conduction interval lacks its begin or its end";
      if (["no_spark", "not_measurable"].includes(firing.answer) && firing.intervals.length) return "this answer has no conduction interval; remove the marks or change the answer";
      const ends = [...firing.intervals].sort((a, b) => (a[0] ?? a[1]) - (b[0] ?? b[1])).flat().filter((end) => end !== null);
      if (ends.some((end, k) => k && end < ends[k - 1])) return "conduction intervals overlap, or one ends before it begins";
    }
    return "";
  }

  // A reload must not lose what is not saved: kept by the browser for this tab only.
  store() {
    try {
      sessionStorage.setItem(`draft-${this.item.token}`, JSON.stringify({ stack: this.stack, at: this.at, bases: this.bases, mark: this.markBase, aids: [...this.aids] }));
    } catch { /* a full store only costs the draft */ }
  }

  // Take up a draft again; false when somebody saved since.
  resume() {
    const text = sessionStorage.getItem(`draft-${this.item.token}`);
    if (!text) return true;
    const draft = JSON.parse(text);
    if (!same(draft.bases, this.bases) || draft.mark !== this.markBase) {
      sessionStorage.removeItem(`draft-${this.item.token}`);
      return same(draft.stack[draft.at].firings, this.now.firings);
    }
    this.stack = draft.stack;
    this.at = draft.at;
    this.aids = new Set(draft.aids);
    return true;
  }
}

// Every mark of a firing as [path, milliseconds], in time order.
export function marksOf(firing) {
  if (!firing) return [];
  const marks = [];
  firing.intervals.forEach(([begin, end], k) => {
    if (begin !== null) marks.push({ kind: "breakdown", at: begin, list: "intervals", k, end: 0 });
    if (end !== null) marks.push({ kind: "burn_end", at: end, list: "intervals", k, end: 1 });
  });
  firing.coil_on.forEach((at, k) => marks.push({ kind: "coil_on", at, list: "coil_on", k }));
  firing.coil_off.forEach((at, k) => marks.push({ kind: "coil_off", at, list: "coil_off", k }));
  return marks.sort((a, b) => a.at - b.at);
}

export const sameMark = (a, b) => Boolean(a && b) && a.list === b.list && a.k === b.k && a.end === b.end;

export function moveMark(firing, mark, at) {
  if (mark.list === "intervals") firing.intervals[mark.k][mark.end] = at; else firing[mark.list][mark.k] = at;
}

export function removeMark(firing, mark) {
  if (mark.list !== "intervals") { firing[mark.list].splice(mark.k, 1); return; }
  firing.intervals[mark.k][mark.end] = null;
  if (firing.intervals[mark.k][0] === null && firing.intervals[mark.k][1] === null) firing.intervals.splice(mark.k, 1);
}

// Place a mark of a kind; returns it. A begin or end closes the nearest interval that still lacks one.
export function placeMark(firing, kind, at) {
  if (kind === "coil_on" || kind === "coil_off") {
    firing[kind].push(at);
    return { kind, list: kind, k: firing[kind].length - 1 };
  }
  const end = kind === "breakdown" ? 0 : 1;
  const fits = (pair) => pair[end] === null && (end ? pair[0] <= at : pair[1] >= at);
  const gap = (pair) => Math.abs(pair[1 - end] - at);
  let k = -1;
  firing.intervals.forEach((pair, n) => { if (fits(pair) && (k < 0 || gap(pair) < gap(firing.intervals[k]))) k = n; });
  if (k < 0) { firing.intervals.push([null, null]); k = firing.intervals.length - 1; }
  firing.intervals[k][end] = at;
  return { kind, list: "intervals", k, end };
}

export function burnMs(firing) {
  if (!firing) return null;
  const whole = firing.intervals.filter((pair) => pair[0] !== null && pair[1] !== null).sort((a, b) => a[0] - b[0]);
  if (!whole.length) return null;
  const again = firing.coil_on.filter((on) => on > whole[0][0]).sort((a, b) => a - b)[0];
  const strike = again === undefined ? whole : whole.filter((pair) => pair[0] < again);
  return strike[strike.length - 1][1] - whole[0][0];
}
