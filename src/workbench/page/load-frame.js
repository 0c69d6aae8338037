// What every page about one load has above it, and the tables of shares and verdicts.

import { loadPath, get, part, save, who } from "./api.js";
import { commonTop, strip } from "./charts.js";
import { button, h, put } from "./dom.js";
import { percent, plural, range, share, whole } from "./format.js";
import { CLASSES, named } from "./look.js";
import { verdictChip } from "./page-loads.js";

const TABS = [
  ["", "Trays and figures"],
  ["/parties", "Two parties"],
  ["/streams", "Streams"],
  ["/what-if", "What-if"],
  ["/history", "History"],
];

/** The head of a page about a load; gives the place for the page's own things. */
export function frame(main, load, active) {
  const base = `#/load/${part(load.load)}`;
  const body = h("div", { id: "body" });
  const about = [load.figures?.grower, load.figures?.variety, load.figures?.block].filter(Boolean).join(", ");
  put(
    main,
    h("nav", { class: "crumbs", "aria-label": "Where you are" }, h("a", { href: "#/" }, "Loads"), h("span", { "aria-hidden": "true" }, "›"), h("span", {}, load.load)),
    h(
      "div",
      { class: "head" },
      h("div", {}, h("h1", {}, load.load), about && h("div", { class: "soft" }, about)),
      h(
        "div",
        { class: "row" },
        load.verdict && verdictChip(load.verdict.outcome, load.verdict.advisory),
        h("span", { class: "chip", id: "state" }, load.closed ? "closed" : "open"),
        load.closed && h("a", { class: "button", href: `${loadPath(load.load)}/receipt`, download: `${load.load}.receipt.json`, id: "receipt" }, "Receipt"),
        load.lots.some((lot) => lot.trays.length) && sheetMenu(load),
      ),
    ),
    h(
      "nav",
      { class: "tabs", "aria-label": "Of this load" },
      TABS.map(([path, words]) => h("a", { href: base + path, "aria-current": path === active ? "page" : null }, words)),
    ),
    body,
  );
  return body;
}

/** The sheet to sign, on the paper and in the units of the place. */
function sheetMenu(load) {
  const told = h("span", { role: "status" });
  const take = (words, settings) =>
    button(words, async (event) => {
      const pressed = event.currentTarget;
      const name = await who();
      if (!name) return;
      pressed.disabled = true;
      put(told, "The sheet is being set …");
      try {
        put(told, `Saved as ${await save(`${loadPath(load.load)}/sheet`, { who: name, settings })}.`);
      } catch (error) {
        put(told, [error.message, error.todo].filter(Boolean).join(". "));
      } finally {
        pressed.disabled = false;
      }
    });
  return h(
    "details",
    { id: "sheet" },
    h("summary", { class: "button" }, load.closed ? "Sheet to sign (PDF)" : "Draft of the sheet (PDF)"),
    h("div", { class: "row" }, take("A4, kg and °C", { paper: "a4", units: "metric" }), take("US Letter, short tons and °F", { paper: "letter", units: "us" })),
    told,
  );
}

/** Lots as fruit goes through the sorter: the delivered fruit first. */
export function inOrder(lots) {
  const place = (lot) => ["UNSORTED", "SORTED", "WASTE"].indexOf(lot.lot) + 1 || 9;
  return [...lots].sort((a, b) => place(a) - place(b) || a.lot.localeCompare(b.lot));
}

export const fetchLoad = (name) => get(loadPath(name));

/** The share that counts of a row: the settled one where something had to be applied. */
export const counting = (row) => row.settled ?? row.by_mass;
const asShare = (s) => ({ estimate: s.estimate, interval: { low: s.low, high: s.high } });

const cell = (s) => h("td", {}, share(s.estimate), h("small", {}, range(s.low, s.high, s.estimate)));

/** Rows of classes with shares by count, area and mass. */
export function shareTable(shares, caption) {
  if (!shares.rows?.length) return h("p", { class: "caution" }, shares.no_figures ?? "No figures yet.");
  const small = shares.rows.filter((r) => r.name !== "sound");
  const top = commonTop(small.map((r) => counting(r).high));
  const settled = shares.rows.some((r) => r.settled);
  return h(
    "div",
    { class: "scroll", tabindex: 0, role: "region", "aria-label": caption },
    h(
      "table",
      {},
      h("caption", { class: "heard" }, caption),
      h(
        "thead",
        {},
        h(
          "tr",
          {},
          ["class", "objects", "by count", "by area", "by mass"].map((w) => h("th", { scope: "col" }, w)),
          settled && h("th", { scope: "col" }, "by mass, settled"),
          h("th", { scope: "col" }, `by mass, 0 to ${percent(top)} %`),
        ),
      ),
      h(
        "tbody",
        {},
        shares.rows.map((row) =>
          h(
            "tr",
            { class: row.name === "rejects" ? "sum" : "", data: { row: row.name } },
            h("th", { scope: "row" }, CLASSES.includes(row.name) ? named(row.name) : row.name),
            h("td", {}, whole(row.count)),
            cell(row.by_count),
            cell(row.by_area),
            cell(row.by_mass),
            settled && (row.settled ? cell(row.settled) : h("td", {}, "–")),
            h("td", {}, row.name === "sound" ? "" : strip(asShare(counting(row)), top)),
          ),
        ),
      ),
    ),
  );
}

