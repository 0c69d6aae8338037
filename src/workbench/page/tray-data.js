// A tray as pages use it: objects by number, outlines as points, pictures as bitmaps.

import { ApiError, get } from "./api.js";

/** `[x, y, x, y, …]` as `[[x, y], …]`. */
function points(flat) {
  const list = [];
  for (let i = 0; i + 1 < flat.length; i += 2) list.push([flat[i], flat[i + 1]]);
  return list;
}

/** An object with `rings` for the canvas. */
export const withRings = (object) => ({ ...object, rings: object.o.map(points) });

export async function fetchTray(id) {
  const tray = await get(`/api/trays/${id}`);
  tray.byNumber = new Map(tray.objects.map((o) => [o.object, withRings(o)]));
  return tray;
}

/** A picture as a bitmap, decoded away from the page's own thread. */
export async function bitmapOf(url) {
  const answer = await fetch(url).catch(() => null);
  if (!answer?.ok) throw new ApiError(answer?.status ?? 0, await answer?.json().catch(() => null));
  return createImageBitmap(await answer.blob());
}

/** Loads the photograph in two sizes, the small one first; `take` gets each. */
export async function loadPicture(tray, take) {
  const [full] = tray.size_px;
  // Beyond this a bitmap costs a tablet more memory than it has.
  const most = 4200;
  const large = [...tray.widths].filter((w) => w <= most).pop() ?? tray.widths.at(-1);
  const small = tray.widths.find((w) => w >= Math.min(1200, large)) ?? large;
  take(await bitmapOf(`${tray.picture}?width=${small}`));
  if (large > small) take(await bitmapOf(large >= full ? tray.picture : `${tray.picture}?width=${large}`));
}

/** The enlarged crop of an object, drawn from the photograph that is here already. */
export function drawCrop(canvas, bitmap, size, object, { outline = null, margin = 0.35 } = {}) {
  const c = canvas.getContext("2d", { alpha: false });
  const side = canvas.width;
  c.fillStyle = "#101014";
  c.fillRect(0, 0, side, side);
  if (!bitmap) return;
  const [x, y, w, h] = object.box;
  const wide = Math.max(w, h) * (1 + margin) + 4;
  const k = bitmap.width / size[0];
  const left = x + w / 2 - wide / 2;
  const top = y + h / 2 - wide / 2;
  c.imageSmoothingQuality = "high";
  c.drawImage(bitmap, left * k, top * k, wide * k, wide * k, 0, 0, side, side);
  if (outline) {
    const scale = side / wide;
    c.setTransform(scale, 0, 0, scale, -left * scale, -top * scale);
    for (const [colour, width] of [["rgba(0,0,0,.75)", 3.5], [outline, 1.8]]) {
      c.strokeStyle = colour;
      c.lineWidth = width / scale;
      for (const ring of object.rings) {
        c.beginPath();
        ring.forEach(([px, py], i) => (i ? c.lineTo(px, py) : c.moveTo(px, py)));
        c.closePath();
        c.stroke();
      }
    }
    c.setTransform(1, 0, 0, 1, 0, 0);
  }
}

/** Below this the program's own word is worth a look (as classify::UNSURE_BELOW has it). */
export const UNSURE_BELOW = 0.7;

/** Least certain first: what nobody has looked at yet. */
export const queueOf = (objects) =>
  objects
    .filter((o) => !o.corrected)
    .sort((a, b) => (a.class === "unassigned" ? -1 : a.confidence) - (b.class === "unassigned" ? -1 : b.confidence) || a.object - b.object);
