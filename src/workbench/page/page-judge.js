// One party's blind review: a large picture, a class to choose, and on to the next. What was answered
// is kept in the browser until the server has it.

import { about, get, hear, part, post, who, whoNow } from "./api.js";
import { announce, button, errorBox, h, put, toast } from "./dom.js";
import { plural } from "./format.js";
import { keyName, useKeys } from "./keys.js";
import { OUTCOMES, look, sign } from "./look.js";
import { tagWords } from "./page-tray.js";
import { leaveSeat, seatHeader, seatKey, takeSeat } from "./seat.js";
import { croppedObject } from "./crop.js";

const WORDS = { grower: "the grower", winery: "the winery" };

export async function show(main, id, party) {
  const review = await get(`/api/reviews/${id}`);
  const self = review.parties[party];
  const path = `/api/reviews/${id}`;
  const back = `#/load/${part(review.load)}/parties`;
  const unsentKey = `acinus.judged.${id}.${party}`;
  let closed = false;

  if (!seatKey(id, party) && !(await takeSeat(id, party))) {
    put(main, h("p", { class: "empty" }, "Nobody took the seat."), h("a", { class: "button", href: back }, "Back"));
    return { title: "Review" };
  }
  let objects;
  try {
    ({ objects } = await get(`${path}/objects`, seatHeader(id, party)));
  } catch (error) {
    if (error.status !== 403) throw error;
    leaveSeat(id, party);
    if (!(await takeSeat(id, party))) throw error;
    ({ objects } = await get(`${path}/objects`, seatHeader(id, party)));
  }

  // Answers that the server does not have yet.
  const unsent = new Map(Object.entries(JSON.parse(localStorage.getItem(unsentKey) ?? "{}")));
  const name = (o) => `${o.tray_id}.${o.object}`;
  for (const o of objects) {
    const mine = unsent.get(name(o));
    if (mine) {
      o.judged = mine.human;
      o.tags = mine.tags ?? o.tags;
    }
  }
  let at = objects.findIndex((o) => !o.judged);
  if (at < 0) at = objects.length - 1;

  const head = h("div", {});
  const notice = h("div", {});
  const stage = h("div", { class: "judged-object" });
  let lines = true;
  const pane = h("div", {});
  put(
    main,
    h("nav", { class: "crumbs", "aria-label": "Where you are" }, h("a", { href: back }, `${review.load}: two parties`), h("span", { "aria-hidden": "true" }, "›"), h("span", {}, `Review of ${WORDS[party]}`)),
    head,
    notice,
    h("div", { class: "judge" }, stage, pane),
  );

  const done = () => objects.filter((o) => o.judged).length;
  const keep = () => {
    if (unsent.size) localStorage.setItem(unsentKey, JSON.stringify(Object.fromEntries(unsent)));
    else localStorage.removeItem(unsentKey);
  };

  let sending = false;
  let timer = 0;
  async function send() {
    if (sending || !unsent.size || closed) return;
    sending = true;
    clearTimeout(timer);
    try {
      while (unsent.size) {
        const batch = [...unsent].slice(0, 50);
        await post(`${path}/judge`, { who: await who(), judged: batch.map(([, j]) => j) }, seatHeader(id, party));
        // An answer changed meanwhile stays.
        for (const [key, j] of batch) if (unsent.get(key) === j) unsent.delete(key);
        keep();
      }
      put(notice);
    } catch (error) {
      if (error.status === 0 || error.status === 503) {
        timer = setTimeout(send, 1000 * (error.retryAfter || 4));
        put(notice, h("div", { class: "caution" }, `${error.message}. ${plural(unsent.size, "answer")} kept here and sent as soon as it answers.`));
      } else {
        put(notice, errorBox(error, error.status === 403 ? takeOver : send));
      }
    } finally {
      sending = false;
      paintHead();
    }
  }
  async function takeOver() {
    leaveSeat(id, party);
    if (await takeSeat(id, party)) send();
  }

  function record(o) {
    unsent.set(name(o), { tray_id: o.tray_id, object: o.object, human: o.judged, tags: o.tags ?? [] });
    keep();
    send();
  }

  function answer(human) {
    const o = objects[at];
    if (!o || self.finished) return;
    o.judged = human;
    record(o);
    announce(human);
    if (at + 1 < objects.length) at += 1;
    paint();
  }

  function tag(word) {
    const o = objects[at];
    o.tags = o.tags?.includes(word) ? o.tags.filter((t) => t !== word) : [...(o.tags ?? []), word];
    if (o.judged) record(o);
    paint();
  }

  const move = (step) => {
    at = Math.min(objects.length - 1, Math.max(0, at + step));
    paint();
  };

  function toggleLine() {
    lines = !lines;
    stage.classList.toggle("no-lines", !lines);
    paint();
  }

  async function finish() {
    await send();
    if (unsent.size) {
      toast("Some answers are not through yet; they are kept here.", "bad");
      return;
    }
    try {
      await post(`${path}/finish`, { who: await who() }, seatHeader(id, party));
      toast(`The review of ${WORDS[party]} is finished.`, "done");
      location.hash = back;
    } catch (error) {
      put(notice, errorBox(error, finish));
    }
  }

  function paintHead() {
    if (closed) return;
    put(
      head,
      h("div", { class: "head" }, h("h1", {}, `Review of ${WORDS[party]}: ${self.name}`), h("span", { class: "chip", id: "progress" }, `${done()} of ${objects.length} answered`, unsent.size ? `, ${unsent.size} on the way` : "")),
      h("progress", { max: objects.length, value: done(), "aria-label": "Objects answered" }),
    );
  }

  const cropOf = (o) => `/api/trays/${o.tray_id}/crop/${o.object}?size=512`;

  function paint() {
    if (closed) return;
    paintHead();
    const o = objects[at];
    if (!o) {
      put(pane, h("p", {}, "There is no object to look at."));
      return;
    }
    put(stage, croppedObject(o, 512, { id: "crop", alt: `Object ${at + 1} of ${objects.length}, tray ${o.tray}`, data: { object: name(o) } }));
    // The next ones are fetched while this one is looked at.
    for (const next of objects.slice(at + 1, at + 3)) new Image().src = cropOf(next);
    const all = done() === objects.length;
    put(
      pane,
      h("h2", {}, `Object ${at + 1} of ${objects.length}`),
      h("p", { class: "soft" }, `Tray ${o.tray}. The outlined object counts; what the program or the other party said is not shown.`),
      h(
        "div",
        { class: "answers" },
        [...OUTCOMES, "nothing"].map((human) =>
          button(
            [human === "nothing" ? h("span", { class: "chip" }, "–") : sign(human), { unassigned: "cannot tell", nothing: "no object there" }[human] ?? human, h("kbd", { "aria-hidden": "true" }, human === "nothing" ? "0" : keyName(look(human).key))],
            () => answer(human),
            { "aria-pressed": String(o.judged === human), disabled: self.finished, data: { answer: human } },
          ),
        ),
      ),
      h("div", { class: "tags", role: "group", "aria-label": "Tags" }, [...new Set([...(about.now?.tags ?? []), ...(o.tags ?? [])])].map((t) => button(tagWords(t), () => tag(t), { "aria-pressed": String(Boolean(o.tags?.includes(t))), disabled: self.finished }))),
      h("div", { class: "row spread" }, button("Back", () => move(-1), { disabled: at === 0 }), button("Line", toggleLine, { "aria-pressed": String(lines) }), button("Skip", () => move(1), { disabled: at === objects.length - 1 })),
      all && !self.finished && h("div", { class: "fine" }, h("p", {}, "Every object is answered."), button("Finish my review", finish, { class: "main", id: "finish" })),
      self.finished && h("p", { class: "fine" }, "This review is finished."),
    );
  }

  paint();
  send();
  const up = () => send();
  window.addEventListener("acinus-up", up);
  const stops = [
    hear("hello", send),
    hear("seat", (e) => {
      if (String(e.review) !== id || e.party !== party || e.who === whoNow()) return;
      put(notice, h("div", { class: "caution", role: "alert" }, h("p", {}, `${e.who} took this seat over. What was answered here is kept.`), button("Take it back", takeOver)));
    }),
  ];
  useKeys([
    ...OUTCOMES.map((outcome, i) => [`${look(outcome).key} ${i + 1}`, outcome, () => answer(outcome)]),
    ["0", "no object there", () => answer("nothing")],
    ["b ArrowLeft", "Back", () => move(-1)],
    ["n ArrowRight", "Skip", () => move(1)],
    ["l", "Line on or off", toggleLine],
    ["?", "Help", () => (location.hash = "#/help")],
  ]);
  return {
    title: `Review of ${WORDS[party]}`,
    close() {
      closed = true;
      clearTimeout(timer);
      window.removeEventListener("acinus-up", up);
      stops.forEach((stop) => stop());
    },
  };
}
