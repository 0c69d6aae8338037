// Before and after the sorter: what was removed, what slipped through, what good fruit was lost.

import { get, hear, loadPath, query } from "./api.js";
import { compositionBars, flow, intervalChart } from "./charts.js";
import { choice, errorBox, field, h, put } from "./dom.js";
import { fixed, money, percent, range, share, whole } from "./format.js";
import { useKeys } from "./keys.js";
import { cautions, fetchLoad, frame, inOrder } from "./load-frame.js";
import { CLASSES, named } from "./look.js";

const sizeOf = (estimate) => `${share(estimate.estimate)}`;
const nameCell = (name) => h("th", { scope: "row" }, CLASSES.includes(name) ? named(name) : name);
const withRange = (e) => (e ? h("td", {}, sizeOf(e), h("small", {}, range(e.interval.low, e.interval.high, e.estimate))) : h("td", {}, "–"));

/** A value that may come with its interval. */
const plainValue = (v) => (v !== null && typeof v === "object" ? v.estimate : v);

function compositionCard(data) {
  const rows = data.streams.map((stream) => ({
    name: stream.stream,
    parts: stream.shares.filter((x) => CLASSES.includes(x.name)).map((x) => ({ class: x.name, share: x.reconciled?.estimate ?? x.raw ?? 0 })),
  }));
  return h(
    "section",
    { class: "card" },
    h("h2", {}, "What the streams are made of"),
    compositionBars(`Shares by mass: ${rows.map((r) => `${r.name} ${r.parts.map((p) => `${p.class} ${percent(p.share)} %`).join(", ")}`).join("; ")}`, rows),
    h("ul", { class: "key" }, CLASSES.map((name) => h("li", {}, named(name)))),
    h(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Shares of each stream" },
      h(
        "table",
        {},
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "by mass"), data.streams.map((st) => h("th", { scope: "col" }, `${st.stream} (${st.trays})`)))),
        h(
          "tbody",
          {},
          data.streams[0].shares.map((x, i) => h("tr", { class: x.name === "rejects" ? "sum" : "" }, nameCell(x.name), data.streams.map((st) => withRange(st.shares[i].reconciled ?? st.shares[i].own)))),
        ),
      ),
    ),
    h("p", { class: "soft" }, data.split ? "Reconciled: the three lots are brought into balance, each share as far as its own interval allows. In brackets: trays." : "As measured. In brackets: trays."),
  );
}

function splitCard(data) {
  const { split } = data;
  if (!split) return h("section", { class: "card" }, h("h2", {}, "Split"), h("p", { class: "caution" }, data.no_split ?? "There is no split."));
  const y = split.yield_by_mass;
  const sound = split.performance.find((p) => p.name === "sound");
  const rejects = split.performance.find((p) => p.name === "rejects");
  const rows = split.performance.filter((p) => p.removed);
  return h(
    "section",
    { class: "card", id: "split" },
    h("h2", {}, "What the sorter did"),
    h(
      "div",
      { class: "big" },
      h("div", {}, h("span", { class: "soft" }, "went on (yield by mass)"), h("b", {}, share(y.estimate)), h("span", { class: "soft" }, range(y.interval.low, y.interval.high, y.estimate))),
      rejects && h("div", {}, h("span", { class: "soft" }, "rejects removed"), h("b", {}, share(rejects.removed.estimate)), h("span", { class: "soft" }, range(rejects.removed.interval.low, rejects.removed.interval.high, rejects.removed.estimate))),
      sound && h("div", {}, h("span", { class: "soft" }, "sound fruit lost"), h("b", {}, share(sound.removed.estimate)), h("span", { class: "soft" }, range(sound.removed.interval.low, sound.removed.interval.high, sound.removed.estimate))),
    ),
    intervalChart({
      title: "Share of each class that was removed, with its interval",
      label: "removed, of the class's mass in the unsorted fruit",
      say: (v) => `${Math.round(100 * v)} %`,
      low: 0,
      high: 1,
      rows: rows.map((p) => ({ name: p.name, class: CLASSES.includes(p.name) ? p.name : undefined, estimate: p.removed.estimate, low: p.removed.interval.low, high: p.removed.interval.high })),
    }),
    h(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Removed and slipped through" },
      h(
        "table",
        {},
        h("thead", {}, h("tr", {}, ["class", "removed", "slipped through", "kg removed", "worth"].map((w) => h("th", { scope: "col" }, w)))),
        h(
          "tbody",
          {},
          split.performance.map((p) =>
            h("tr", { class: p.name === "rejects" ? "sum" : "" }, nameCell(p.name), withRange(p.removed), withRange(p.kept), h("td", {}, whole(plainValue(p.removed_kg))), h("td", {}, p.removed_value === null ? "–" : fixed(plainValue(p.removed_value), 2))),
          ),
        ),
      ),
    ),
    h("p", { class: "soft" }, "Sound fruit removed is a share of the unsorted lot's sound fruit: never the sound share of the waste."),
    split.consistency && h("p", { class: data.belong_together ? "fine" : "trouble" }, data.belong_together ? `The lots can belong together (p ${fixed(split.consistency.p, 2)}).` : `The lots hardly belong together (p ${fixed(split.consistency.p, 4)}); ${split.consistency.worst_class} disagrees most.`),
  );
}

