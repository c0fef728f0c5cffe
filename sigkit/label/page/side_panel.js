// The answer of the current firing, its marks, and the firings of a whole capture.

import { burnMs, marksOf, sameMark } from "./label_state.js";
import { WORDS } from "./draw_marks.js";

const make = (tag, text, set = {}) => Object.assign(document.createElement(tag), { textContent: text ?? "" }, set);
const spoken = (text) => text.replaceAll("_", " ");
const POLARITY = [["0", "not told"], ["1", "positive"], ["-1", "negative"]];

export const digits = (page) => Math.max(3, Math.min(6, Math.ceil(Math.log10(page.item.channels[page.channel].rate_Hz / 1e3)) + 1));

export class SidePanel {
  constructor(page, host, told) {
    this.page = page;
    const group = make("fieldset", "", { className: "answers" });
    group.append(make("legend", "Answer"));
    this.answers = told.answers.map((name, k) => {
      const one = make("button", "", { type: "button" });
      one.append(make("kbd", String(k + 1)), ` ${spoken(name)}`);
      one.dataset.answer = name;
      one.addEventListener("click", () => page.answer(name));
      group.append(one);
      return one;
    });
    const choice = (name, words, key, values) => {
      const label = make("label", "");
      const list = make("select", "", { id: `choose-${name}` });
      for (const [value, text] of values) list.append(make("option", text, { value }));
      list.addEventListener("change", () => page.set(name, name === "polarity" ? Number(list.value) : list.value));
      const text = make("span", `${words} `);
      text.append(make("kbd", key));
      label.append(text, list);
      return [label, list];
    };
    const pairs = (values) => values.map((one) => [one, spoken(one)]);
    const rows = {
      role: choice("role", "Role", "r", pairs(told.roles)),
      polarity: choice("polarity", "Polarity", "p", POLARITY),
      condition: choice("condition", "Condition", "k", told.conditions),
      certainty: choice("certainty", "Certainty", "c", pairs(told.certainties)),
    };
    this.lists = Object.fromEntries(Object.entries(rows).map(([name, [, list]]) => [name, list]));
    this.values = { role: told.roles, polarity: [0, 1, -1], condition: told.conditions.map(([one]) => one), certainty: told.certainties };
    const remark = make("label", "");
    this.remark = make("input", "", { id: "remark", maxLength: 500, placeholder: "no names", autocomplete: "off" });
    this.remark.addEventListener("change", () => page.set("remark", this.remark.value));
    remark.append(make("span", "Remark"), this.remark);
    this.marks = make("ol", "", { className: "marks" });
    this.marks.setAttribute("aria-label", "Marks");
    this.burn = make("p", "", { className: "burn" });
    this.firings = make("div", "", { className: "firings" });
    this.proposal = make("p", "", { className: "proposal" });
    const actions = make("div", "", { className: "actions" });
    const button = (id, words, key, act, strong = false) => {
      const one = make("button", "", { type: "button", id, className: strong ? "strong" : "" });
      one.append(`${words} `, make("kbd", key));
      one.addEventListener("click", act);
      actions.append(one);
      return one;
    };
    this.undo = button("undo", "Undo", "z", () => page.undo());
    this.redo = button("redo", "Redo", "Z", () => page.redo());
    button("save", "Save", "s", () => page.save());
    button("skip", "Skip", "m", () => page.next());
    button("save-next", "Save, next", "Enter", () => page.saveAndNext(), true);
    host.append(this.firings, this.proposal, group, this.burn, this.marks, ...Object.values(rows).map(([label]) => label), remark, actions);
    this.host = host;
  }

  show() {
    const { page } = this;
    const firing = page.state.firing;
    const text = JSON.stringify([page.state.now, page.selected, page.state.canUndo, page.state.canRedo, page.channel, page.item.token]);
    if (text === this.shown) return;
    this.shown = text;
    this.host.classList.toggle("without", !firing);
    for (const one of this.answers) {
      // Before anything is done, no answer is given, whatever the first would be.
      const given = firing && (page.item.firings || page.state.at > 0) && firing.answer === one.dataset.answer;
      one.setAttribute("aria-pressed", String(Boolean(given)));
      one.disabled = !firing;
    }
    for (const [name, list] of Object.entries(this.lists)) {
      list.disabled = !firing;
      if (firing) list.value = String(firing[name]);
    }
    this.remark.disabled = !firing;
    this.remark.value = firing ? firing.remark : "";
    const told = page.item.proposal || {};
    const said = ["sparked", "condition", "given", "likely"].filter((name) => told[name]).map((name) => `${name} ${spoken(told[name])}`);
    this.proposal.textContent = said.length ? `Proposed: ${said.join(", ")}` : "";
    const places = digits(page);
    const burn = burnMs(firing);
    this.burn.textContent = burn === null ? "burn time: –" : `burn time: ${burn.toFixed(places)} ms`;
    this.marks.replaceChildren(...marksOf(firing).map((mark) => {
      const row = make("li", "");
      const one = make("button", `${WORDS[mark.kind]}  ${mark.at.toFixed(places)} ms`, { type: "button", className: mark.kind });
      one.setAttribute("aria-pressed", String(sameMark(mark, page.selected)));
      one.addEventListener("click", () => { page.select(mark); page.traceView.reveal(mark.at); });
      row.append(one);
      return row;
    }));
    this.undo.disabled = !page.state.canUndo;
    this.redo.disabled = !page.state.canRedo;
    if (page.item.firings) this.showFirings();
  }

  showFirings() {
    const { page } = this;
    const { firings, current, exhaustive } = page.state.now;
    const head = make("div", "", { className: "firing-tools" });
    const button = (words, key, act, on) => {
      const one = make("button", "", { type: "button", disabled: on === false });
      one.append(`${words} `, make("kbd", key));
      one.addEventListener("click", act);
      head.append(one);
    };
    const some = Boolean(page.state.firing);
    button("Add", "a", () => page.addFiring());
    button("Delete", "d", () => page.deleteFiring(), some);
    button("Split", "t", () => page.splitFiring(), some);
    button("Before", ",", () => page.chooseFiring(-1), some);
    button("Next", ".", () => page.chooseFiring(1), some);
    if (page.item.channels.length > 1) button(`Channel ${page.item.channels[page.channel].name}`, "n", () => page.nextChannel());
    const all = make("label", "", { className: "whole" });
    const box = make("input", "", { type: "checkbox", checked: exhaustive, id: "exhaustive" });
    box.addEventListener("change", () => page.toggleExhaustive());
    const words = make("span", "every firing of this capture is labelled ");
    words.append(make("kbd", "x"));
    all.append(box, words);
    const here = firings.filter((one) => one.channel === page.channel).length;
    const which = page.state.firing ? `firing ${current + 1} of ${firings.length}` : `${firings.length} firings`;
    this.firings.replaceChildren(make("p", `${which}; ${here} on this channel`, { className: "burn" }), head, all);
  }
}
