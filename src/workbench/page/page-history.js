// Everything that was said about a load, newest first.

import { get, hear, loadPath } from "./api.js";
import { h, put } from "./dom.js";
import { when } from "./format.js";
import { fetchLoad, frame } from "./load-frame.js";
import { useKeys } from "./keys.js";

export async function show(main, name) {
  const load = await fetchLoad(name);
  const body = frame(main, load, "/history");
  const rows = h("tbody", {});
  async function fill() {
    const { entries } = await get(`${loadPath(name)}/history`);
    put(
      rows,
      entries.map((e) =>
        h(
          "tr",
          {},
          h("td", {}, String(e.entry)),
          h("td", { class: "words" }, when(e.at)),
          h("td", { class: "words" }, e.who),
          h("td", { class: "words" }, e.words, e.why && h("small", {}, e.why)),
        ),
      ),
    );
  }
  await fill();
  put(
    body,
    h(
      "section",
      { class: "card" },
      h("h2", {}, "Who said what, and when"),
      h("p", { class: "soft" }, "Nothing is ever erased: a correction stands beside what it corrects."),
      h("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "History" }, h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "entry"), ["when", "who", "what"].map((w) => h("th", { scope: "col", class: "words" }, w)))), rows)),
      h("p", { class: "mono" }, `head ${load.head}`),
    ),
  );
  const stops = [hear("ledger", (e) => e.changes.some((c) => c.load === name) && fill().catch(() => {}))];
  useKeys([["?", "Help", () => (location.hash = "#/help")]]);
  return { title: `${name}: history`, close: () => stops.forEach((stop) => stop()) };
}
