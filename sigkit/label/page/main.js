// The page: what is shown, what the reader does, and when it is saved.

import * as server from "./server_calls.js";
import { LabelState, marksOf, moveMark, placeMark, removeMark, sameMark } from "./label_state.js";
import { LAYERS, TraceView } from "./trace_view.js";
import { SidePanel, digits } from "./side_panel.js";
import { attachPointers, attachStrip } from "./pointer_input.js";
import { attachKeys, fillHelp } from "./key_input.js";
import { WORDS } from "./draw_marks.js";
import { snapMark } from "./snap_mark.js";
import { fillToolBar } from "./tool_bar.js";
import { wholeCapture } from "./whole_capture.js";

const byId = (id) => document.getElementById(id);
const asked = new URLSearchParams(location.search);
const number = (name) => (asked.has(name) && Number.isFinite(Number(asked.get(name))) ? Number(asked.get(name)) : null);

class Page {
  constructor(told) {
    this.told = told;
    this.colours = told.colours;
    this.blind = told.blind;
    this.picture = asked.has("picture");
    this.queue = asked.get("queue") || sessionStorage.getItem("queue") || "unlabelled";
    if (!told.queues.includes(this.queue)) this.queue = "unlabelled";
    this.item = null;
    this.levels = [];
    this.layers = new Set();
    this.reference = null;
    this.inverted = false;
    this.tool = null;
    this.traceView = new TraceView(this);
    this.panel = new SidePanel(this, byId("panel"), told);
    fillToolBar(this, byId("tools"));
    attachStrip(this, byId("context"));
    attachKeys(this);
    fillHelp(byId("help-text"));
    byId("help-button").addEventListener("click", () => this.help());
    byId("help-close").addEventListener("click", () => byId("help").close());
    document.body.classList.toggle("picture", this.picture);
    const seen = told.blind ? "blind" : "not blind";
    byId("who").textContent = `Reader ${told.reader}`;
    byId("what").textContent = `${told.mode === "firing" ? "firings" : "whole captures"}, ${seen}${told.dataset ? `, ${told.dataset}` : ""}`;
    for (const name of told.queues) byId("queue").append(new Option(name.replaceAll("_", " "), name));
    byId("queue").value = this.queue;
    byId("queue").addEventListener("change", () => this.changeQueue(byId("queue").value));
    addEventListener("beforeunload", (event) => { if (this.state && this.state.dirty) { this.state.store(); event.preventDefault(); } });
    if (told.messages.length) this.tell(told.messages.join(" "));
  }

  attach(over) { attachPointers(this, over); }

  // items

  async open(token) {
    document.body.dataset.ready = "";
    const item = await server.item(token);
    this.item = item;
    this.channel = item.channel;
    this.state = new LabelState(item);
    const kept = this.state.resume();
    this.pending = null;
    this.selected = null;
    this.level = null;
    this.tool = null;
    this.levels = [];
    this.opened = performance.now();
    this.traceView.parts.clear();
    this.traceView.whole = null;
    this.traceView.heights = null;
    sessionStorage.setItem("item", token);
    if (this.state.firing) this.channel = this.state.firing.channel;
    const [from, to] = item.window_ms;
    this.needle = item.firings && this.state.firing ? this.state.firing.place : from + 0.5 * (to - from);
    this.traceView.build();
    this.traceView.show(number("from_ms") ?? from, number("to_ms") ?? to);
    if (number("low") !== null && number("high") !== null) this.traceView.heights = [number("low"), number("high")];
    if (item.firings && this.state.firing) this.lookAtFiring();
    this.traceView.fetchWhole().catch((fault) => this.tell(fault.message));
    if (!kept) this.tell("this was saved elsewhere meanwhile; what is shown is what was saved last");
    const words = item.firings ? `capture ${item.number} of ${item.total}` : `${item.number} of ${item.total}`;
    byId("progress").textContent = `${words}, ${item.done} done${item.capture ? `: ${item.capture} ${item.channels[item.channel].name}` : ""}`;
    this.refresh();
  }

  async next() {
    if (this.state && this.state.dirty) this.state.store();
    const token = await server.next(this.queue, this.item ? this.item.token : "").catch((fault) => { this.tell(fault.message); return undefined; });
    if (token === undefined) return;
    if (token === null) {
      this.tell(`nothing is left in the queue ${this.queue.replaceAll("_", " ")}; choose another, or close the page`);
      document.body.dataset.empty = "yes";
      return;
    }
    this.tell("");
    await this.open(token).catch((fault) => this.tell(fault.message));
  }

