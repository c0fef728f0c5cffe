// What a reader does to the firings of a whole capture; methods of the page.

import { newId } from "./server_calls.js";
import { emptyFiring } from "./label_state.js";

export const wholeCapture = {
  whole() {
    if (this.item.firings) return true;
    this.tell("only when whole captures are labelled");
    return false;
  },

  addFiring() {
    if (!this.whole()) return;
    const label = newId();
    this.change((state) => {
      state.firings.push(emptyFiring(label, this.channel, this.needle));
      state.firings.sort((a, b) => a.place - b.place || a.channel - b.channel);
      state.current = state.firings.findIndex((one) => one.label === label);
    });
    this.tell("");
    this.selected = null;
  },

  deleteFiring() {
    if (!this.whole() || !this.state.firing) return;
    this.change((state) => {
      state.firings.splice(state.current, 1);
      state.current = Math.max(0, Math.min(state.current, state.firings.length - 1));
    });
    this.selected = null;
  },

  splitFiring() {
    if (!this.whole() || !this.state.firing) return;
    const at = this.needle;
    const label = newId();
    const cut = this.state.firing.intervals.some(([begin, end]) => begin !== null && end !== null && begin < at && end > at);
    if (cut) { this.tell("the needle stands inside a conduction interval; move it between two"); return; }
    this.change((state, firing) => {
      const late = { ...structuredClone(firing), label, place: at };
      const after = (pair) => (pair[0] ?? pair[1]) >= at;
      late.intervals = firing.intervals.filter(after);
      firing.intervals = firing.intervals.filter((pair) => !after(pair));
      for (const list of ["coil_on", "coil_off"]) {
        late[list] = firing[list].filter((one) => one >= at);
        firing[list] = firing[list].filter((one) => one < at);
      }
      state.firings.splice(state.current + 1, 0, late);
    });
    this.selected = null;
  },

  chooseFiring(direction) {
    const { firings, current } = this.state.now;
    if (!firings.length) return;
    const next = (current + direction + firings.length) % firings.length;
    this.change((state) => { state.current = next; });
    this.selected = null;
    if (firings[next].channel !== this.channel) this.showChannel(firings[next].channel);
    this.lookAtFiring();
  },

  lookAtFiring() {
    const { place } = this.state.firing;
    this.needle = place;
    this.traceView.show(place - 5, place + 7);
  },

  toggleExhaustive() { if (this.whole()) this.change((state) => { state.exhaustive = !state.exhaustive; }); },
};
