// The trace: which part is shown, fetching it, and drawing it with marks, levels and superimposed traces.

import * as server from "./server_calls.js";
import { drawMarks } from "./draw_marks.js";
import { decimals, minorStep, tickStep, ticks } from "./time_axis.js";

const INK = "#222222", TRACE = "#3B5B76", GRID = "#E3E3E3", MINOR = "#F1F1F1";
export const LAYERS = { previous: ["#E69F00", [6, 4], "previous"], sibling: ["#56B4E9", [2, 3], "other leads"], reference: ["#009E73", [10, 3, 2, 3], "reference"] };

export class TraceView {
  constructor(page) {
    this.page = page; // {item, state, needle, selected, levels, layers, inverted, picture}
    this.view = { from: 0, to: 1 };
    this.heights = null; // [low, high]; null fits what is shown
    this.parts = new Map(); // layer -> fetched part
    this.whole = null;
    this.host = document.getElementById("plot");
    this.context = document.getElementById("context");
    this.plot = null;
    new ResizeObserver(() => this.resize()).observe(this.host);
  }

  get channel() { return this.page.item.channels[this.page.channel]; }
  get extent() { const c = this.channel; return [c.start_ms, c.start_ms + ((c.samples - 1) / c.rate_Hz) * 1e3]; }
  get sampleMs() { return 1e3 / this.channel.rate_Hz; }
  get msPerPixel() { return (this.view.to - this.view.from) / Math.max(1, this.plot ? this.plot.over.clientWidth : 1); }

  build() {
    if (this.plot) this.plot.destroy();
    const sign = () => (this.page.inverted ? -1 : 1);
    const unit = this.channel.unit;
    const least = { x: this.page.picture ? 46 : 62, y: this.page.picture ? 26 : 34 };
    const splits = (axis) => (u, _, low, high) => {
      // Sizes of the host: the plot's own are not known yet when it asks for its first ticks.
      const pixels = Math.max(100, axis === "x" ? this.host.clientWidth - 90 : this.host.clientHeight - 80);
      this.steps ??= {};
      this.steps[axis] = tickStep(high - low, pixels, least[axis]);
      return ticks(low, high, this.steps[axis]);
    };
    const words = (axis, factor) => (u, values) => values.map((v) => (factor() * v + 0).toFixed(decimals(this.steps[axis])).replace(/^-(0(\.0*)?)$/, "$1"));
    const font = "13px system-ui, sans-serif";
    this.plot = new uPlot({
      width: Math.max(200, this.host.clientWidth), height: Math.max(120, this.host.clientHeight),
      legend: { show: false }, cursor: { show: false }, padding: [22, 12, 0, 0],
      scales: { x: { time: false, range: () => [this.view.from, this.view.to] }, y: { range: () => this.shownHeights() } },
      axes: [
        { stroke: INK, font, labelFont: font, label: this.page.item.capture ? "ms from the window's begin" : "ms", labelSize: 18, size: 30, grid: { stroke: GRID, width: 1 }, ticks: { stroke: INK, size: 6 }, splits: splits("x"), values: words("x", () => 1) },
        { stroke: INK, font, labelFont: font, label: unit, labelSize: 18, size: 58, grid: { stroke: GRID, width: 1 }, ticks: { stroke: INK, size: 5 }, splits: splits("y"), values: words("y", sign) },
      ],
      series: [{}, { stroke: TRACE, width: this.page.picture ? 1.25 : 1.5, points: { show: (u) => this.showsSamples() && u.series[1].show, size: 5, fill: TRACE, stroke: TRACE }, spanGaps: false }],
      hooks: { drawAxes: [(u) => this.drawMinor(u)], draw: [(u) => { this.drawLayers(u); drawMarks(u, this.page, this); }] },
    }, [[0, 1], [null, null]], this.host);
    this.page.attach(this.plot.over);
  }

  showsSamples() {
    const part = this.parts.get("own");
    return Boolean(part && part.exact && this.sampleMs / this.msPerPixel >= 5);
  }

  shownHeights() {
    if (this.heights) return this.heights;
    let low = Infinity, high = -Infinity;
    for (const part of this.parts.values()) {
      const sign = this.page.inverted ? -1 : 1;
      for (let k = 0; k < part.x.length; k += 1) {
        const at = part.x[k] + (part.shift || 0);
        if (at >= this.view.from && at <= this.view.to) {
          const v = sign * part.y[k];
          if (v < low) low = v;
          if (v > high) high = v;
        }
      }
    }
    if (!(low <= high)) return [-1, 1];
    const room = 0.06 * (high - low) || Math.abs(high) * 0.1 || 1;
    return [low - room, high + room];
  }