  changeQueue(name) {
    this.queue = name;
    sessionStorage.setItem("queue", name);
    byId("queue").blur();
    this.next();
  }

  // saving

  async save() {
    if (this.saving || !this.item) return false;
    const fault = this.state.fault();
    if (fault) { this.tell(`not saved: ${fault}`); return false; }
    // After a lost answer the same entries go out again, so that nothing is saved twice.
    const content = JSON.stringify(this.state.now);
    const body = this.pending && this.pending.content === content ? this.pending.body : this.body();
    if (!body.firings.length && !body.mark) { this.sayState(); return true; }
    this.pending = { content, body };
    this.saving = true;
    this.sayState("saving");
    try {
      await server.save(body);
      this.state.savedAs(body);
      this.pending = null;
      this.state.store();
      this.tell("");
      return true;
    } catch (refused) {
      if (refused.status === 409) {
        this.state.conflict(refused.told.conflict);
        this.pending = null;
        this.tell("not saved: another tab or window saved this meanwhile. What you see is yours: save again to put it in place of the other, or load the page to see the other.");
      } else this.tell(refused.status ? `not saved: ${refused.message}` : "not saved: the server does not answer; start it again and save again");
      return false;
    } finally {
      this.saving = false;
      this.sayState();
    }
  }

  body() {
    const { firings, mark } = this.state.unsaved();
    return {
      item: this.item.token, queue: this.queue, aids: [...this.state.aids], firings, mark,
      duration_s: Math.round((performance.now() - this.opened) / 100) / 10,
    };
  }

  async saveAndNext() {
    const untouched = !this.item.firings && !this.state.dirty && this.state.at === 0;
    if (untouched) { this.tell("not saved: no answer yet. Place begin and end of the burn, or choose no spark, cut or not measurable; skip leaves it unanswered"); return; }
    if (await this.save()) await this.next();
  }

  sayState(word) {
    byId("saved").textContent = word || (this.state.dirty ? "not saved yet" : Object.keys(this.state.kept).length ? "saved" : "");
    byId("saved").className = this.state.dirty ? "unsaved" : "";
  }

  tell(text) {
    byId("message").textContent = text;
    byId("message").hidden = !text;
  }

  // drawing

  wantedLayers() {
    const { item } = this;
    const layers = [{ key: "own", token: item.token, channel: this.channel, shift: 0, style: "own" }];
    if (this.layers.has("previous") && this.previousMs() !== null) layers.push({ key: "previous", token: item.token, channel: this.channel, shift: this.previousMs(), style: "previous" });
    if (this.layers.has("sibling")) {
      item.channels.forEach((one, k) => {
        if (k !== this.channel && one.kind === item.channels[this.channel].kind) layers.push({ key: `sibling-${k}`, token: item.token, channel: k, shift: 0, style: "sibling" });
      });
    }
    if (this.layers.has("reference") && this.reference) layers.push({ key: "reference", token: this.reference.token, channel: this.reference.channel, shift: this.anchor() - this.reference.anchor, style: "reference" });
    return layers;
  }

  // Where firings are laid over each other: the switching-off, else the burn's begin, else the needle.
  anchor() {
    const marks = marksOf(this.state.firing);
    const mark = marks.find((one) => one.kind === "coil_off") || marks.find((one) => one.kind === "breakdown");
    return mark ? mark.at : this.needle;
  }

  previousMs() {
    if (!this.item.firings) return this.item.previous_ms;
    const { firing } = this.state;
    if (!firing) return null;
    const earlier = this.state.now.firings.filter((one) => one.channel === firing.channel && one.place < firing.place);
    return earlier.length ? firing.place - Math.max(...earlier.map((one) => one.place)) : null;
  }

  refresh() { this.panel.show(); this.traceView.draw(); }