/** Shares by mass alone, narrow enough for a question. */
export function massTable(rows, caption) {
  return h(
    "table",
    {},
    h("caption", { class: "heard" }, caption),
    h("thead", {}, h("tr", {}, ["class", "objects", "by mass"].map((w) => h("th", { scope: "col" }, w)))),
    h("tbody", {}, rows.map((row) => h("tr", { class: row.name === "rejects" ? "sum" : "" }, h("th", { scope: "row" }, CLASSES.includes(row.name) ? named(row.name) : row.name), h("td", {}, whole(row.count)), cell(counting(row))))),
  );
}

/** Two large figures of a lot: rejects and sound fruit by mass. */
export function headline(shares) {
  const find = (name) => shares.rows?.find((r) => r.name === name);
  const one = (name, words) => {
    const row = find(name);
    if (!row) return null;
    const s = counting(row);
    return h("div", {}, h("span", { class: "soft" }, words), h("b", {}, share(s.estimate)), h("span", { class: "soft" }, range(s.low, s.high, s.estimate)));
  };
  return h("div", { class: "big" }, one("rejects", "rejects by mass"), one("sound", "sound fruit by mass"), h("div", {}, h("span", { class: "soft" }, "measured"), h("b", {}, whole(shares.objects)), h("span", { class: "soft" }, `objects on ${plural(shares.trays, "tray")}`)));
}

export const cautions = (list, title = "Beware") => list?.length > 0 && h("div", { class: "caution" }, h("b", {}, title), h("ul", {}, list.map((words) => h("li", {}, words))));

const points = (text) => (text === null || text === undefined ? null : Number(text).toFixed(2));

/** Each rule of the contract with the share it was applied to and what came of it. */
function ruleTable(verdict) {
  if (!verdict?.rules?.length && !verdict?.pieces?.length) return null;
  const outcome = (refusal) => (refusal ? [verdictChip(refusal.outcome), refusal.outcome !== refusal.counts_as && h("small", {}, `counts as ${refusal.counts_as === "accept" ? "accepted" : "refused"}`)] : "–");
  return h(
    "div",
    { class: "scroll", tabindex: 0, role: "region", "aria-label": "Rules of the contract" },
    h(
      "table",
      {},
      h("thead", {}, h("tr", {}, ["rule", "measured", "deduct", "limit", "outcome"].map((w) => h("th", { scope: "col" }, w)))),
      h(
        "tbody",
        {},
        verdict.rules.map((rule) =>
          h(
            "tr",
            {},
            h("th", { scope: "row" }, rule.name),
            h("td", {}, `${points(rule.share_percent)} %`),
            h("td", {}, rule.deduction ? [`${points(rule.deduction.percent)} % off ${rule.deduction.off}`, rule.deduction.at_low !== null && h("small", {}, `${points(rule.deduction.at_low)} to ${points(rule.deduction.at_high)} %`)] : "–"),
            h("td", {}, rule.refusal ? `${Number(rule.refusal.limit)} %` : "–"),
            h("td", {}, outcome(rule.refusal)),
          ),
        ),
        (verdict.pieces ?? []).map((piece) => h("tr", {}, h("th", { scope: "row" }, piece.name), h("td", {}, `${piece.rate.toFixed(2)}`), h("td", {}, "–"), h("td", {}, `${Number(piece.refusal.limit)}`), h("td", {}, outcome(piece.refusal)))),
      ),
    ),
  );
}

export function verdictCard(load) {
  if (!load.verdict && !load.no_verdict && !load.terms) {
    return h("section", { class: "card" }, h("h2", {}, "Verdict"), h("p", { class: "soft" }, "This load has no terms: there are shares, and no verdict or deduction."));
  }
  const settlement = load.figures?.verdict?.settlement;
  return h(
    "section",
    { class: "card", id: "verdict" },
    h("h2", {}, `Verdict by ${load.terms ? `“${load.terms.name}”` : "the terms"}`),
    load.verdict
      ? [
          h("p", { class: "row" }, verdictChip(load.verdict.outcome, load.verdict.advisory)),
          ruleTable(load.figures?.verdict),
          h("ul", {}, load.verdict.words.map((words) => h("li", {}, words))),
          settlement && h("div", { class: "big" }, h("div", {}, h("span", { class: "soft" }, "deduction off price"), h("b", {}, `${Number(settlement.price_percent).toFixed(2)} %`)), h("div", {}, h("span", { class: "soft" }, "deduction off weight"), h("b", {}, `${Number(settlement.weight_percent).toFixed(2)} %`))),
        ]
      : h("p", { class: "caution" }, load.no_verdict ?? "No verdict yet."),
    load.terms && h("details", {}, h("summary", {}, "The terms, word for word"), h("pre", { class: "mono" }, load.terms.text)),
  );
}
