// All loads: find one, see what is still to do, begin a new one.

import { get, hear, query } from "./api.js";
import { errorBox, h, put } from "./dom.js";
import { plural, when } from "./format.js";
import { useKeys } from "./keys.js";

const VERDICT = { accept: ["good", "accepted"], refuse: ["bad", "refused"], undecided: ["warn", "undecided"] };

/** An outcome as a chip; an advisory one decides nothing yet, and says so. */
export const verdictChip = (outcome, advisory = false) => {
  const [kind, words] = VERDICT[outcome] ?? ["", outcome];
  return h("span", { class: `chip ${advisory ? "warn" : kind}` }, advisory ? `${words}, advisory` : words);
};

function line(load) {
  const missing = Math.max(0, load.planned - load.planned_in);
  return h(
    "a",
    { class: "load-line", href: `#/load/${encodeURIComponent(load.load)}` },
    h("span", {}, h("b", {}, load.load), h("span", { class: "soft" }, [load.grower, load.variety].filter(Boolean).join(", "))),
    h(
      "span",
      {},
      load.planned ? `${load.planned_in} of ${plural(load.planned, "planned tray")} in` : plural(load.trays, "tray"),
      h("span", { class: "soft" }, `${plural(load.objects, "object")}${load.refused ? `, ${plural(load.refused, "photograph")} refused` : ""}`),
    ),
    h(
      "span",
      { class: "end" },
      load.outcome && verdictChip(load.outcome),
      load.closed ? h("span", { class: "chip" }, "closed") : missing ? h("span", { class: "chip warn" }, `${plural(missing, "tray")} to take`) : h("span", { class: "chip" }, "open"),
      h("small", { class: "soft" }, when(load.opened)),
    ),
  );
}

export async function show(main) {
  const list = h("div", { class: "loads", id: "loads" });
  const search = h("input", { type: "search", id: "search", placeholder: "Load, grower or variety", autocomplete: "off" });
  let asked = 0;
  async function fill() {
    const mine = ++asked;
    try {
      const { loads } = await get(`/api/loads${query({ search: search.value.trim() })}`);
      if (mine !== asked) return;
      put(
        list,
        loads.length
          ? loads.map(line)
          : h("p", { class: "empty card" }, search.value ? "No load is called that." : "No loads yet. The first one begins with the button above."),
      );
    } catch (error) {
      if (mine === asked) put(list, errorBox(error, fill));
    }
  }
  let timer = 0;
  search.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(fill, 180);
  });
  put(
    main,
    h("div", { class: "head" }, h("h1", {}, "Loads"), h("a", { class: "button main", href: "#/new", id: "new-load" }, "New load")),
    h("div", { class: "field" }, h("label", { for: "search" }, "Find a load"), search),
    list,
  );
  await fill();
  const stops = [hear("ledger", fill), hear("hello", fill)];
  useKeys([
    ["/", "Find a load", () => search.focus()],
    ["n", "New load", () => (location.hash = "#/new")],
    ["?", "Help", () => (location.hash = "#/help")],
  ]);
  return { title: "Loads", close: () => stops.forEach((stop) => stop()) };
}
