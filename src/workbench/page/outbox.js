// Photographs on their way to the server. A file stays in the browser's own store until the server
// has worked on it: a reload, a closed lid or a lost network loses nothing.

import { ApiError, hear, query } from "./api.js";

const STORE = "photographs";
const ENDED_WELL = ["recorded", "known", "refused"];
let opening = null;
const items = new Map();
const watchers = new Set();
let sending = false;
let timer = 0;

function database() {
  opening ??= new Promise((resolve, reject) => {
    const request = indexedDB.open("acinus", 1);
    request.onupgradeneeded = () => request.result.createObjectStore(STORE, { keyPath: "id" });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  return opening;
}

async function change(action) {
  const db = await database();
  return new Promise((resolve, reject) => {
    const transaction = db.transaction(STORE, "readwrite");
    const request = action(transaction.objectStore(STORE));
    transaction.oncomplete = () => resolve(request?.result);
    transaction.onerror = transaction.onabort = () => reject(transaction.error);
  });
}

const tell = () => {
  for (const watcher of [...watchers]) watcher();
};

export const all = () => [...items.values()].sort((a, b) => a.added - b.added || (a.id < b.id ? -1 : 1));
/** The file of a job: by its hash too, for the server counts its jobs anew when it starts. */
export const ofJob = (job) => all().find((item) => item.job === job.job && (!item.sha256 || item.sha256 === job.sha256));
export function watch(watcher) {
  watchers.add(watcher);
  return () => watchers.delete(watcher);
}
/** Photographs that the server has not taken yet. */
export const waiting = () => all().filter((item) => item.state !== "sent").length;

async function keep(item) {
  items.set(item.id, item);
  const { progress, ...lasting } = item;
  try {
    await change((store) => store.put(lasting));
    item.unkept = false;
  } catch {
    // A full or forbidden store: the file still waits in this window, and the list says so.
    item.unkept = true;
  }
  tell();
}

export async function drop(id) {
  items.delete(id);
  await change((store) => store.delete(id)).catch(() => {});
  tell();
}

/** Takes files for a load. `about`: what is known beside the slip. */
export async function add(files, about) {
  for (const file of files) {
    await keep({ id: crypto.randomUUID?.() ?? `${Date.now()}-${Math.random()}`, name: file.name, file, about, added: Date.now(), state: "waiting", error: null, job: null });
  }
  pump();
}

/** Sends an item once more, with more known about it. */
export async function again(id, more = {}) {
  const item = items.get(id);
  if (!item) return false;
  await keep({ ...item, about: { ...item.about, ...more }, state: "waiting", error: null, job: null });
  pump();
  return true;
}

function upload(item) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", `/api/photos${query({ name: item.name, ...item.about })}`);
    request.setRequestHeader("X-Acinus", "1");
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.responseType = "text";
    request.upload.onprogress = (event) => {
      item.progress = event.lengthComputable ? event.loaded / event.total : null;
      tell();
    };
    request.onload = () => {
      let body = null;
      try {
        body = JSON.parse(request.responseText);
      } catch {
        body = null;
      }
      if (request.status >= 200 && request.status < 300 && body) resolve(body);
      else reject(new ApiError(request.status, body, request.getResponseHeader("Retry-After")));
    };
    request.onerror = request.onabort = request.ontimeout = () => reject(new ApiError(0));
    request.send(item.file);
  });
}

/** Sends what waits, one after another. */
async function pump() {
  if (sending) return;
  sending = true;
  clearTimeout(timer);
  try {
    for (;;) {
      const item = all().find((i) => i.state === "waiting");
      if (!item) break;
      item.state = "sending";
      item.progress = 0;
      tell();
      try {
        const answer = await upload(item);
        await keep({ ...item, state: "sent", job: answer.job, sha256: answer.sha256, error: null });
      } catch (error) {
        const passing = [0, 408, 503].includes(error.status);
        await keep({ ...item, state: passing ? "waiting" : "failed", error: { message: error.message, todo: error.todo } });
        if (passing) {
          timer = setTimeout(pump, error.retryAfter ? 1000 * error.retryAfter : 4000);
          break;
        }
      }
    }
  } finally {
    sending = false;
    tell();
  }
}

/** Takes over what an earlier page left in the store. */
async function adopt() {
  try {
    const db = await database();
    const kept = await new Promise((resolve, reject) => {
      const request = db.transaction(STORE).objectStore(STORE).getAll();
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
    for (const item of kept) if (!items.has(item.id)) items.set(item.id, { ...item, state: item.state === "sending" ? "waiting" : item.state });
  } catch {
    // Without a store the page still works; files then wait in memory only.
  }
  tell();
  pump();
}

/** Begins to send, and follows the server's work. */
export function start() {
  hear("job", settle);
  window.addEventListener("acinus-up", pump);
  window.addEventListener("beforeunload", (event) => {
    if (all().some((i) => i.unkept && i.state !== "sent")) event.preventDefault();
  });
  // Two windows must not send the same file: what was left is taken over by the one that holds the
  // lock, for as long as it is open. Away from this computer browsers know no locks.
  if (!navigator.locks) return adopt();
  navigator.locks.request("acinus-outbox", () => {
    adopt();
    return new Promise(() => {});
  });
  return undefined;
}

/** Forgets a file whose photograph the server has dealt with. */
export function settle(job) {
  const item = ofJob(job);
  if (item && ENDED_WELL.includes(job.state)) drop(item.id);
}