  drawn() {
    if (!this.state) return;
    this.panel.show();
    if (!this.saving) this.sayState();
    const places = digits(this);
    const unit = this.item.channels[this.channel].unit;
    const value = this.traceView.valueAt(this.needle);
    const parts = [`needle ${this.needle.toFixed(places)} ms${value === null ? "" : `, ${(this.inverted ? -value : value).toPrecision(4)} ${unit}`}`];
    const chosen = marksOf(this.state.firing).find((mark) => sameMark(mark, this.selected));
    if (chosen) parts.push(`${WORDS[chosen.kind]} ${chosen.at.toFixed(places)} ms (needle ${(this.needle - chosen.at).toFixed(places)} from it)`);
    if (this.levels.length) parts.push(`levels ${this.levels.map((one) => one.toPrecision(4)).join(" and ")} ${unit}${this.levels.length > 1 ? `, apart ${Math.abs(this.levels[1] - this.levels[0]).toPrecision(4)}` : ""}`);
    if (this.inverted) parts.push("shown upside down");
    for (const name of this.layers) parts.push(`${LAYERS[name][2]} laid over (${{ previous: "orange, dashed", sibling: "blue, dotted", reference: "green, dash-dot" }[name]})`);
    if (this.tool) parts.push(`tap where to put: ${WORDS[this.tool] || "level"}`);
    parts.push(`one sample ${(1e3 * this.traceView.sampleMs).toPrecision(4)} µs`);
    byId("readout").textContent = parts.join("   ·   ");
    for (const one of byId("tools").querySelectorAll("button")) one.setAttribute("aria-pressed", String(one.dataset.on ? this.isOn(one.dataset.on) : false));
  }

  isOn(name) { return name === "inverted" ? this.inverted : this.layers.has(name) || this.tool === name; }

  // actions

  change(edit) {
    const changed = this.state.change(edit);
    if (changed) this.state.store();
    this.refresh();
    return changed;
  }

  clip(ms) { const [first, last] = this.traceView.extent; return Math.min(Math.max(ms, first), last); }
  setNeedle(ms) { this.needle = this.clip(ms); this.selected = null; this.level = null; this.refresh(); }
  select(mark) { this.selected = mark; this.level = null; this.refresh(); }
  selectLevel(k) { this.level = k; this.selected = null; this.refresh(); }
  escape() { this.selected = null; this.level = null; this.tool = null; this.refresh(); }

  place(kind, ms = this.needle) {
    if (!this.state.firing) { this.tell("add a firing first (a)"); return; }
    if (this.state.firing.channel !== this.channel) { this.tell("the chosen firing is on another channel; add one here (a)"); return; }
    const total = this.state.firing.intervals.length + this.state.firing.coil_on.length + this.state.firing.coil_off.length;
    if (total >= 60) { this.tell("a firing takes at most 60 marks"); return; }
    let mark = null;
    this.change((state, firing) => {
      mark = placeMark(firing, kind, this.clip(ms));
      if (mark.list === "intervals" && ["no_spark", "not_measurable"].includes(firing.answer)) firing.answer = "measured";
    });
    this.tell("");
    this.select(mark);
  }

  useTool(tool, place) {
    this.tool = null;
    if (tool === "level") this.addLevel(place.value); else this.place(tool, place.ms);
  }

  step(direction, samples = 1) {
    const { start_ms: start, rate_Hz: rate } = this.item.channels[this.channel];
    const stepped = (ms) => {
      const at = ((ms - start) * rate) / 1e3;
      const whole = Math.round(at);
      // From between two samples the first step goes to the next sample.
      const from = Math.abs(at - whole) < 1e-6 ? whole : direction > 0 ? Math.floor(at) : Math.ceil(at);
      return this.clip(start + ((from + direction * samples) / rate) * 1e3);
    };
    const chosen = marksOf(this.state.firing).find((mark) => sameMark(mark, this.selected));
    if (chosen) {
      const ms = stepped(chosen.at);
      this.change((state, firing) => moveMark(firing, chosen, ms));
      this.traceView.reveal(ms);
    } else {
      this.needle = stepped(this.needle);
      this.traceView.reveal(this.needle);
      this.refresh();
    }
  }

