// Drawings of figures: axes with units, intervals as bars with ends. Every drawing has its words
// beside it or in its label, so nothing is told by the picture alone.

import { s } from "./dom.js";
import { look } from "./look.js";
import { percent, range } from "./format.js";

/** Steps of 1, 2 or 5 that part `low`..`high` into about `count`. */
function ticks(low, high, count = 5) {
  const span = high - low || 1;
  const raw = span / count;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * power).find((t) => t >= raw * 0.999);
  const list = [];
  for (let i = Math.ceil(low / step - 1e-9); i * step <= high + step * 1e-9; i++) list.push(Number((i * step).toPrecision(12)));
  return list;
}

const text = (x, y, words, props = {}) => s("text", { x, y, ...props }, words);

/** A share's interval as a line with its estimate as a dot, from 0 to `top`. */
export function strip(share, top, label) {
  const x = (v) => 6 + 148 * Math.min(1, Math.max(0, v / top));
  const { low, high } = share.interval ?? { low: share.estimate, high: share.estimate };
  return s(
    "svg",
    { class: "strip", viewBox: "0 0 160 22", role: "img", "aria-label": label ?? `${percent(share.estimate)} %, ${range(low, high, share.estimate)}` },
    s("path", { class: "faint", d: "M6 4v14M154 4v14M6 11h148" }),
    s("path", { class: "whisker", d: `M${x(low)} 11H${x(high)}M${x(low)} 5v12M${x(high)} 5v12` }),
    s("circle", { class: "dot", cx: x(share.estimate), cy: 11, r: 4.5 }),
  );
}

/** The scale that several small shares have in common. */
export const commonTop = (highs) => Math.max(0.05, Math.ceil(20 * Math.max(...highs)) / 20);

/**
 * Lines over a common axis.
 * `series`: `[{ name, points: [[x, y], …], className }]`; `mark`: the user's own point;
 * `band`: `[[x, low, high], …]`.
 */
