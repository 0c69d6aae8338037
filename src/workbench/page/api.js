// Speaks to the server: docs/workbench-api.md.

import { askWords, announce } from "./dom.js";
import { plural, when } from "./format.js";

/** What the server refused, in its own words. `status` 0: it did not answer. */
export class ApiError extends Error {
  constructor(status, body, retryAfter) {
    super(body?.error || (status ? `the program answered ${status}` : "the program does not answer"));
    this.status = status;
    this.todo = body?.todo ?? (status ? "" : "Is it still running, and is this device still on its network? What you entered is kept here.");
    this.entry = body?.entry;
    this.changes = body?.changes;
    this.now = body?.now;
    this.retryAfter = Number(retryAfter) || 0;
  }
}

export async function call(method, path, body, headers = {}) {
  const all = { Accept: "application/json", ...headers };
  if (method !== "GET") all["X-Acinus"] = "1";
  if (body !== undefined && !(body instanceof Blob)) {
    all["Content-Type"] = "application/json";
    body = JSON.stringify(body);
  }
  let answer;
  try {
    answer = await fetch(path, { method, body, headers: all, cache: "no-store" });
  } catch {
    tellLink(false);
    throw new ApiError(0);
  }
  tellLink(true);
  const text = await answer.text();
  let json = null;
  try {
    json = text ? JSON.parse(text) : null;
  } catch {
    if (answer.ok) throw new ApiError(answer.status, { error: "the answer is not readable", todo: "Load the page again." });
  }
  if (!answer.ok) throw new ApiError(answer.status, json, answer.headers.get("Retry-After"));
  return json;
}

/** Asks for a file and saves it under the name that the server gives. */
export async function save(path, body) {
  let answer;
  try {
    answer = await fetch(path, { method: "POST", body: JSON.stringify(body), headers: { "X-Acinus": "1", "Content-Type": "application/json" }, cache: "no-store" });
  } catch {
    tellLink(false);
    throw new ApiError(0);
  }
  tellLink(true);
  if (!answer.ok) throw new ApiError(answer.status, await answer.json().catch(() => null), answer.headers.get("Retry-After"));
  const name = /filename="([^"]+)"/.exec(answer.headers.get("Content-Disposition") ?? "")?.[1] ?? "acinus.pdf";
  const url = URL.createObjectURL(await answer.blob());
  const link = document.createElement("a");
  link.href = url;
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(url), 60_000);
  return name;
}

export const get = (path, headers) => call("GET", path, undefined, headers);
export const post = (path, body, headers) => call("POST", path, body, headers);
export const part = encodeURIComponent;
export const loadPath = (load) => `/api/loads/${part(load)}`;

/** A query string of what is given. */
export function query(values) {
  const q = new URLSearchParams();
  for (const [name, value] of Object.entries(values)) if (value !== undefined && value !== null && value !== "") q.set(name, value);
  const text = q.toString();
  return text && `?${text}`;
}

// Who works here. The name stands beside everything that is said to the ledger.

const NAME = "acinus.who";
let standing = null;

export const about = { now: null };
export async function loadAbout() {
  about.now = await get("/api/about");
  return about.now;
}

export const whoNow = () => localStorage.getItem(NAME) || about.now?.who || null;

export function setWho(name) {
  localStorage.setItem(NAME, name);
  window.dispatchEvent(new Event("acinus-who"));
}

/** The name, asked for when nobody has said it; undefined when given up. */
export function who() {
  const known = whoNow();
  if (known) return Promise.resolve(known);
  standing ??= askWords("Who are you?", "Your name", {
    hint: "It is written beside everything you change, and the other party can read it.",
    go: "This is me",
  }).finally(() => (standing = null));
  return standing.then((name) => {
    if (name) setWho(name);
    return name || undefined;
  });
}

// Events of the server. Whoever shows something listens here and fetches anew after `hello`.

const listeners = new Map();
let source = null;
let reopening = 0;
let linked = true;

function tellLink(up) {
  if (up === linked) return;
  linked = up;
  document.getElementById("offline").hidden = up;
  announce(up ? "The program answers again." : "The program does not answer.");
  window.dispatchEvent(new Event(up ? "acinus-up" : "acinus-down"));
}

export function hear(kind, listener) {
  if (!listeners.has(kind)) listeners.set(kind, new Set());
  listeners.get(kind).add(listener);
  return () => listeners.get(kind).delete(listener);
}

const KINDS = ["hello", "job", "ledger", "review", "seat", "teach"];
export function openEvents() {
  clearTimeout(reopening);
  source?.close();
  // A browser keeps few connections to one place: a page that nobody sees gives its own back, and
  // hears `hello` when it is looked at again.
  if (document.hidden) return;
  source = new EventSource("/api/events");
  for (const kind of KINDS) {
    source.addEventListener(kind, (event) => {
      tellLink(true);
      const data = JSON.parse(event.data);
      for (const listener of [...(listeners.get(kind) ?? [])]) listener(data);
    });
  }
  source.onerror = () => {
    tellLink(false);
    // The browser tries again by itself unless the answer was final.
    if (source.readyState === EventSource.CLOSED) reopening = setTimeout(openEvents, 3000);
  };
}
document.addEventListener("visibilitychange", openEvents);

/** A 409 in words: who changed what, and when. */
export function movedOn(error) {
  const changes = (error.changes ?? []).map((c) => `${c.who}, ${when(c.at)}: ${c.words}`);
  if (!changes.length) return error.message;
  return `Changed while you looked at it. ${changes.slice(0, 4).join("; ")}${changes.length > 4 ? `; and ${plural(changes.length - 4, "more change")}` : ""}`;
}
