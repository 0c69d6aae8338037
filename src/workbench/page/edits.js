// Changes of a tray on their way to the ledger, one after another. What is not through yet is kept in
// the browser, so that a reload or a lost network loses nothing.

import { post, who } from "./api.js";

const keyOf = (id) => `acinus.edits.${id}`;

export class Edits {
  /** `on`: `{ applied(answer, body), waiting(error), moved(error, bodies), refused(error, body) }`. */
  constructor(id, entry, on) {
    this.id = id;
    this.entry = entry;
    this.on = on;
    this.busy = false;
    this.held = JSON.parse(localStorage.getItem(keyOf(id)) ?? "[]");
    this.queue = [];
    this.up = () => this.run();
    window.addEventListener("acinus-up", this.up);
  }

  close() {
    window.removeEventListener("acinus-up", this.up);
    clearTimeout(this.timer);
  }

  save() {
    const all = [...this.held, ...this.queue];
    if (all.length) localStorage.setItem(keyOf(this.id), JSON.stringify(all));
    else localStorage.removeItem(keyOf(this.id));
  }

  get pending() {
    return this.queue.length;
  }

  push(body) {
    this.queue.push(body);
    this.save();
    return this.run();
  }

  /** Sends what was held back (an earlier page, or a tray that moved on). */
  release() {
    this.queue.push(...this.held);
    this.held = [];
    this.save();
    return this.run();
  }

  drop() {
    this.held = [];
    this.save();
  }

  async run() {
    if (this.busy) return;
    this.busy = true;
    clearTimeout(this.timer);
    try {
      while (this.queue.length) {
        const name = await who();
        if (!name) {
          this.held.push(...this.queue.splice(0));
          this.save();
          this.on.refused(new Error("Nothing was changed: nobody said who they are."), null);
          return;
        }
        const body = this.queue[0];
        let answer;
        try {
          answer = await post(`/api/trays/${this.id}/edit`, { ...body, who: name, seen: this.entry });
        } catch (error) {
          if (error.status === 0 || error.status === 503) {
            this.timer = setTimeout(() => this.run(), error.retryAfter ? 1000 * error.retryAfter : 4000);
            this.on.waiting(error);
            return;
          }
          if (error.status === 409 && error.changes) {
            this.held.push(...this.queue.splice(0));
            this.save();
            this.on.moved(error, this.held);
            return;
          }
          this.queue.shift();
          this.save();
          this.on.refused(error, body);
          continue;
        }
        this.queue.shift();
        this.save();
        this.entry = answer.entry;
        this.on.applied(answer, body);
      }
    } finally {
      this.busy = false;
    }
  }
}

/** A change in words. */
export function editWords(body) {
  const many = (list) => (list.length === 1 ? `object ${list[0]}` : `${list.length} objects`);
  switch (body.action) {
    case "class":
      return `${many(body.objects)} → ${body.class}`;
    case "tags":
      return `tags of object ${body.object}: ${body.tags.join(", ") || "none"}`;
    case "split":
      return `cut object ${body.object}`;
    case "merge":
      return `join objects ${body.objects.join(" and ")}`;
    case "draw":
      return "a drawn object";
    case "remove":
      return `remove ${many(body.objects)}`;
    default:
      return body.action;
  }
}
