// How each class looks: the same colours, lines, letters and markers as src/report/palette.rs.

import { h, s } from "./dom.js";

export const LOOKS = {
  sound: { name: "sound", letter: "S", colour: "#56b4e9", dash: [], key: "s" },
  shriveled: { name: "shriveled", letter: "W", colour: "#e69f00", dash: [7, 4], key: "w" },
  underripe: { name: "underripe", letter: "U", colour: "#009e73", dash: [0, 5], cap: "round", key: "u" },
  debris: { name: "debris", letter: "D", colour: "#cc79a7", double: true, dash: [], key: "d" },
  unassigned: { name: "unassigned", letter: "?", colour: "#f0e442", dash: [8, 4, 0.1, 4], cap: "round", key: "x" },
};

export const CLASSES = ["sound", "shriveled", "underripe", "debris"];
export const OUTCOMES = [...CLASSES, "unassigned"];

/** The look of a class as the server names it; null is unassigned. */
export const look = (name) => LOOKS[name ?? "unassigned"] ?? LOOKS.unassigned;

/** Outline style, letter and colour of a class in a small picture; its name stands beside it. */
export function sign(name) {
  const l = look(name);
  const ring = (rx, ry, width, extra = {}) =>
    s("ellipse", { cx: 17, cy: 12, rx, ry, fill: "none", stroke: l.colour, "stroke-width": width, ...extra });
  let rings;
  if (l.double) rings = [ring(15.6, 11, 1.3), ring(12.4, 8, 1.3)];
  else if (l.cap === "round" && l.dash[0] === 0) rings = [ring(14, 9.5, 3.4, { "stroke-dasharray": "0 5.7", "stroke-linecap": "round" })];
  else rings = [ring(14, 9.5, 2.6, l.dash.length ? { "stroke-dasharray": l.dash.join(" ") } : {})];
  return s(
    "svg",
    { class: "sign", width: 34, height: 24, viewBox: "0 0 34 24", "aria-hidden": "true" },
    s("rect", { width: 34, height: 24, rx: 3, fill: "#1b1c20" }),
    rings,
    s("text", { x: 17, y: 16.5, "text-anchor": "middle", "font-size": 12.5, "font-weight": 700, fill: "#fff" }, l.letter),
  );
}

/** Sign and name together. */
export const named = (name) => h("span", { class: "named" }, sign(name), look(name).name);
