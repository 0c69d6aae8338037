// Two parties: each reviews blind, then they compare, settle what differs and accept, or do not agree.

import { get, hear, loadPath, movedOn, part, post, who } from "./api.js";
import { ask, askWords, button, choice, errorBox, field, h, put, toast } from "./dom.js";
import { fixed, money, percent, plural, range, share, when } from "./format.js";
import { fetchLoad, frame, inOrder, massTable, shareTable } from "./load-frame.js";
import { OUTCOMES, look, named, sign } from "./look.js";
import { verdictChip } from "./page-loads.js";
import { useKeys } from "./keys.js";
import { seatHeader, seatKey, takeSeat } from "./seat.js";
import { intervalChart } from "./charts.js";
import { croppedObject } from "./crop.js";
import { tagWords } from "./page-tray.js";

const PARTIES = ["grower", "winery"];
const THE = { grower: "the grower", winery: "the winery" };
const humanName = (human) => (human === "nothing" ? h("span", {}, "no object") : named(human));

export async function show(main, name) {
  let load = await fetchLoad(name);
  const body = frame(main, load, "/parties");
  const notice = h("div", {});
  const content = h("div", {});
  put(body, notice, content);
  let agreement = null;
  let closed = false;

  const trouble = (error, again) => put(notice, errorBox(error.changes ? Object.assign(error, { message: movedOn(error) }) : error, again));

  // Sends, shows what came of it, and keeps the page on what the server holds.
  async function act(send, done) {
    put(notice);
    try {
      await send();
      if (done) toast(done, "done");
    } catch (error) {
      trouble(error);
    }
    await refresh();
  }

  async function refresh() {
    if (closed) return;
    try {
      const next = await fetchLoad(name);
      let found = null;
      if (["settling", "agreed", "not-agreed"].includes(next.review?.state)) {
        found = await get(`/api/reviews/${next.review.review}/agreement`).catch((error) => {
          trouble(error, refresh);
          return null;
        });
      }
      if (closed) return;
      // Both together: what is on the screen can be pressed while the next is fetched.
      [load, agreement] = [next, found];
      paint();
    } catch (error) {
      trouble(error, refresh);
    }
  }

  function startForm() {
    const lots = inOrder(load.lots).filter((l) => l.trays.length).map((l) => l.lot);
    if (!lots.length) return h("section", { class: "card" }, h("h2", {}, "Two parties"), h("p", {}, "There is no tray to review yet."));
    let lot = lots.includes("UNSORTED") ? "UNSORTED" : lots[0];
    let how = "some";
    const total = () => load.shares.find((s) => s.lot === lot)?.objects ?? 0;
    const number = h("input", { type: "number", min: 1, max: 100000, value: Math.min(200, total()), inputmode: "numeric", id: "how-many" });
    const grower = h("input", { type: "text", required: true, maxlength: 80, value: load.figures?.grower ?? "", id: "grower-name" });
    const winery = h("input", { type: "text", required: true, maxlength: 80, id: "winery-name" });
    const numberField = field("How many objects", number, "Drawn at random, by a seed from the ledger that nobody chooses");
    const send = async (event) => {
      event.preventDefault();
      const me = await who();
      if (!me) return;
      await act(() => post(`${loadPath(name)}/reviews`, { who: me, seen: load.entry, lot, grower: grower.value.trim(), winery: winery.value.trim(), objects: how === "all" ? "all" : Number(number.value) }), "The review has begun.");
    };
    return h(
      "form",
      { class: "card", onsubmit: send },
      h("h2", {}, "Begin a blind review"),
      h("p", {}, "Grower and winery each look at the same objects, without seeing what the program or the other said. Then they compare."),
      lots.length > 1 && choice("Lot", lots.map((l) => [l, l]), lot, (value) => (lot = value)),
      choice("Objects", [["some", "a random number"], ["all", "all of them"]], how, (value) => {
        how = value;
        numberField.hidden = value === "all";
      }),
      numberField,
      h("div", { class: "grid" }, field("Who looks for the grower", grower), field("Who looks for the winery", winery)),
      h("button", { type: "submit", class: "main", id: "begin-review" }, "Begin"),
    );
  }

  function partyCard(review, party) {
    const p = review.parties[party];
    const id = review.review;
    const at = p.judged / Math.max(1, review.drawn);
    return h(
      "section",
      { class: "card", data: { party } },
      h("h2", {}, `For ${THE[party]}: ${p.name}`),
      h("p", { class: "row" }, p.finished ? h("span", { class: "chip good" }, "finished") : h("span", { class: "chip" }, `${p.judged} of ${review.drawn} answered`), p.seat && !p.finished && h("span", { class: "chip" }, seatKey(id, party) ? "your seat" : "at work")),
      !p.finished && h("progress", { max: 1, value: at, "aria-label": `Progress of ${THE[party]}` }),
      p.accepted && h("p", { class: "fine" }, `Accepted by ${p.accepted.who}, ${when(p.accepted.at)}.`),
      p.refused && h("p", { class: "trouble" }, `Not agreed: ${p.refused.why} (${p.refused.who}, ${when(p.refused.at)})`),
      review.state === "judging" && !p.finished && h("a", { class: "button main", href: `#/review/${id}/${party}` }, p.judged ? "Go on" : `Review as ${THE[party]}`),
    );
  }

  async function giveUp(review) {
    const why = await askWords("Give this review up?", "Why?", { hint: "The load stays open, and a new review can begin. What was answered stays in the history.", go: "Give it up" });
    const me = why && (await who());
    if (me) await act(() => post(`/api/reviews/${review.review}/give-up`, { who: me, seen: load.entry, why }), "The review is given up.");
  }

  async function settle(o, human) {
    const me = await who();
    if (!me) return;
    await act(() => post(`/api/reviews/${load.review.review}/settle`, { who: me, seen: agreement.entry ?? load.entry, settled: [{ tray_id: o.tray_id, object: o.object, human }] }));
  }

  async function accept(review, party) {
    const me = await who();
    if (!me || (!seatKey(review.review, party) && !(await takeSeat(review.review, party)))) return;
    const sure = await ask(`Accept for ${THE[party]}?`, (close) => [
      h("p", {}, `With both parties' word the load closes, and these figures are frozen with their hash.`),
      massTable(agreement.figures_now.rows, "Figures to accept"),
      h("p", { class: "mono" }, agreement.figures_now.sha256),
      h("div", { class: "row" }, button("Accept these figures", () => close(true), { class: "main" }), button("Not yet", () => close(false))),
    ]);
    if (sure) await act(() => post(`/api/reviews/${review.review}/accept`, { who: me, seen: agreement.entry ?? load.entry, figures: agreement.figures_now.sha256 }, seatHeader(review.review, party)), `Accepted for ${THE[party]}.`);
  }

  async function refuse(review, party) {
    const me = await who();
    if (!me || (!seatKey(review.review, party) && !(await takeSeat(review.review, party)))) return;
    const why = await askWords(`Not agreed, for ${THE[party]}`, "Why?", { hint: "Both parties' figures stay in the ledger, and the load closes with both.", go: "Record: not agreed" });
    if (why) await act(() => post(`/api/reviews/${review.review}/refuse`, { who: me, seen: agreement.entry ?? load.entry, why }, seatHeader(review.review, party)), "Recorded: not agreed.");
  }

  function agreementCard() {
    const a = agreement;
    const classes = a.classes.filter((c) => c.positive !== null);
    return h(
      "section",
      { class: "card", id: "agreement" },
      h("h2", {}, "How far you agree"),
      h(
        "div",
        { class: "big" },
        h("div", {}, h("span", { class: "soft" }, "said the same"), h("b", {}, share(a.observed)), h("span", { class: "soft" }, `${a.agreed} of ${plural(a.objects, "object")}`)),
        a.kappa
          ? h("div", {}, h("span", { class: "soft" }, "Cohen's kappa"), h("b", {}, fixed(a.kappa.kappa, 2)), h("span", { class: "soft" }, `${fixed(a.kappa.low, 2)} to ${fixed(a.kappa.high, 2)}`))
          : h("div", {}, h("span", { class: "soft" }, "Cohen's kappa"), h("b", {}, "none"), h("span", { class: "soft" }, a.no_kappa)),
        a.money && h("div", {}, h("span", { class: "soft" }, "difference in money"), h("b", {}, money(a.money.difference, a.money.currency)), h("span", { class: "soft" }, `grower ${money(a.money.grower)}, winery ${money(a.money.winery)}`)),
      ),
      a.no_money && h("p", { class: "soft" }, `No difference in money: ${a.no_money}`),
      h("ul", {}, a.words.map((w) => h("li", {}, w))),
      a.verdicts && (a.verdicts.grower || a.verdicts.winery) && h("p", { class: "row" }, "Verdict by the grower's answers", a.verdicts.grower ? verdictChip(a.verdicts.grower) : "–", "by the winery's", a.verdicts.winery ? verdictChip(a.verdicts.winery) : "–"),
      h("h3", {}, "Agreement class by class"),
      classes.length > 0 &&
        intervalChart({
          title: "Positive agreement of each class with its interval",
          label: "positive agreement, with 95 % interval",
          say: (v) => `${Math.round(100 * v)} %`,
          low: 0,
          high: 1,
          rows: classes.map((c) => ({ name: c.class, class: c.class, estimate: c.positive, low: c.low ?? c.positive, high: c.high ?? c.positive })),
        }),
      h(
        "div",
        { class: "scroll", tabindex: 0, role: "region", "aria-label": "Agreement class by class" },
        h(
          "table",
          {},
          h("thead", {}, h("tr", {}, ["class", "both", "grower only", "winery only", "positive agreement"].map((w) => h("th", { scope: "col" }, w)))),
          h(
            "tbody",
            {},
            a.classes.map((c) =>
              h("tr", {}, h("th", { scope: "row" }, c.class === "nothing" ? "no object" : named(c.class)), h("td", {}, c.both), h("td", {}, c.grower_only), h("td", {}, c.winery_only), h("td", {}, c.positive === null ? "–" : [`${percent(c.positive, 1)} %`, c.low !== null && h("small", {}, range(c.low, c.high, 1))])),
            ),
          ),
        ),
      ),
      h("p", { class: "soft" }, "Positive agreement is the share of what either called a class that both called so. With mostly sound fruit, kappa alone misleads."),
      h("details", {}, h("summary", {}, "Both parties' shares"), h("h3", {}, "By the grower's answers"), shareTable({ rows: a.shares.grower }, "Shares by the grower's answers"), h("h3", {}, "By the winery's answers"), shareTable({ rows: a.shares.winery }, "Shares by the winery's answers")),
    );
  }

  function differingCard(review) {
    const open = review.state === "settling";
    return h(
      "section",
      { class: "card", id: "differing" },
      h("h2", {}, agreement.unsettled ? `${plural(agreement.unsettled, "object")} to settle together` : "Nothing left to settle"),
      h(
        "ul",
        { class: "plain" },
        agreement.differing.map((o) =>
          h(
            "li",
            { class: "job differs", data: { object: `${o.tray_id}.${o.object}` } },
            croppedObject(o, 256, { loading: "lazy" }),
            h(
              "div",
              {},
              h("div", { class: "name" }, `Tray ${o.tray}, object ${o.object}`),
              h("div", { class: "row" }, "grower", humanName(o.grower), "winery", humanName(o.winery)),
              [...(o.tags?.grower ?? []), ...(o.tags?.winery ?? [])].length > 0 && h("div", { class: "soft" }, [...new Set([...(o.tags.grower ?? []), ...(o.tags.winery ?? [])])].map(tagWords).join(", ")),
              o.settled && h("div", { class: "row" }, h("span", { class: "chip good" }, "settled"), humanName(o.settled)),
            ),
            open && !o.settled
              ? h("div", { class: "row settle" }, [...new Set([o.grower, o.winery, ...OUTCOMES.slice(0, 4)])].map((human) => button([human === "nothing" ? null : sign(human), human === "nothing" ? "no object" : look(human).name], () => settle(o, human), { data: { settle: human } })))
              : open
                ? button("Change", () => reopen(o), { class: "plain" })
                : h("span", {}),
          ),
        ),
      ),
    );
  }

  async function reopen(o) {
    const human = await ask(`Tray ${o.tray}, object ${o.object}`, (close) => [
      h("div", { class: "answers" }, [...OUTCOMES, "nothing"].map((x) => button(x === "nothing" ? "no object there" : [sign(x), look(x).name], () => close(x)))),
      button("Cancel", () => close()),
    ]);
    if (human) settle(o, human);
  }

  function decideCard(review) {
    if (review.state !== "settling") return null;
    const ready = agreement.unsettled === 0;
    return h(
      "section",
      { class: "card", id: "decide" },
      h("h2", {}, "Accept, or not agreed"),
      !ready && h("p", { class: "caution" }, "All differing objects must be settled before anybody can accept."),
      h("h3", {}, "Figures with what is settled"),
      h("p", { class: "row" }, agreement.figures_now.outcome && verdictChip(agreement.figures_now.outcome), h("span", { class: "mono" }, agreement.figures_now.sha256.slice(0, 16), "…")),
      shareTable({ rows: agreement.figures_now.rows }, "Figures with what is settled"),
      h(
        "div",
        { class: "pair" },
        PARTIES.map((party) =>
          h(
            "div",
            {},
            h("h3", {}, `For ${THE[party]}: ${review.parties[party].name}`),
            review.parties[party].accepted
              ? h("p", { class: "fine" }, "Accepted.")
              : h("div", { class: "row" }, button("Accept", () => accept(review, party), { class: "main", disabled: !ready, data: { accept: party } }), button("Not agreed", () => refuse(review, party), { class: "danger", data: { refuse: party } })),
          ),
        ),
      ),
    );
  }

  function endCard(review) {
    if (!["agreed", "not-agreed"].includes(review.state)) return null;
    return h(
      "section",
      { class: "card", id: "ended" },
      h("h2", {}, review.state === "agreed" ? "Agreed" : "Not agreed"),
      h("p", {}, review.state === "agreed" ? "Both parties accepted. The load is closed, and its figures are frozen." : "Both parties' figures stay in the ledger, and the load is closed."),
      h("p", {}, "Each party takes a receipt along: with it anyone can check later, offline and for free, that nothing was changed."),
      h("p", { class: "mono" }, `head ${load.head}`),
      h("a", { class: "button main", href: `${loadPath(name)}/receipt`, download: `${name}.receipt.json` }, "Download the receipt"),
    );
  }

  function paint() {
    if (closed) return;
    const review = load.review;
    if (!review || review.state === "given-up") {
      put(content, review && h("p", { class: "notice" }, "The last review was given up."), load.closed ? h("p", { class: "card" }, "This load was closed without a review.") : startForm());
      return;
    }
    put(
      content,
      h(
        "section",
        { class: "card" },
        h("h2", {}, `Review of ${review.lot}`),
        h("p", { class: "soft" }, review.whole ? `All ${plural(review.of, "object")}. ` : `${review.drawn} of ${plural(review.of, "object")}, drawn with seed ${review.seed}. `, `Begun by ${review.begun.who}, ${when(review.begun.at)}.`),
        h("div", { class: "pair" }, PARTIES.map((party) => partyCard(review, party))),
        review.state === "judging" && h("p", { class: "soft" }, "Neither sees the other's answers until both have finished."),
        ["judging", "settling"].includes(review.state) && button("Give the review up", () => giveUp(review), { class: "plain" }),
      ),
      endCard(review),
      agreement && agreementCard(),
      agreement?.differing && differingCard(review),
      agreement && decideCard(review),
    );
  }

  await refresh();
  let timer = 0;
  const soon = () => {
    clearTimeout(timer);
    timer = setTimeout(refresh, 150);
  };
  const ofMine = (event) => event.load === name;
  const stops = [
    hear("review", (e) => ofMine(e) && soon()),
    hear("seat", (e) => {
      if (!ofMine(e)) return;
      soon();
    }),
    hear("ledger", (e) => e.changes.some((c) => c.load === name && c.entry > load.entry) && soon()),
    hear("hello", soon),
    () => clearTimeout(timer),
  ];
  useKeys([["?", "Help", () => (location.hash = "#/help")]]);
  return {
    title: `${name}: two parties`,
    close() {
      closed = true;
      stops.forEach((stop) => stop());
    },
  };
}
