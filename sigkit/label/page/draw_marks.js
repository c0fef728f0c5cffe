// Marks, needle, levels and (when not blind) what others say, drawn over the trace. Shape and word besides colour.

import { marksOf, sameMark } from "./label_state.js";

export const WORDS = { coil_on: "coil on", coil_off: "coil off", breakdown: "burn begins", burn_end: "burn ends" };
const LEVEL = "#8A5A00";

function shape(ctx, kind, x, y, r) {
  ctx.beginPath();
  if (kind === "coil_on") { ctx.moveTo(x, y - r); ctx.lineTo(x + r, y + r); ctx.lineTo(x - r, y + r); ctx.closePath(); }
  else if (kind === "breakdown") { ctx.moveTo(x, y + r); ctx.lineTo(x + r, y - r); ctx.lineTo(x - r, y - r); ctx.closePath(); }
  else if (kind === "coil_off") ctx.rect(x - r, y - r, 2 * r, 2 * r);
  else ctx.arc(x, y, r, 0, 2 * Math.PI);
  ctx.fill();
}

function upright(u, ms, colour, dash, width) {
  const { ctx } = u;
  const x = Math.round(u.valToPos(ms, "x", true)) + 0.5;
  if (x < u.bbox.left - 1 || x > u.bbox.left + u.bbox.width + 1) return null;
  ctx.strokeStyle = colour;
  ctx.lineWidth = width * devicePixelRatio;
  ctx.setLineDash(dash.map((d) => d * devicePixelRatio));
  ctx.beginPath();
  ctx.moveTo(x, u.bbox.top);
  ctx.lineTo(x, u.bbox.top + u.bbox.height);
  ctx.stroke();
  ctx.setLineDash([]);
  return x;
}

export function drawMarks(u, page, view) {
  const { ctx } = u;
  const ratio = devicePixelRatio || 1;
  ctx.save();
  ctx.font = `${12 * ratio}px system-ui, sans-serif`;
  ctx.textBaseline = "alphabetic";
  if (!page.picture) drawNeedle(u, page);
  drawLevels(u, page);
  drawOthers(u, page);
  const current = page.state.firing;
  for (const firing of page.state.now.firings) {
    if (firing.channel !== page.channel) continue;
    shadeIntervals(u, firing, page, firing === current);
    if (firing !== current && page.item.firings) placeSign(u, firing);
  }
  if (current && current.channel === page.channel) {
    let lastX = -Infinity, row = 0;
    for (const mark of marksOf(current)) {
      const chosen = sameMark(mark, page.selected);
      const colour = page.colours[mark.kind];
      const x = upright(u, mark.at, colour, chosen ? [] : [5, 3], chosen ? 2.5 : 1.5);
      if (x === null) continue;
      ctx.fillStyle = colour;
      shape(ctx, mark.kind, x, u.bbox.top - 8 * ratio, (chosen ? 6 : 4.5) * ratio);
      const word = WORDS[mark.kind] + (chosen ? " ◂" : "");
      const wide = ctx.measureText(word).width + 10 * ratio;
      row = x < lastX ? row + 1 : 0;
      ctx.textAlign = x + wide > u.bbox.left + u.bbox.width ? "right" : "left";
      const side = ctx.textAlign === "left" ? 5 : -5;
      const y = u.bbox.top + (14 + 16 * (row % 4)) * ratio;
      ctx.fillStyle = "rgba(255,255,255,0.85)";
      ctx.fillRect(ctx.textAlign === "left" ? x + 2 * ratio : x - wide, y - 12 * ratio, wide - 2 * ratio, 15 * ratio);
      ctx.fillStyle = "#222222";
      ctx.fillText(word, x + side * ratio, y);
      lastX = x + wide;
    }
  }
  ctx.restore();
}

function drawNeedle(u, page) {
  const ratio = devicePixelRatio || 1;
  const x = upright(u, page.needle, "#222222", [1, 2], page.selected ? 0.75 : 1.5);
  if (x === null) return;
  u.ctx.fillStyle = "#222222";
  u.ctx.beginPath();
  u.ctx.moveTo(x, u.bbox.top + u.bbox.height - 8 * ratio);
  u.ctx.lineTo(x - 5 * ratio, u.bbox.top + u.bbox.height);
  u.ctx.lineTo(x + 5 * ratio, u.bbox.top + u.bbox.height);
  u.ctx.fill();
}

function drawLevels(u, page) {
  const { ctx } = u;
  const ratio = devicePixelRatio || 1;
  page.levels.forEach((level, k) => {
    const y = Math.round(u.valToPos(page.inverted ? -level : level, "y", true)) + 0.5;
    if (y < u.bbox.top || y > u.bbox.top + u.bbox.height) return;
    ctx.strokeStyle = LEVEL;
    ctx.lineWidth = (page.level === k ? 2 : 1) * ratio;
    ctx.setLineDash([12 * ratio, 4 * ratio]);
    ctx.beginPath();
    ctx.moveTo(u.bbox.left, y);
    ctx.lineTo(u.bbox.left + u.bbox.width, y);
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.fillStyle = LEVEL;
    ctx.textAlign = "right";
    ctx.fillText(`level ${k + 1}${page.level === k ? " ◂" : ""}`, u.bbox.left + u.bbox.width - 4 * ratio, y - 4 * ratio);
  });
}

function shadeIntervals(u, firing, page, current) {
  const ratio = devicePixelRatio || 1;
  for (const [begin, end] of firing.intervals) {
    if (begin === null || end === null) continue;
    const left = Math.max(u.valToPos(begin, "x", true), u.bbox.left);
    const right = Math.min(u.valToPos(end, "x", true), u.bbox.left + u.bbox.width);
    if (right <= left) continue;
    u.ctx.fillStyle = current ? "rgba(213, 94, 0, 0.10)" : "rgba(90, 90, 90, 0.10)";
    u.ctx.fillRect(left, u.bbox.top, right - left, u.bbox.height);
    u.ctx.fillStyle = current ? page.colours.breakdown : "#8A8A8A";
    u.ctx.fillRect(left, u.bbox.top + u.bbox.height - 4 * ratio, right - left, 4 * ratio);
  }
}

function placeSign(u, firing) {
  const ratio = devicePixelRatio || 1;
  const x = upright(u, firing.place, "#8A8A8A", [2, 4], 1);
  if (x === null) return;
  u.ctx.fillStyle = "#5A5A5A";
  u.ctx.textAlign = "left";
  u.ctx.fillText("firing", x + 4 * ratio, u.bbox.top + u.bbox.height - 8 * ratio);
}

function drawOthers(u, page) {
  const { ctx } = u;
  const ratio = devicePixelRatio || 1;
  const rows = [...(page.item.others || []).filter((one) => one.channel === page.channel).map((one) => [`${one.reader} (${one.origin})`, one.intervals])];
  const told = page.item.proposal;
  if (told && told.breakdown !== undefined && told.burn_end !== undefined && page.channel === page.item.channel) rows.push(["proposal", [[told.breakdown, told.burn_end]]]);
  rows.forEach(([name, intervals], k) => {
    const y = u.bbox.top + u.bbox.height - (14 + 16 * k) * ratio;
    for (const [begin, end] of intervals) {
      if (begin === null || end === null) continue;
      const left = u.valToPos(begin, "x", true), right = u.valToPos(end, "x", true);
      ctx.fillStyle = "#5A5A5A";
      ctx.fillRect(left, y, right - left, 3 * ratio);
      ctx.textAlign = "left";
      ctx.fillText(name, right + 5 * ratio, y + 5 * ratio);
    }
  });
}
