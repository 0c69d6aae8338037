// The enlarged crop that the server cuts, with the object's outline laid over it: among berries that
// touch, it must be seen which one is meant.

import { h, s } from "./dom.js";

/** The square of photograph pixels that the server's crop shows: a third more than the object. */
export function squareOf([x, y, w, h]) {
  const side = Math.floor(Math.max(w, h) * 1.3 + 8);
  const from = (low, size) => Math.floor((2 * low + size) / 2) - Math.floor(side / 2);
  return { x: from(x, w), y: from(y, h), side };
}

/** `o`: an object with `tray_id`, `object`, `box` and the outline `o`. */
export function croppedObject(o, size, props = {}) {
  const img = h("img", { src: `/api/trays/${o.tray_id}/crop/${o.object}?size=${size}`, alt: `Object ${o.object} of tray ${o.tray}`, width: size, height: size, ...props });
  if (!o.box || !o.o) return h("div", { class: "cropped crop" }, img);
  const { x, y, side } = squareOf(o.box);
  const d = o.o.map((flat) => flat.reduce((path, v, i) => `${path}${i === 0 ? "M" : i % 2 ? " " : "L"}${v}`, "") + "Z").join("");
  const line = (colour, width) => s("path", { d, fill: "none", stroke: colour, "stroke-width": width, "stroke-linejoin": "round", "vector-effect": "non-scaling-stroke" });
  // A pixel's centre is a whole number, so the picture begins half a pixel before it.
  const over = s("svg", { viewBox: `${x - 0.5} ${y - 0.5} ${side} ${side}`, "aria-hidden": "true" }, line("#000", 4), line("#fff", 1.8));
  return h("div", { class: "cropped crop" }, img, over);
}
