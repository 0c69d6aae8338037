// All objects of a tray as small pictures, sorted by class: to see at a glance what does not belong.

import { hear, movedOn, part } from "./api.js";
import { announce, button, errorBox, h, put } from "./dom.js";
import { Edits, editWords } from "./edits.js";
import { plural, share } from "./format.js";
import { keyName, useKeys } from "./keys.js";
import { OUTCOMES, look, named, sign } from "./look.js";
import { tagWords } from "./page-tray.js";
import { bitmapOf, fetchTray, withRings } from "./tray-data.js";

export async function show(main, id) {
  let tray = await fetchTray(id);
  let shown = "shriveled";
  let sprite = null;
  let spriteOf = null;
  const chosen = new Set();
  let closed = false;
  const count = (name) => [...tray.byNumber.values()].filter((o) => (o.class ?? "unassigned") === name).length;
  if (!count(shown)) shown = OUTCOMES.find((name) => name !== "sound" && count(name)) ?? "sound";

  const notice = h("div", {});
  const filters = h("div", { class: "row", role: "group", "aria-label": "Class shown" });
  const grid = h("ul", { class: "crops", id: "crops" });
  const answers = h("div", { class: "card", id: "sheet-answers", hidden: true });

  put(
    main,
    h(
      "nav",
      { class: "crumbs", "aria-label": "Where you are" },
      h("a", { href: `#/load/${part(tray.load)}` }, tray.load),
      h("span", { "aria-hidden": "true" }, "›"),
      h("a", { href: `#/tray/${tray.id}` }, `${tray.lot}, tray ${tray.tray}`),
      h("span", { "aria-hidden": "true" }, "›"),
      h("span", {}, "Sheet"),
    ),
    h("div", { class: "head" }, h("h1", {}, `${tray.lot}, tray ${tray.tray}: all objects`)),
    notice,
    filters,
    h("p", { class: "soft" }, "Least sure first. Tap what does not belong, then say what it is."),
    answers,
    grid,
  );

  const edits = new Edits(tray.id, tray.entry, {
    applied(answer) {
      for (const gone of answer.gone) tray.byNumber.delete(gone);
      for (const o of answer.objects) tray.byNumber.set(o.object, withRings(o));
      if (answer.sprite) tray.sprite = answer.sprite;
      tray.entry = answer.entry;
      put(notice);
      paint();
      announce("Recorded.");
    },
    waiting: (error) => put(notice, h("div", { class: "caution" }, `${error.message}. ${plural(edits.pending, "change")} kept here and sent as soon as it answers.`)),
    async moved(error, held) {
      put(
        notice,
        h(
          "div",
          { class: "caution", role: "alert" },
          h("p", {}, h("b", {}, movedOn(error))),
          h("p", {}, `Not made yet: ${held.map(editWords).join("; ")}.`),
          h("div", { class: "row" }, button("Make my change now", () => edits.release(), { class: "main" }), button("Leave it", () => {
            edits.drop();
            put(notice);
          })),
        ),
      );
      await reload();
    },
    async refused(error) {
      put(notice, errorBox(error));
      await reload();
    },
  });

  async function reload() {
    tray = await fetchTray(id);
    edits.entry = tray.entry;
    for (const n of [...chosen]) if (!tray.byNumber.has(n)) chosen.delete(n);
    paint();
  }

  function classify(name) {
    if (!chosen.size || tray.closed) return;
    const list = [...chosen];
    chosen.clear();
    for (const n of list) tray.byNumber.set(n, { ...tray.byNumber.get(n), class: name, corrected: { who: "you" } });
    paint();
    edits.push({ action: "class", objects: list, class: name });
  }

  async function pictures() {
    const wanted = tray.sprite.url;
    if (spriteOf === wanted) return;
    try {
      const next = await bitmapOf(wanted);
      if (closed) return next.close();
      sprite?.close();
      [sprite, spriteOf] = [next, wanted];
      sprite.order = new Map(tray.sprite.order.map((n, i) => [n, i]));
      sprite.cell = tray.sprite.cell;
      sprite.columns = tray.sprite.columns;
      paint();
    } catch (error) {
      put(notice, errorBox(error, pictures));
    }
  }

  function crop(o) {
    const side = sprite?.cell ?? 96;
    const canvas = h("canvas", { class: "crop", width: side, height: side, "aria-hidden": "true" });
    const i = sprite?.order.get(o.object);
    if (i !== undefined) canvas.getContext("2d").drawImage(sprite, (i % sprite.columns) * side, Math.floor(i / sprite.columns) * side, side, side, 0, 0, side, side);
    return canvas;
  }

  const toggle = (n) => {
    if (chosen.has(n)) chosen.delete(n);
    else chosen.add(n);
    const item = grid.querySelector(`[data-object="${n}"]`);
    item?.setAttribute("aria-pressed", String(chosen.has(n)));
    paintAnswers();
  };

  function paintAnswers() {
    answers.hidden = !chosen.size || tray.closed;
    put(
      answers,
      h("h2", {}, `${plural(chosen.size, "object")}: what is it?`),
      h(
        "div",
        { class: "row" },
        OUTCOMES.map((name) => button([sign(name), name === "unassigned" ? "cannot tell" : name, h("kbd", { "aria-hidden": "true" }, keyName(look(name).key))], () => classify(name), { data: { answer: name } })),
        button("Choose none", () => {
          chosen.clear();
          paint();
        }, { class: "plain" }),
      ),
    );
  }

  function paint() {
    if (closed) return;
    put(
      filters,
      OUTCOMES.filter((name) => name !== "unassigned" || count(name)).map((name) =>
        button([sign(name), `${name} ${count(name)}`], () => {
          shown = name;
          chosen.clear();
          paint();
        }, { "aria-pressed": String(shown === name), data: { filter: name } }),
      ),
    );
    const list = [...tray.byNumber.values()].filter((o) => (o.class ?? "unassigned") === shown).sort((a, b) => a.confidence - b.confidence);
    put(
      grid,
      list.map((o) =>
        h(
          "li",
          {},
          button([crop(o), h("span", {}, h("span", { class: "heard" }, `Object `), `${o.object}: ${share(o.confidence)}`, h("span", { class: "heard" }, ` ${look(o.class).name}`)), o.corrected && h("span", { class: "chip" }, `by ${o.corrected.who}`), o.tags.length > 0 && h("span", { class: "chip" }, o.tags.map(tagWords).join(", "))], () => toggle(o.object), {
            "aria-pressed": String(chosen.has(o.object)),
            data: { object: o.object },
          }),
        ),
      ),
    );
    if (sprite) grid.dataset.ready = "";
    if (!list.length) put(grid, h("li", { class: "empty" }, "No object of this class on the tray."));
    paintAnswers();
    pictures();
  }

  paint();
  const stops = [hear("ledger", (e) => e.changes.some((c) => c.tray_id === tray.id && c.entry > edits.entry) && !edits.busy && reload().catch(() => {})), hear("hello", () => !edits.busy && reload().catch(() => {}))];
  useKeys([
    ...OUTCOMES.map((name, i) => [`${look(name).key} ${i + 1}`, name, () => classify(name)]),
    ["Escape", "Choose none", () => {
      chosen.clear();
      paint();
    }],
    ["?", "Help", () => (location.hash = "#/help")],
  ]);
  return {
    title: `Sheet of tray ${tray.tray}`,
    close() {
      closed = true;
      stops.forEach((stop) => stop());
      edits.close();
      sprite?.close();
    },
  };
}
