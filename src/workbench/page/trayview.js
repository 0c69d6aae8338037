// The photograph with its outlines on a canvas: pan, zoom, pick, and lines drawn by hand.
// All places are in photograph pixels, the first pixel's centre at (0, 0), as everywhere in Acinus.

import { OUTCOMES, look } from "./look.js";

const CASING = "rgba(16,15,20,.8)";
const REST_MS = 130;
/** The layer's rim on each side, as a part of the window. */
const RIM = 0.25;
const calm = () => matchMedia("(prefers-reduced-motion: reduce)").matches;

/** The outline of an object as a path, made once. */
function pathOf(rings) {
  const path = new Path2D();
  for (const ring of rings) {
    ring.forEach(([x, y], i) => (i ? path.lineTo(x, y) : path.moveTo(x, y)));
    path.closePath();
  }
  return path;
}

function boxOf(rings) {
  const box = { left: Infinity, top: Infinity, right: -Infinity, bottom: -Infinity };
  for (const [x, y] of rings.flat()) {
    box.left = Math.min(box.left, x);
    box.right = Math.max(box.right, x);
    box.top = Math.min(box.top, y);
    box.bottom = Math.max(box.bottom, y);
  }
  return box;
}

export class TrayView {
  /** `on`: `{ hover(id, at), pick(id), line(points), polygon(points) }`. */
  constructor(canvas, size, on = {}) {
    this.canvas = canvas;
    this.context = canvas.getContext("2d", { alpha: false });
    this.size = size;
    this.on = on;
    this.levels = [];
    this.shapes = new Map();
    this.mode = "look";
    this.selected = new Set();
    this.hovered = null;
    this.ringed = null;
    this.dimmed = null;
    this.outlines = true;
    this.drawn = [];
    this.view = { scale: 0, x: 0, y: 0 };
    this.pointers = new Map();
    this.waiting = 0;
    this.frames = [];
    // Outlines are drawn into a layer of their own with a rim around the window; while the photograph
    // moves the layer moves with it, and is drawn anew when it rests or no longer covers the window.
    this.layer = document.createElement("canvas");
    this.layerView = null;
    this.movedAt = -Infinity;
    this.listen();
    this.watch = new ResizeObserver(() => this.resize());
    this.watch.observe(canvas);
    this.resize();
  }

  close() {
    this.watch.disconnect();
    cancelAnimationFrame(this.waiting);
    cancelAnimationFrame(this.gliding);
    clearTimeout(this.resting);
    for (const level of this.levels) level.bitmap.close?.();
    this.levels = [];
  }

  /** Adds a size of the photograph; the best one for the zoom is drawn. */
  addLevel(bitmap) {
    this.levels.push({ bitmap, width: bitmap.width });
    this.levels.sort((a, b) => a.width - b.width);
    this.redraw();
  }

  /** Takes the objects; paths of those that did not change are kept. */
  setObjects(objects) {
    const before = this.shapes;
    this.shapes = new Map();
    for (const o of objects) {
      const old = before.get(o.object);
      const key = o.rings;
      const shape = old && old.key === key ? old : { key, path: pathOf(o.rings), box: boxOf(o.rings) };
      shape.class = o.class;
      shape.object = o.object;
      shape.tagged = o.tagged;
      this.shapes.set(o.object, shape);
    }
    if (this.hovered !== null && !this.shapes.has(this.hovered)) this.hovered = null;
    this.layerView = null;
    this.redraw();
  }

  select(ids) {
    this.selected = new Set(ids);
    this.redraw();
  }

  /** `look`, `cut`, `draw` or `join`. */
  setMode(mode) {
    this.mode = mode;
    this.drawn = [];
    this.blade = null;
    this.canvas.dataset.mode = mode;
    this.redraw();
  }

  /** A line across an object that keys can turn, for those who draw none. */
  setBlade(id) {
    const box = this.shapes.get(id)?.box;
    this.blade = box ? { x: (box.left + box.right) / 2, y: (box.top + box.bottom) / 2, half: Math.hypot(box.right - box.left, box.bottom - box.top) * 0.6, angle: Math.PI / 2 } : null;
    this.redraw();
  }

  turnBlade(steps) {
    if (!this.blade) return;
    this.blade.angle += (steps * Math.PI) / 12;
    this.redraw();
  }

  /** The ends of the line, in photograph pixels. */
  bladeLine() {
    const { x, y, half, angle } = this.blade;
    const [dx, dy] = [half * Math.cos(angle), half * Math.sin(angle)];
    return [[x - dx, y - dy], [x, y], [x + dx, y + dy]];
  }