function flowCard(data) {
  const { split } = data;
  const feed = data.streams.find((x) => x.stream === "unsorted");
  if (!split || !feed) return null;
  const total = feed.kg ? plainValue(feed.kg) : 1000;
  const parts = (pick) =>
    split.performance
      .filter((p) => CLASSES.includes(p.name))
      .map((p) => {
        const f = feed.shares.find((x) => x.name === p.name).reconciled?.estimate ?? 0;
        return { class: p.name, kg: Math.max(0, total * f * pick(p)) };
      });
  const words = (name, list) => `${name}: ${whole(list.reduce((a, p) => a + p.kg, 0))} kg`;
  const all = parts(() => 1);
  const on = parts((p) => p.kept.estimate);
  const out = parts((p) => p.removed.estimate);
  const list = (name, ps) => `${words(name, ps)} (${ps.map((p) => `${p.class} ${fixed(p.kg, 1)} kg`).join(", ")})`;
  return h(
    "section",
    { class: "card" },
    h("h2", {}, feed.kg ? "Where the load's mass went" : "Where each tonne went"),
    flow([list("Unsorted", all), list("sorted", on), list("waste", out)].join("; "), { name: words("Unsorted", all), parts: all }, [
      { name: words("Sorted", on), parts: on },
      { name: words("Waste", out), parts: out },
    ]),
    h("ul", { class: "key" }, CLASSES.map((name) => h("li", {}, named(name)))),
  );
}

function compareCard(data) {
  const rows = data.differences;
  return h(
    "section",
    { class: "card", id: "compare" },
    h("h2", {}, `${data.second} against ${data.first}`),
    h("ul", {}, rows.map((d) => h("li", {}, d.sentence))),
    intervalChart({
      title: "Difference of shares with their intervals",
      label: `difference in points by ${data.basis}: above 0, ${data.second} has more`,
      say: (v) => fixed(100 * v, 0),
      rows: rows.map((d) => ({ name: d.name, class: CLASSES.includes(d.name) ? d.name : undefined, estimate: d.difference, low: d.interval.low, high: d.interval.high })),
      high: Math.max(0.01, ...rows.map((d) => d.interval.high)),
      low: Math.min(-0.01, ...rows.map((d) => d.interval.low)),
    }),
    cautions(data.cautions),
  );
}

export async function show(main, name) {
  const load = await fetchLoad(name);
  const body = frame(main, load, "/streams");
  const found = h("div", {});
  const compared = h("div", {});
  const weights = {};
  const lots = inOrder(load.lots).filter((l) => l.trays.length).map((l) => l.lot);
  let first = lots[0];
  let second = lots[1];
  let turn = 0;
  const input = (key) => {
    weights[key] = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", pattern: "[0-9]+([.,][0-9]+)?" });
    weights[key].addEventListener("input", later);
    return weights[key];
  };
  let timer = 0;
  function later() {
    clearTimeout(timer);
    timer = setTimeout(fill, 250);
  }

  async function fill() {
    const mine = ++turn;
    const asked = Object.fromEntries(Object.entries(weights).map(([k, i]) => [k, i.value.trim().replace(",", ".")]));
    try {
      const data = await get(`${loadPath(name)}/streams${query(asked)}`);
      if (mine !== turn) return;
      put(
        found,
        data.alarms?.length > 0 && h("div", { class: "trouble", role: "alert" }, h("ul", {}, data.alarms.map((a) => h("li", {}, typeof a === "string" ? a : a.words ?? JSON.stringify(a))))),
        h("div", { class: "pair" }, splitCard(data), h("div", {}, flowCard(data), compositionCard(data))),
        cautions(data.cautions),
        h("details", { class: "card" }, h("summary", {}, "What was assumed"), h("ul", {}, data.assumptions.map((w) => h("li", {}, w)))),
      );
    } catch (error) {
      if (mine === turn) put(found, errorBox(error, fill));
    }
  }

  async function fillCompare() {
    if (!first || !second || first === second) {
      put(compared);
      return;
    }
    try {
      put(compared, compareCard(await get(`${loadPath(name)}/compare${query({ first, second, basis: "mass" })}`)));
    } catch (error) {
      put(compared, errorBox(error, fillCompare));
    }
  }

  const pickLot = (legend, value, onchange) => choice(legend, lots.map((l) => [l, l]), value, (v) => {
    onchange(v);
    fillCompare();
  });
  put(
    body,
    h(
      "details",
      { class: "card" },
      h("summary", {}, "Weighed totals and price"),
      h("p", { class: "soft" }, "With what the scale said the split is known better, and there are kilograms and money. Nothing of this is recorded."),
      h("div", { class: "grid" }, field("Unsorted, kg", input("unsorted_kg")), field("Sorted, kg", input("sorted_kg")), field("Waste, kg", input("waste_kg")), field("Juice, kg", input("juice_kg")), field("Price of a tonne", input("price_per_tonne"))),
    ),
    found,
    lots.length > 1 && h("section", { class: "card" }, h("h2", {}, "Two lots compared"), pickLot("First", first, (v) => (first = v)), pickLot("Second", second, (v) => (second = v))),
    compared,
  );
  await Promise.all([fill(), fillCompare()]);
  const stops = [
    hear("ledger", (e) => {
      if (e.changes.some((c) => c.load === name)) {
        later();
        fillCompare();
      }
    }),
  ];
  useKeys([["?", "Help", () => (location.hash = "#/help")]]);
  return {
    title: `${name}: streams`,
    close() {
      clearTimeout(timer);
      turn += 1;
      stops.forEach((stop) => stop());
    },
  };
}