  // Show from..to; kept on the record and at least a few samples wide.
  show(from, to) {
    const [first, last] = this.extent;
    const margin = 0.05 * (last - first) + 2 * this.sampleMs;
    const span = Math.min(Math.max(to - from, 6 * this.sampleMs), last - first + 2 * margin);
    let begin = (from + to - span) / 2;
    begin = Math.min(Math.max(begin, first - margin), last + margin - span);
    this.view = { from: begin, to: begin + span };
    this.fetch();
    this.draw();
  }

  zoom(factor, about) {
    const { from, to } = this.view;
    this.show(about - (about - from) * factor, about + (to - about) * factor);
  }

  pan(ms) { this.show(this.view.from + ms, this.view.to + ms); }

  zoomHeights(factor, about) {
    const [low, high] = this.shownHeights();
    const at = about ?? Math.min(Math.max(0, low), high);
    this.heights = [at - (at - low) * factor, at + (high - at) * factor];
    this.draw();
  }

  panHeights(share) {
    const [low, high] = this.shownHeights();
    this.heights = [low + share * (high - low), high + share * (high - low)];
    this.draw();
  }

  reveal(ms) {
    const { from, to } = this.view;
    const edge = 0.04 * (to - from);
    if (ms < from + edge) this.pan(ms - from - 0.25 * (to - from));
    else if (ms > to - edge) this.pan(ms - to + 0.25 * (to - from));
  }

  // Ask for what is missing; one question at a time, the newest view wins.
  fetch() {
    if (this.asking) { this.again = true; return; }
    const wanted = this.page.wantedLayers();
    const { from, to } = this.view;
    const span = to - from;
    const buckets = Math.min(4096, Math.max(64, (this.host.clientWidth || 800) * Math.min(2, devicePixelRatio || 1)));
    const missing = wanted.filter((layer) => {
      const part = this.parts.get(layer.key);
      const there = part && part.token === layer.token && part.channel === layer.channel && part.shift === layer.shift;
      if (!there) return true;
      const covered = part.fromMs + layer.shift <= from && part.toMs + layer.shift >= to;
      return !covered || (!part.exact && part.step > 1.6 * (span / (buckets / Math.min(2, devicePixelRatio || 1))));
    });
    for (const key of [...this.parts.keys()]) if (!wanted.some((layer) => layer.key === key)) this.parts.delete(key);
    if (!missing.length) { this.settle(); return; }
    this.asking = true;
    const token = this.page.item.token;
    Promise.all(missing.map(async (layer) => {
      const part = await server.trace(layer.token, layer.channel, from - layer.shift - span / 2, to - layer.shift + span / 2, 2 * buckets);
      if (token !== this.page.item.token) return;
      Object.assign(part, { token: layer.token, channel: layer.channel, shift: layer.shift, style: layer.style });
      this.parts.set(layer.key, part);
    })).catch((fault) => this.page.tell(fault.message)).finally(() => {
      this.asking = false;
      this.dataChanged = true;
      this.draw();
      if (this.again) { this.again = false; this.fetch(); } else this.settle();
    });
  }

  settle() { this.settled = true; this.draw(); }