  setRinged(ids) {
    this.ringed = ids && new Set(ids);
    this.redraw();
  }

  setOutlines(shown) {
    this.outlines = shown;
    this.redraw();
  }

  resize() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    if (!w || !h) return;
    this.dpr = Math.min(2, window.devicePixelRatio || 1);
    const first = !this.view.scale;
    const middle = first ? null : this.toPhoto(this.width / 2, this.height / 2);
    this.width = w;
    this.height = h;
    this.canvas.width = Math.round(w * this.dpr);
    this.canvas.height = Math.round(h * this.dpr);
    this.layerView = null;
    if (first) this.fit();
    else {
      this.view.x = w / 2 - middle.x * this.view.scale;
      this.view.y = h / 2 - middle.y * this.view.scale;
      this.hold();
    }
    this.redraw();
  }

  fitScale() {
    return Math.min(this.width / this.size.width, this.height / this.size.height);
  }

  fit() {
    const scale = this.fitScale();
    this.view = { scale, x: (this.width - this.size.width * scale) / 2, y: (this.height - this.size.height * scale) / 2 };
    this.redraw();
  }

  /** Keeps the photograph in the window. */
  hold() {
    const v = this.view;
    v.scale = Math.min(8, Math.max(this.fitScale(), v.scale));
    const clamp = (at, inside, outside) => (inside <= outside ? (outside - inside) / 2 : Math.min(0, Math.max(outside - inside, at)));
    v.x = clamp(v.x, this.size.width * v.scale, this.width);
    v.y = clamp(v.y, this.size.height * v.scale, this.height);
  }

  zoom(factor, cx = this.width / 2, cy = this.height / 2) {
    cancelAnimationFrame(this.gliding);
    const at = this.toPhoto(cx, cy);
    this.view.scale = Math.min(8, Math.max(this.fitScale(), this.view.scale * factor));
    this.view.x = cx - at.x * this.view.scale;
    this.view.y = cy - at.y * this.view.scale;
    this.move();
  }

  pan(dx, dy) {
    cancelAnimationFrame(this.gliding);
    this.view.x += dx;
    this.view.y += dy;
    this.move();
  }

  /** After a change of the view: drawn at once, and sharp again when it rests. */
  move() {
    this.hold();
    this.movedAt = performance.now();
    clearTimeout(this.resting);
    this.resting = setTimeout(() => this.redraw(), REST_MS + 20);
    this.redraw();
  }

  /** Brings an object to the middle, near enough to be seen well. */
  show(id) {
    const shape = this.shapes.get(id);
    if (!shape) return;
    const { box } = shape;
    const wide = Math.max(box.right - box.left, box.bottom - box.top, 1);
    const scale = Math.min(4, Math.max(this.view.scale, Math.min(this.width, this.height) / (wide * 5)));
    const to = {
      scale,
      x: this.width / 2 - ((box.left + box.right) / 2) * scale,
      y: this.height / 2 - ((box.top + box.bottom) / 2) * scale,
    };
    this.glide(to);
  }

  glide(to) {
    cancelAnimationFrame(this.gliding);
    const from = { ...this.view };
    const start = performance.now();
    const long = calm() ? 0 : 200;
    const step = (now) => {
      const t = long ? Math.min(1, (now - start) / long) : 1;
      const e = 1 - (1 - t) ** 3;
      const scale = from.scale * (to.scale / from.scale) ** e;
      // The photograph's middle moves in a line, whatever the zoom does.
      const mid = (v, size) => (size / 2 - v) ;
      const fx = mid(from.x, this.width) / from.scale;
      const fy = mid(from.y, this.height) / from.scale;
      const tx = mid(to.x, this.width) / to.scale;
      const ty = mid(to.y, this.height) / to.scale;
      this.view = { scale, x: this.width / 2 - (fx + (tx - fx) * e) * scale, y: this.height / 2 - (fy + (ty - fy) * e) * scale };
      this.move();
      if (t < 1) this.gliding = requestAnimationFrame(step);
    };
    this.gliding = requestAnimationFrame(step);
  }

  toPhoto(x, y) {
    return { x: (x - this.view.x) / this.view.scale, y: (y - this.view.y) / this.view.scale };
  }

  /** Where a place of the photograph is on the canvas, in CSS pixels. */
  toScreen(x, y) {
    return { x: x * this.view.scale + this.view.x, y: y * this.view.scale + this.view.y };
  }

  /** The object at a place of the canvas; `slack` in CSS pixels helps fingers. */
  at(x, y, slack = 0) {
    const p = this.toPhoto(x, y);
    const reach = slack / this.view.scale;
    let near = null;
    let nearest = Infinity;
    this.context.save();
    this.context.setTransform(1, 0, 0, 1, 0, 0);
    for (const shape of this.shapes.values()) {
      const b = shape.box;
      if (p.x < b.left - reach || p.x > b.right + reach || p.y < b.top - reach || p.y > b.bottom + reach) continue;
      const inside = this.context.isPointInPath(shape.path, p.x, p.y);
      const away = Math.hypot(p.x - (b.left + b.right) / 2, p.y - (b.top + b.bottom) / 2) + (inside ? 0 : 1e6);
      if (away < nearest) {
        nearest = away;
        near = shape.object;
      }
    }
    this.context.restore();
    return near;
  }

  listen() {
    const { canvas } = this;
    const place = (event) => {
      const r = canvas.getBoundingClientRect();
      return { x: event.clientX - r.left, y: event.clientY - r.top };
    };
    canvas.addEventListener(
      "wheel",
      (event) => {
        event.preventDefault();
        const p = place(event);
        const lines = event.deltaMode === 1 ? 16 : 1;
        this.zoom(Math.exp(-event.deltaY * lines * (event.ctrlKey ? 0.01 : 0.0016)), p.x, p.y);
      },
      { passive: false },
    );
    canvas.addEventListener("pointerdown", (event) => {
      if (event.button > 1) return;
      canvas.setPointerCapture(event.pointerId);
      const p = place(event);
      this.pointers.set(event.pointerId, { ...p, startX: p.x, startY: p.y, moved: false, touch: event.pointerType !== "mouse" });
      cancelAnimationFrame(this.gliding);
      if (this.pointers.size === 2) this.drawn = [];
      else if (this.mode === "cut" || this.mode === "draw") this.drawn = [this.toPhoto(p.x, p.y)];
    });
    canvas.addEventListener("pointermove", (event) => {
      const p = place(event);
      const held = this.pointers.get(event.pointerId);
      if (!held) {
        this.hoverAt(p);
        return;
      }
      const dx = p.x - held.x;
      const dy = p.y - held.y;
      if (Math.hypot(p.x - held.startX, p.y - held.startY) > 6) held.moved = true;
      if (this.pointers.size === 2) {
        const other = [...this.pointers.entries()].find(([id]) => id !== event.pointerId)[1];
        const before = Math.hypot(held.x - other.x, held.y - other.y);
        const after = Math.hypot(p.x - other.x, p.y - other.y);
        held.moved = other.moved = true;
        this.view.x += dx / 2;
        this.view.y += dy / 2;
        if (before > 8) this.zoom(after / before, (p.x + other.x) / 2, (p.y + other.y) / 2);
      } else if (this.mode === "cut" || this.mode === "draw") {
        if (this.drawn.length) {
          for (const e of event.getCoalescedEvents?.() ?? [event]) {
            const q = place(e);
            const at = this.toPhoto(q.x, q.y);
            const last = this.drawn.at(-1);
            if (Math.hypot(at.x - last.x, at.y - last.y) * this.view.scale > 2) this.drawn.push(at);
          }
          this.redraw();
        }
      } else if (held.moved) this.pan(dx, dy);
      held.x = p.x;
      held.y = p.y;
    });
    const up = (event) => {
      const held = this.pointers.get(event.pointerId);
      if (!held) return;
      this.pointers.delete(event.pointerId);
      if (event.type === "pointercancel") {
        this.drawn = [];
        this.redraw();
        return;
      }
      if (this.mode === "cut" || this.mode === "draw") {
        const drawn = this.drawn;
        this.drawn = [];
        this.redraw();
        if (drawn.length > 1 && held.moved) (this.mode === "cut" ? this.on.line : this.on.polygon)?.(drawn.map((q) => [q.x, q.y]));
      } else if (!held.moved && this.pointers.size === 0) {
        this.on.pick?.(this.at(held.x, held.y, held.touch ? 14 : 2), event);
      }
    };
    canvas.addEventListener("pointerup", up);
    canvas.addEventListener("pointercancel", up);
    canvas.addEventListener("pointerleave", () => this.setHover(null));
    canvas.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const step = event.shiftKey ? 200 : 60;
      const moves = { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] };
      if (moves[event.key]) {
        event.preventDefault();
        if (this.blade && moves[event.key][0]) this.turnBlade(event.key === "ArrowRight" ? 1 : -1);
        else this.pan(...moves[event.key]);
      }
    });
  }

  hoverAt(p) {
    this.hoverPlace = p;
    // One search a frame is enough, however many events a mouse sends.
    if (this.hoverWaiting) return;
    this.hoverWaiting = requestAnimationFrame(() => {
      this.hoverWaiting = 0;
      this.setHover(this.at(this.hoverPlace.x, this.hoverPlace.y));
    });
  }

  setHover(id) {
    if (id === this.hovered) return;
    this.hovered = id;
    this.redraw();
    this.on.hover?.(id);
  }

  redraw() {
    this.waiting ||= requestAnimationFrame((now) => {
      this.waiting = 0;
      this.draw(now);
    });
  }

  draw(now) {
    const begun = performance.now();
    const { context: c, view: v, dpr } = this;
    if (!this.width || !v.scale) return;
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.fillStyle = "#101014";
    c.fillRect(0, 0, this.canvas.width, this.canvas.height);
    const wanted = this.size.width * v.scale * dpr;
    const level = this.levels.find((l) => l.width >= wanted * 0.95) ?? this.levels.at(-1);
    if (level) this.drawPhoto(level);
    if (this.outlines) this.drawLayer();
    c.setTransform(v.scale * dpr, 0, 0, v.scale * dpr, v.x * dpr, v.y * dpr);
    this.drawSpecial();
    this.drawLetters();
    this.drawLine();
    this.frames.push({ at: now, cost: performance.now() - begun });
    if (this.frames.length > 240) this.frames.shift();
  }

  drawPhoto(level) {
    const { context: c, view: v, dpr, size } = this;
    const k = level.bitmap.width / size.width;
    // Only the part in sight, so that a deep zoom costs no more than a shallow one. Pixel centres
    // are whole numbers: the picture starts half a pixel before 0.
    const left = Math.max(0, -v.x / v.scale);
    const top = Math.max(0, -v.y / v.scale);
    const right = Math.min(size.width, (this.width - v.x) / v.scale);
    const bottom = Math.min(size.height, (this.height - v.y) / v.scale);
    if (right <= left || bottom <= top) return;
    c.setTransform(dpr, 0, 0, dpr, 0, 0);
    c.imageSmoothingEnabled = v.scale < 3;
    const x = left * v.scale + v.x - 0.5 * v.scale;
    const y = top * v.scale + v.y - 0.5 * v.scale;
    c.drawImage(level.bitmap, left * k, top * k, (right - left) * k, (bottom - top) * k, x, y, (right - left) * v.scale, (bottom - top) * v.scale);
  }

  /** Objects in sight; `rim` in CSS pixels beyond the window. */
  *visible(rim = 0) {
    const a = this.toPhoto(-rim, -rim);
    const b = this.toPhoto(this.width + rim, this.height + rim);
    for (const shape of this.shapes.values()) {
      const box = shape.box;
      if (box.right >= a.x && box.left <= b.x && box.bottom >= a.y && box.top <= b.y) yield shape;
    }
  }

  drawLayer() {
    const { context: c, view: v, dpr, layer } = this;
    const moving = performance.now() - this.movedAt < REST_MS;
    let place = this.layerPlace();
    const sharp = place && Math.abs(place.k - 1) < 1e-9;
    if (!place || !place.covers || (!sharp && !moving) || place.k > 1.7 || place.k < 0.6) {
      this.drawOutlines();
      place = this.layerPlace();
    }
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.imageSmoothingEnabled = true;
    if (place.k === 1) c.drawImage(layer, Math.round(place.x), Math.round(place.y));
    else c.drawImage(layer, place.x, place.y, layer.width * place.k, layer.height * place.k);
  }

  /** Where the layer lies on the canvas now, and whether it covers all of the photograph in sight. */
  layerPlace() {
    const { layerView: l, view: v, dpr, layer } = this;
    if (!l) return null;
    const k = v.scale / l.scale;
    const x = v.x * dpr - k * (l.rimX + l.x * dpr);
    const y = v.y * dpr - k * (l.rimY + l.y * dpr);
    const left = Math.max(0, v.x * dpr);
    const top = Math.max(0, v.y * dpr);
    const right = Math.min(this.canvas.width, (v.x + this.size.width * v.scale) * dpr);
    const bottom = Math.min(this.canvas.height, (v.y + this.size.height * v.scale) * dpr);
    const covers = x <= left + 1 && y <= top + 1 && x + layer.width * k >= right - 1 && y + layer.height * k >= bottom - 1;
    return { k, x, y, covers };
  }

  drawOutlines() {
    const { view: v, dpr, layer } = this;
    const rimX = Math.round(this.canvas.width * RIM);
    const rimY = Math.round(this.canvas.height * RIM);
    layer.width = this.canvas.width + 2 * rimX;
    layer.height = this.canvas.height + 2 * rimY;
    this.layerView = { ...v, rimX, rimY };
    const c = layer.getContext("2d");
    c.setTransform(v.scale * dpr, 0, 0, v.scale * dpr, v.x * dpr + rimX, v.y * dpr + rimY);
    const px = 1 / v.scale;
    const shapes = [...this.visible(Math.max(rimX, rimY) / dpr)];
    c.lineJoin = "round";
    c.strokeStyle = CASING;
    c.lineWidth = 4.2 * px;
    for (const shape of shapes) c.stroke(shape.path);
    for (const name of OUTCOMES) {
      const group = shapes.filter((shape) => (shape.class ?? "unassigned") === name);
      const l = look(name);
      c.strokeStyle = l.colour;
      c.lineCap = l.cap ?? "butt";
      c.setLineDash(l.dash.map((d) => d * px));
      c.lineWidth = (l.double ? 4 : 2.2) * px;
      for (const shape of group) c.stroke(shape.path);
      if (l.double) {
        c.strokeStyle = CASING;
        c.lineWidth = 1.4 * px;
        for (const shape of group) c.stroke(shape.path);
      }
    }
  }

  drawSpecial() {
    const { context: c, view: v } = this;
    const px = 1 / v.scale;
    const ring = (shape, colour, width) => {
      c.strokeStyle = "#000";
      c.lineWidth = (width + 3) * px;
      c.stroke(shape.path);
      c.strokeStyle = colour;
      c.lineWidth = width * px;
      c.stroke(shape.path);
    };
    if (this.ringed) {
      for (const shape of this.visible()) {
        if (!this.ringed.has(shape.object)) continue;
        const { box } = shape;
        const r = Math.max(box.right - box.left, box.bottom - box.top) / 2 + 5 * px;
        c.beginPath();
        c.arc((box.left + box.right) / 2, (box.top + box.bottom) / 2, r, 0, 7);
        c.strokeStyle = "#000";
        c.lineWidth = 7 * px;
        c.stroke();
        c.strokeStyle = "#fff";
        c.lineWidth = 3.5 * px;
        c.stroke();
      }
    }
    const hovered = this.shapes.get(this.hovered);
    if (hovered && !this.selected.has(hovered.object)) ring(hovered, "#fff", 2.5);
    for (const id of this.selected) {
      const shape = this.shapes.get(id);
      if (shape) ring(shape, "#fff", 5);
    }
  }

  drawLetters() {
    const { context: c, view: v, dpr } = this;
    if (!this.outlines) return;
    c.setTransform(dpr, 0, 0, dpr, 0, 0);
    c.font = "700 14px system-ui, sans-serif";
    c.textAlign = "center";
    c.textBaseline = "middle";
    for (const shape of this.visible()) {
      const { box } = shape;
      // Letters only where they leave the object to be seen.
      if ((box.right - box.left) * v.scale < 30 || (shape.class === "sound" && !this.selected.has(shape.object))) continue;
      const p = this.toScreen((box.left + box.right) / 2, (box.top + box.bottom) / 2);
      const letter = look(shape.class).letter;
      c.lineWidth = 3;
      c.strokeStyle = "#000";
      c.strokeText(letter, p.x, p.y);
      c.fillStyle = "#fff";
      c.fillText(letter, p.x, p.y);
    }
  }

  drawLine() {
    const line = this.drawn.length > 1 ? this.drawn : this.blade ? this.bladeLine().map(([x, y]) => ({ x, y })) : null;
    if (!line) return;
    const { context: c, view: v, dpr } = this;
    c.setTransform(v.scale * dpr, 0, 0, v.scale * dpr, v.x * dpr, v.y * dpr);
    c.beginPath();
    line.forEach((p, i) => (i ? c.lineTo(p.x, p.y) : c.moveTo(p.x, p.y)));
    if (this.mode === "draw") c.closePath();
    for (const [colour, width] of [["#000", 5], ["#fff", 2.5]]) {
      c.strokeStyle = colour;
      c.lineWidth = width / v.scale;
      c.stroke();
    }
  }
}