export function lineChart({ title, x, y, series, mark, marks = [], band, width = 640, height = 320, diagonal = false }) {
  const pad = { left: 62, right: 18, top: 14, bottom: 52 };
  const all = series.flatMap((one) => one.points).concat(band ? band.flatMap(([a, b, c]) => [[a, b], [a, c]]) : []);
  if (mark) all.push([mark.x, mark.y]);
  const limits = (axis, i) => {
    const values = all.map((p) => p[i]).filter(Number.isFinite);
    const low = axis.low ?? Math.min(0, ...values);
    const high = axis.high ?? Math.max(...values, low + 1e-9);
    return [low, high];
  };
  const [xLow, xHigh] = limits(x, 0);
  const [yLow, yHigh] = limits(y, 1);
  const px = (v) => pad.left + ((v - xLow) / (xHigh - xLow || 1)) * (width - pad.left - pad.right);
  const py = (v) => height - pad.bottom - ((v - yLow) / (yHigh - yLow || 1)) * (height - pad.top - pad.bottom);
  const path = (points) =>
    points
      .filter((p) => Number.isFinite(p[0]) && Number.isFinite(p[1]))
      .map((p, i) => `${i ? "L" : "M"}${px(p[0]).toFixed(1)} ${py(p[1]).toFixed(1)}`)
      .join("");
  const say = (axis, v) => (axis.say ? axis.say(v) : String(v));
  const svg = s("svg", { class: "chart", viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": title });
  for (const v of ticks(xLow, xHigh, 6)) {
    svg.append(s("path", { class: "faint", d: `M${px(v)} ${pad.top}V${height - pad.bottom}` }));
    svg.append(text(px(v), height - pad.bottom + 18, say(x, v), { "text-anchor": "middle" }));
  }
  for (const v of ticks(yLow, yHigh, 5)) {
    svg.append(s("path", { class: "faint", d: `M${pad.left} ${py(v)}H${width - pad.right}` }));
    svg.append(text(pad.left - 8, py(v) + 4.5, say(y, v), { "text-anchor": "end" }));
  }
  svg.append(s("path", { class: "axis", d: `M${pad.left} ${pad.top}V${height - pad.bottom}H${width - pad.right}` }));
  svg.append(text((pad.left + width - pad.right) / 2, height - 10, x.label, { "text-anchor": "middle", class: "axis-name" }));
  svg.append(text(0, 0, y.label, { transform: `translate(15 ${(pad.top + height - pad.bottom) / 2}) rotate(-90)`, "text-anchor": "middle", class: "axis-name" }));
  if (diagonal) svg.append(s("path", { class: "diagonal", d: `M${px(xLow)} ${py(yLow)}L${px(xHigh)} ${py(yHigh)}` }));
  if (band?.length) {
    const up = band.map(([a, , c]) => `${px(a).toFixed(1)} ${py(c).toFixed(1)}`);
    const down = band.map(([a, b]) => `${px(a).toFixed(1)} ${py(b).toFixed(1)}`).reverse();
    svg.append(s("path", { class: "band", d: `M${[...up, ...down].join("L")}Z` }));
  }
  series.forEach((one, i) => {
    svg.append(s("path", { class: `line ${one.className ?? `line-${i}`}`, d: path(one.points) }));
    const last = one.points.at(-1);
    if (one.name && last && series.length > 1) {
      svg.append(text(width - pad.right - 6, Math.max(pad.top + 12, Math.min(py(last[1]) - 7, height - pad.bottom - 6)) + 0, one.name, { "text-anchor": "end", class: "series-name" }));
    }
    if (one.dots) for (const p of one.points) svg.append(s("circle", { class: "dot", cx: px(p[0]), cy: py(p[1]), r: 3.5 }));
  });
  const taken = [];
  for (const m of mark ? [mark, ...marks] : marks) {
    if (!Number.isFinite(m.x) || !Number.isFinite(m.y)) continue;
    svg.append(s("path", { class: "guide", d: `M${px(m.x)} ${height - pad.bottom}V${py(m.y)}H${pad.left}` }));
    svg.append(s("circle", { class: "mark", cx: px(m.x), cy: py(m.y), r: 8 }));
    if (m.words) {
      const right = px(m.x) > width * 0.6;
      // Below its mark, or above where the axis is near; further off where other words stand already.
      const up = py(m.y) + 20 > height - pad.bottom;
      let y = py(m.y) + (up ? -12 : 20);
      while (taken.some((other) => Math.abs(other - y) < 16)) y += up ? -16 : 16;
      if (y > height - pad.bottom) y = Math.min(...taken, py(m.y)) - 16;
      taken.push(y);
      svg.append(text(px(m.x) + (right ? -14 : 14), y, m.words, { class: "mark-words", "text-anchor": right ? "end" : "start" }));
    }
  }
  return svg;
}

/**
 * One row a group, parted by class: `rows`: `[{ name, parts: [{ class, share, low, high }] }]`.
 * Reject classes are small, so each has a row of its own with its interval.
 */
export function compositionBars(title, rows) {
  const width = 640;
  const rowHeight = 54;
  const left = 96;
  const right = 14;
  const height = rows.length * rowHeight + 54;
  const svg = s("svg", { class: "chart", viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": title });
  rows.forEach((row, i) => {
    const top = i * rowHeight + 8;
    svg.append(text(0, top + 22, row.name, { class: "row-name" }));
    let at = left;
    for (const part of row.parts) {
      const w = Math.max(0, part.share) * (width - left - right);
      svg.append(s("rect", { class: "part", x: at, y: top, width: w, height: 32, fill: look(part.class).colour }));
      if (w > 66) svg.append(text(at + w / 2, top + 21, `${look(part.class).letter} ${percent(part.share)} %`, { "text-anchor": "middle", class: "on-colour" }));
      else if (w > 14) svg.append(text(at + w / 2, top + 21, look(part.class).letter, { "text-anchor": "middle", class: "on-colour" }));
      at += w;
    }
  });
  const base = rows.length * rowHeight + 4;
  svg.append(s("path", { class: "axis", d: `M${left} ${base}H${width - right}` }));
  for (const v of [0, 0.25, 0.5, 0.75, 1]) {
    const x = left + v * (width - left - right);
    svg.append(s("path", { class: "axis", d: `M${x} ${base}v5` }));
    svg.append(text(x, base + 20, `${100 * v} %`, { "text-anchor": v === 1 ? "end" : "middle" }));
  }
  svg.append(text((left + width) / 2, base + 44, "share of the lot's mass", { "text-anchor": "middle", class: "axis-name" }));
  return svg;
}

/** Figures with their intervals, one above the other, over one axis. */
export function intervalChart({ title, rows, label, say, low, high }) {
  const width = 640;
  const rowHeight = 40;
  const left = 130;
  const right = 24;
  const height = rows.length * rowHeight + 52;
  const bottom = low ?? Math.min(0, ...rows.map((r) => r.low));
  const top = high ?? Math.max(...rows.map((r) => r.high), bottom + 1e-9);
  const x = (v) => left + ((v - bottom) / (top - bottom)) * (width - left - right);
  const svg = s("svg", { class: "chart", viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": title });
  for (const v of ticks(bottom, top, 6)) {
    svg.append(s("path", { class: v === 0 ? "axis" : "faint", d: `M${x(v)} 4V${rows.length * rowHeight + 6}` }));
    svg.append(text(x(v), rows.length * rowHeight + 22, say(v), { "text-anchor": "middle" }));
  }
  rows.forEach((row, i) => {
    const y = i * rowHeight + 24;
    svg.append(text(0, y + 5, row.name, { class: "row-name" }));
    svg.append(s("path", { class: "whisker", d: `M${x(row.low)} ${y}H${x(row.high)}M${x(row.low)} ${y - 7}v14M${x(row.high)} ${y - 7}v14` }));
    svg.append(s("circle", { class: "dot", cx: x(row.estimate), cy: y, r: 6, fill: row.class ? look(row.class).colour : undefined }));
  });
  svg.append(text((left + width - right) / 2, height - 8, label, { "text-anchor": "middle", class: "axis-name" }));
  return svg;
}

/** Masses flowing from one place into two: widths in proportion, parted by class. */
export function flow(title, from, into) {
  const width = 640;
  const height = 300;
  const total = from.parts.reduce((sum, p) => sum + p.kg, 0) || 1;
  const tall = 200;
  const gap = 48;
  const svg = s("svg", { class: "chart", viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": title });
  const used = new Map();
  let startY = 30;
  for (const part of from.parts) {
    used.set(part.class, startY);
    const t = (part.kg / total) * tall;
    svg.append(s("rect", { x: 20, y: startY, width: 22, height: Math.max(t, 0.8), fill: look(part.class).colour, class: "part" }));
    startY += t;
  }
  svg.append(text(20, 20, from.name, { class: "row-name" }));
  let y = 30;
  for (const place of into) {
    svg.append(text(width - 20, y - 10, place.name, { class: "row-name", "text-anchor": "end" }));
    for (const part of place.parts) {
      const t = (part.kg / total) * tall;
      const a = used.get(part.class) ?? 30;
      used.set(part.class, a + t);
      const x1 = 42;
      const x2 = width - 42;
      const mid = (x1 + x2) / 2;
      svg.append(
        s("path", {
          d: `M${x1} ${a}C${mid} ${a} ${mid} ${y} ${x2} ${y}V${y + t}C${mid} ${y + t} ${mid} ${a + t} ${x1} ${a + t}Z`,
          fill: look(part.class).colour,
          class: "stream",
        }),
      );
      svg.append(s("rect", { x: x2, y, width: 22, height: Math.max(t, 0.8), fill: look(part.class).colour, class: "part" }));
      y += t;
    }
    y += gap;
  }
  return svg;
}
