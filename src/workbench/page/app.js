// The frame around every page: places, name, light or dark, and what the address says is shown.

import { about, hear, loadAbout, openEvents, setWho, whoNow } from "./api.js";
import { announce, askWords, button, errorBox, h, put, toast } from "./dom.js";
import { plural } from "./format.js";
import { useKeys } from "./keys.js";
import * as outbox from "./outbox.js";

const PAGES = [
  [/^\/$/, () => import("./page-loads.js")],
  [/^\/new$/, () => import("./page-new.js")],
  [/^\/load\/([^/]+)$/, () => import("./page-load.js")],
  [/^\/load\/([^/]+)\/parties$/, () => import("./page-parties.js")],
  [/^\/load\/([^/]+)\/streams$/, () => import("./page-streams.js")],
  [/^\/load\/([^/]+)\/what-if$/, () => import("./page-whatif.js")],
  [/^\/load\/([^/]+)\/history$/, () => import("./page-history.js")],
  [/^\/tray\/(\d+)$/, () => import("./page-tray.js")],
  [/^\/tray\/(\d+)\/sheet$/, () => import("./page-sheet.js")],
  [/^\/review\/(\d+)\/(grower|winery)$/, () => import("./page-judge.js")],
  [/^\/teach$/, () => import("./page-teach.js")],
  [/^\/help$/, () => import("./page-help.js")],
];

const main = document.getElementById("page");
let shown = null;
let turn = 0;

// Light and dark.

const THEME = "acinus.theme";
const dark = matchMedia("(prefers-color-scheme: dark)");
function paint() {
  const chosen = localStorage.getItem(THEME);
  const isDark = chosen ? chosen === "dark" : dark.matches;
  document.documentElement.classList.toggle("dark", isDark);
  return isDark;
}
dark.addEventListener("change", () => bar());
paint();

function bar() {
  const here = decodeURIComponent(location.hash.slice(1) || "/");
  const place = here.startsWith("/teach") ? "teach" : here.startsWith("/help") ? "help" : "loads";
  put(
    document.getElementById("places"),
    [
      ["loads", "#/", "Loads"],
      ["teach", "#/teach", "Teach"],
      ["help", "#/help", "Help"],
    ].map(([name, href, words]) => h("a", { href, "aria-current": place === name ? "page" : null }, words)),
  );
  if (about.now) document.querySelector(".foot").textContent = about.now.notice;
  const waiting = outbox.waiting();
  const isDark = paint();
  put(
    document.getElementById("bar-end"),
    waiting > 0 && h("span", { class: "chip warn", id: "to-send" }, `${plural(waiting, "photograph")} to send`),
    button(whoNow() ? `You: ${whoNow()}` : "Who are you?", changeName, { id: "who" }),
    button(isDark ? "Light" : "Dark", () => {
      localStorage.setItem(THEME, isDark ? "light" : "dark");
      bar();
    }, { id: "theme", "aria-label": isDark ? "Switch to light" : "Switch to dark" }),
  );
}

async function changeName() {
  const name = await askWords("Who are you?", "Your name", {
    hint: "It is written beside everything you change, and the other party can read it.",
    go: "This is me",
    start: whoNow() ?? "",
  });
  if (name) setWho(name);
}

async function go() {
  const mine = ++turn;
  const path = location.hash.slice(1) || "/";
  const [pattern, open] = PAGES.find(([p]) => p.test(path)) ?? PAGES[0];
  const params = (pattern.exec(path) ?? []).slice(1).map(decodeURIComponent);
  try {
    const page = await open();
    if (mine !== turn) return;
    shown?.close?.();
    shown = null;
    useKeys([]);
    main.className = "";
    put(main, h("p", { class: "empty" }, "One moment …"));
    const next = await page.show(main, ...params);
    if (mine !== turn) {
      next?.close?.();
      return;
    }
    shown = next ?? {};
    document.title = `${shown.title ?? "Acinus"} – Acinus workbench`;
    announce(shown.title ?? "");
  } catch (error) {
    if (mine !== turn) return;
    shown = null;
    main.className = "";
    put(main, h("h1", {}, "This could not be shown"), errorBox(error, go), h("p", {}, h("a", { href: "#/", class: "button" }, "To the loads")));
  }
  bar();
  window.scrollTo(0, 0);
}

window.addEventListener("hashchange", go);
window.addEventListener("acinus-who", bar);
document.getElementById("skip").addEventListener("click", (event) => {
  event.preventDefault();
  main.focus();
});
// A file dropped beside the field must not replace the page.
for (const kind of ["dragover", "drop"]) window.addEventListener(kind, (event) => event.preventDefault());
window.addEventListener("unhandledrejection", (event) => {
  if (event.reason?.name === "ApiError" || event.reason?.status !== undefined) toast(`${event.reason.message}. ${event.reason.todo ?? ""}`, "bad");
});

outbox.watch(bar);
outbox.start();
loadAbout().then(bar, () => {});
openEvents();
// The program was started anew: what it is may have changed.
hear("hello", () => about.now || loadAbout().then(bar, () => {}));
go();