  draw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => { this.waiting = false; this.drawNow(); });
  }

  drawNow() {
    if (!this.plot) return;
    const part = this.parts.get("own");
    if (part) {
      const sign = this.page.inverted ? -1 : 1;
      const y = Array.from(part.y, (v) => (Number.isNaN(v) ? null : sign * v));
      this.plot.batch(() => {
        this.plot.setData([part.x, y], false);
        this.plot.setScale("x", { min: this.view.from, max: this.view.to });
        const [low, high] = this.shownHeights();
        this.plot.setScale("y", { min: low, max: high });
      });
    }
    this.drawContext();
    this.page.drawn();
    if (part && this.settled && !this.asking) document.body.dataset.ready = this.page.item.token;
    this.settled = false;
  }

  drawMinor(u) {
    const { ctx } = u;
    ctx.save();
    ctx.strokeStyle = INK;
    ctx.lineWidth = devicePixelRatio;
    for (const axis of ["x", "y"]) {
      if (!this.steps || !this.steps[axis]) continue;
      const { min, max } = u.scales[axis];
      const pixels = axis === "x" ? u.over.clientWidth : u.over.clientHeight;
      const step = minorStep(this.steps[axis], (this.steps[axis] / (max - min)) * pixels);
      for (const value of ticks(min, max, step)) {
        const at = Math.round(u.valToPos(value, axis, true)) + 0.5;
        const half = Math.abs(value / (step * 5) - Math.round(value / (step * 5))) < 1e-6;
        ctx.beginPath();
        const { left, top, width, height } = u.bbox;
        const long = (half ? 5 : 3) * devicePixelRatio;
        if (axis === "x") { ctx.moveTo(at, top + height); ctx.lineTo(at, top + height + long); } else { ctx.moveTo(left, at); ctx.lineTo(left - long, at); }
        ctx.stroke();
        if (this.page.picture) {
          ctx.save();
          ctx.strokeStyle = MINOR;
          ctx.beginPath();
          if (axis === "x") { ctx.moveTo(at, top); ctx.lineTo(at, top + height); } else { ctx.moveTo(left, at); ctx.lineTo(left + width, at); }
          ctx.globalCompositeOperation = "destination-over";
          ctx.stroke();
          ctx.restore();
        }
      }
    }
    ctx.restore();
  }

  drawLayers(u) {
    const { ctx } = u;
    const sign = this.page.inverted ? -1 : 1;
    ctx.save();
    ctx.beginPath();
    ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
    ctx.clip();
    for (const [key, part] of this.parts) {
      if (key === "own") continue;
      const [colour, dash] = LAYERS[part.style];
      ctx.strokeStyle = colour;
      ctx.setLineDash(dash.map((d) => d * devicePixelRatio));
      ctx.lineWidth = 1.5 * devicePixelRatio;
      ctx.beginPath();
      for (let k = 0; k < part.x.length; k += 1) {
        const x = u.valToPos(part.x[k] + part.shift, "x", true);
        const y = u.valToPos(sign * part.y[k], "y", true);
        if (k) ctx.lineTo(x, y); else ctx.moveTo(x, y);
      }
      ctx.stroke();
    }
    ctx.restore();
  }

  // The strip below: the whole channel, the shown part and the marks.
  drawContext() {
    const part = this.whole;
    const { context } = this;
    const ratio = devicePixelRatio || 1;
    const width = context.clientWidth * ratio, height = context.clientHeight * ratio;
    if (!width || !height) return;
    if (context.width !== width || context.height !== height) { context.width = width; context.height = height; }
    const ctx = context.getContext("2d");
    ctx.fillStyle = "#FFFFFF";
    ctx.fillRect(0, 0, width, height);
    if (!part || !part.x.length) return;
    const [first, last] = this.extent;
    const x = (ms) => ((ms - first) / (last - first || 1)) * width;
    let low = Infinity, high = -Infinity;
    for (const v of part.y) { if (v < low) low = v; if (v > high) high = v; }
    const sign = this.page.inverted ? -1 : 1;
    if (sign < 0) [low, high] = [-high, -low];
    const y = (v) => height - 4 * ratio - ((sign * v - low) / (high - low || 1)) * (height - 8 * ratio);
    ctx.strokeStyle = TRACE;
    ctx.lineWidth = ratio;
    ctx.beginPath();
    for (let k = 0; k < part.x.length; k += 1) { if (k) ctx.lineTo(x(part.x[k]), y(part.y[k])); else ctx.moveTo(x(part.x[k]), y(part.y[k])); }
    ctx.stroke();
    const left = x(this.view.from), wide = Math.max(3 * ratio, x(this.view.to) - left);
    ctx.fillStyle = "rgba(230, 159, 0, 0.28)";
    ctx.fillRect(left, 0, wide, height);
    ctx.strokeStyle = "#8A5A00";
    ctx.strokeRect(left, 0.5, wide, height - 1);
    ctx.fillStyle = INK;
    for (const firing of this.page.state.now.firings) {
      if (firing.channel !== this.page.channel || !this.page.item.firings) continue;
      const at = x(firing.place);
      ctx.beginPath();
      ctx.moveTo(at, 9 * ratio); ctx.lineTo(at - 5 * ratio, 0); ctx.lineTo(at + 5 * ratio, 0);
      ctx.fill();
    }
  }

  async fetchWhole() {
    const token = this.page.item.token;
    const channel = this.page.channel;
    const [first, last] = this.extent;
    const part = await server.trace(token, channel, first, last, Math.max(200, this.context.clientWidth));
    if (token !== this.page.item.token || channel !== this.page.channel) return;
    this.whole = part;
    this.drawContext();
  }

  valueAt(ms) {
    const part = this.parts.get("own");
    if (!part || !part.exact || !part.x.length) return null;
    const k = Math.round((ms - part.x[0]) / part.step);
    return k >= 0 && k < part.y.length ? part.y[k] : null;
  }

  resize() {
    if (!this.plot || !this.host.clientWidth) return;
    this.plot.setSize({ width: this.host.clientWidth, height: this.host.clientHeight });
    this.fetch();
    this.draw();
  }
}