  arrow(event) {
    const direction = event.key === "ArrowLeft" || event.key === "ArrowDown" ? -1 : 1;
    const { traceView: view } = this;
    if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
      if (event.ctrlKey) view.pan(direction * 0.25 * (view.view.to - view.view.from));
      else this.step(direction, event.shiftKey ? 10 : 1);
    } else if (this.level !== null) {
      const [low, high] = view.shownHeights();
      this.levels[this.level] += (this.inverted ? -1 : 1) * direction * ((high - low) / view.plot.over.clientHeight) * (event.shiftKey ? 10 : 1);
      this.refresh();
    } else if (event.shiftKey) view.panHeights(direction * 0.2);
    else view.zoomHeights(direction > 0 ? 0.7 : 1 / 0.7);
  }

  zoomBy(factor) {
    const chosen = marksOf(this.state.firing).find((mark) => sameMark(mark, this.selected));
    const { from, to } = this.traceView.view;
    const target = chosen ? chosen.at : this.needle;
    this.traceView.zoom(factor, target >= from && target <= to ? target : (from + to) / 2);
  }

  panBy(share) { this.traceView.pan(share * (this.traceView.view.to - this.traceView.view.from)); }
  wholeWindow() { this.traceView.heights = null; this.traceView.show(...this.item.window_ms); }
  needleToMiddle() { this.setNeedle((this.traceView.view.from + this.traceView.view.to) / 2); }

  chooseMark(direction) {
    const marks = marksOf(this.state.firing);
    if (!marks.length) return;
    const k = marks.findIndex((mark) => sameMark(mark, this.selected));
    const next = k < 0 ? (direction > 0 ? 0 : marks.length - 1) : (k + direction + marks.length) % marks.length;
    this.select(marks[next]);
    this.traceView.reveal(marks[next].at);
  }

  removeChosen() {
    if (this.level !== null) { this.levels.splice(this.level, 1); this.level = null; this.refresh(); return; }
    if (!this.selected || !this.state.firing) return;
    const mark = this.selected;
    this.selected = null;
    this.change((state, firing) => removeMark(firing, mark));
  }

  snap(kind) { snapMark(this, kind); }

  answer(name) {
    if (!this.state.firing) return;
    this.change((state, firing) => { firing.answer = name; });
  }

  set(name, value) { if (this.state.firing) this.change((state, firing) => { firing[name] = value; }); }

  cycle(name, direction = 1) {
    if (!this.state.firing) return;
    const values = this.panel.values[name];
    const k = values.indexOf(this.state.firing[name]);
    this.set(name, values[(k + direction + values.length) % values.length]);
  }

  addLevel(value) {
    const [low, high] = this.traceView.shownHeights();
    const at = value ?? this.traceView.valueAt(this.needle) ?? (this.inverted ? -1 : 1) * (low + 0.5 * (high - low));
    if (this.levels.length >= 2) this.levels.shift();
    this.levels.push(at);
    this.selectLevel(this.levels.length - 1);
  }

  toggle(name) {
    this[name] = !this[name];
    if (this[name]) this.state.aids.add(name);
    if (this.traceView.heights) this.traceView.heights = this.traceView.heights.map((one) => -one).reverse();
    this.refresh();
  }

  toggleLayer(name) {
    if (this.layers.has(name)) this.layers.delete(name);
    else {
      if (name === "previous" && this.previousMs() === null) { this.tell("no earlier firing is known on this channel"); return; }
      if (name === "sibling" && this.item.channels.length < 2) { this.tell("this capture has one channel only"); return; }
      if (name === "reference" && !this.reference) { this.tell("no reference is held yet: hold one with h"); return; }
      this.layers.add(name);
      this.state.aids.add(name);
      this.tell("");
    }
    this.traceView.fetch();
    this.refresh();
  }

  holdReference() {
    this.reference = { token: this.item.token, channel: this.channel, anchor: this.anchor() };
    sessionStorage.setItem("reference", JSON.stringify(this.reference));
    this.tell("held as the reference; j lays it over");
  }

  undo() { this.state.undo(); this.afterTurn(); }
  redo() { this.state.redo(); this.afterTurn(); }
  afterTurn() {
    this.selected = null;
    this.state.store();
    if (this.state.firing && this.state.firing.channel !== this.channel) this.showChannel(this.state.firing.channel);
    this.refresh();
  }

  showChannel(k) {
    this.channel = k;
    this.selected = null;
    this.traceView.parts.clear();
    this.traceView.whole = null;
    this.traceView.heights = null;
    this.traceView.build();
    this.traceView.show(this.traceView.view.from, this.traceView.view.to);
    this.traceView.fetchWhole().catch((fault) => this.tell(fault.message));
  }

  nextChannel() {
    if (!this.item.firings) { this.tell("this firing is on one channel; g lays the other leads over"); return; }
    this.showChannel((this.channel + 1) % this.item.channels.length);
  }

  help() { byId("help").showModal(); }
}

Object.assign(Page.prototype, wholeCapture);

const told = await server.start();
const page = new Page(told);
const held = sessionStorage.getItem("reference");
if (held) page.reference = JSON.parse(held);
const first = asked.get("item") || sessionStorage.getItem("item");
if (first) await page.open(first).catch(() => page.next());
else await page.next();
