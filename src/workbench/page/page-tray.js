// One tray: the photograph with its outlines, the least certain objects first, and every correction.

import { about, get, hear, movedOn, part } from "./api.js";
import { announce, askWords, button, errorBox, h, put, s, toast } from "./dom.js";
import { Edits, editWords } from "./edits.js";
import { fixed, percent, plural, range, share } from "./format.js";
import { keyName, useKeys } from "./keys.js";
import { counting } from "./load-frame.js";
import { CLASSES, LOOKS, OUTCOMES, look, named, sign } from "./look.js";
import { verdictChip } from "./page-loads.js";
import { UNSURE_BELOW, drawCrop, fetchTray, loadPicture, queueOf, withRings } from "./tray-data.js";
import { TrayView } from "./trayview.js";

const TAG_WORDS = { "rot-or-mould": "rot or mould", split: "split", sunburnt: "sunburnt" };
export const tagWords = (tag) => TAG_WORDS[tag] ?? tag;
const MODES = {
  cut: "Draw a line across the object, from outside to outside, or turn the line shown.",
  draw: "Draw round the object with one stroke.",
  join: "Tap the two objects that belong together.",
};
const AT_A_GLANCE = ["equivalent_diameter_mm", "length_mm", "width_mm", "mass_g"];
const canvas = (side, props = {}) => h("canvas", { class: "crop", width: side, height: side, ...props });

export async function show(main, id) {
  let tray;
  try {
    tray = await fetchTray(id);
  } catch (error) {
    if (error.status === 410 && error.now) {
      toast("This tray was taken again; here is the photograph that counts.");
      location.replace(`#/tray/${error.now}`);
      return { title: "Tray" };
    }
    throw error;
  }
  let load = await get(`/api/loads/${part(tray.load)}`);
  let bitmap = null;
  let selected = [];
  let mode = "look";
  let onward = true;
  let closed = false;

  const stage = h("canvas", { tabindex: 0, role: "application", "aria-label": `Photograph of tray ${tray.tray} with ${plural(tray.objects.length, "outlined object")}. Arrow keys move it, plus and minus zoom, N goes to the least certain object.` });
  const hover = h("div", { class: "hover", hidden: true, "aria-hidden": "true" });
  const sayMode = h("div", { class: "say-mode", hidden: true });
  const top = h("div", { class: "bench-top" });
  const side = h("section", { class: "side", "aria-label": "Object and tools" });
  const notice = h("div", {});
  const tools = h("div", { class: "tools", role: "toolbar", "aria-label": "Tools" });
  const chosen = h("div", { id: "chosen" });
  const queue = h("div", { id: "queue" });
  const more = h("div", {});
  main.className = "wide";
  put(
    main,
    h(
      "div",
      { class: "bench" },
      top,
      h(
        "div",
        { class: "stage" },
        stage,
        hover,
        sayMode,
        h(
          "div",
          { class: "zoomers" },
          button("+", () => view.zoom(1.5), { "aria-label": "Nearer" }),
          button("−", () => view.zoom(1 / 1.5), { "aria-label": "Farther" }),
          button("Fit", () => view.fit(), { "aria-label": "Fit the whole tray" }),
        ),
      ),
      side,
    ),
  );
  put(side, notice, tools, chosen, queue, more);

  const view = new TrayView(stage, { width: tray.size_px[0], height: tray.size_px[1] }, { hover: onHover, pick: onPick, line: onLine, polygon: onPolygon });
  const objects = () => [...tray.byNumber.values()];
  const refresh = () => view.setObjects(objects());

  const edits = new Edits(tray.id, tray.entry, {
    applied(answer, body) {
      for (const gone of answer.gone) tray.byNumber.delete(gone);
      for (const o of answer.objects) tray.byNumber.set(o.object, withRings(o));
      Object.assign(tray, { entry: answer.entry, undo: answer.undo, redo: answer.redo, shares: answer.shares });
      load = answer.load ?? load;
      if (["split", "merge", "draw"].includes(body.action)) selected = answer.objects.map((o) => o.object).filter((n) => tray.byNumber.has(n));
      selected = selected.filter((n) => tray.byNumber.has(n));
      put(notice);
      refresh();
      paint();
      const rejects = tray.shares.rows?.find((r) => r.name === "rejects");
      announce(`Recorded. ${rejects ? `Rejects of this tray ${share(rejects.by_mass.estimate)}` : ""}`);
    },
    waiting(error) {
      put(notice, h("div", { class: "caution" }, `${error.message}. ${plural(edits.pending, "change")} kept here and sent as soon as it answers.`));
    },
    async moved(error, held) {
      put(
        notice,
        h(
          "div",
          { class: "caution", role: "alert", id: "moved" },
          h("p", {}, h("b", {}, movedOn(error))),
          h("p", {}, `Not made yet: ${held.map(editWords).join("; ")}. Look at it again.`),
          h(
            "div",
            { class: "row" },
            button("Make my change now", () => {
              put(notice);
              edits.release();
            }, { class: "main" }),
            button("Leave it", () => {
              edits.drop();
              put(notice);
            }),
          ),
        ),
      );
      await reload();
    },
    async refused(error) {
      put(notice, errorBox(error));
      if (closed) return;
      // What was shown ahead of the answer did not come true.
      await reload();
    },
  });

  async function reload() {
    try {
      const fresh = await fetchTray(id);
      [tray, load] = [fresh, await get(`/api/loads/${part(tray.load)}`)];
      edits.entry = tray.entry;
      selected = selected.filter((n) => tray.byNumber.has(n));
      refresh();
      paint();
    } catch (error) {
      if (error.status === 410 && error.now) location.replace(`#/tray/${error.now}`);
      else if (error.status) put(notice, errorBox(error, reload));
    }
  }

  // What a person does.

  const locked = () => tray.closed;
  function classify(name) {
    if (locked() || !selected.length) return;
    const list = [...selected];
    const standing = { at: "", who: "you" };
    for (const n of list) {
      const o = tray.byNumber.get(n);
      tray.byNumber.set(n, { ...o, class: name, corrected: standing });
    }
    refresh();
    edits.push({ action: "class", objects: list, class: name });
    announce(`${list.length === 1 ? `Object ${list[0]}` : plural(list.length, "object")}: ${name}`);
    if (onward && list.length === 1) next(1, list[0]);
    else paint();
  }

  function remove() {
    if (locked() || !selected.length) return;
    const list = selected;
    selected = [];
    for (const n of list) tray.byNumber.delete(n);
    refresh();
    paint();
    edits.push({ action: "remove", objects: list });
  }

  function setTags(tags) {
    const [n] = selected;
    tray.byNumber.set(n, { ...tray.byNumber.get(n), tags });
    paint();
    edits.push({ action: "tags", object: n, tags });
  }

  const undo = () => !locked() && tray.undo && edits.push({ action: "undo" });
  const redo = () => !locked() && tray.redo && edits.push({ action: "redo" });

  function setMode(to) {
    if (locked() && to !== "look") return;
    if (to === "join" && mode !== "join" && selected.length === 2) {
      join();
      return;
    }
    mode = mode === to ? "look" : to;
    view.setMode(mode);
    sayMode.hidden = mode === "look";
    if (mode === "cut" && selected.length === 1) view.setBlade(selected[0]);
    if (mode !== "look") {
      const blade = view.blade ? [button("Turn", () => view.turnBlade(1)), button("Cut here", cutHere)] : null;
      put(sayMode, h("span", {}, MODES[mode]), h("span", { class: "row tight" }, blade, button("Stop", () => setMode(mode), { class: "plain" })));
      announce(MODES[mode]);
    }
    paintTools();
  }

  function cutHere() {
    if (!view.blade) return;
    const line = thin(view.bladeLine());
    setMode(mode);
    edits.push({ action: "split", object: selected[0], line });
  }

  function join() {
    edits.push({ action: "merge", objects: [...selected] });
    if (mode !== "look") setMode(mode);
  }

  function onLine(line) {
    // The object that the line is meant for: the chosen one if the line meets it, else the one that
    // most of the line lies on.
    const hits = new Map();
    for (let i = 0; i + 1 < line.length; i++) {
      for (let t = 0; t < 1; t += 0.1) {
        const x = line[i][0] + t * (line[i + 1][0] - line[i][0]);
        const y = line[i][1] + t * (line[i + 1][1] - line[i][1]);
        const at = view.toScreen(x, y);
        const n = view.at(at.x, at.y);
        if (n !== null) hits.set(n, (hits.get(n) ?? 0) + 1);
      }
    }
    const [most] = [...hits].sort((a, b) => b[1] - a[1]);
    const target = selected.length === 1 && hits.has(selected[0]) ? selected[0] : most?.[0];
    if (target === undefined) {
      toast("The line crosses no object.", "bad");
      return;
    }
    setMode(mode);
    edits.push({ action: "split", object: target, line: thin(line) });
  }

  function onPolygon(polygon) {
    if (polygon.length < 4) {
      toast("That is too small to be an object.", "bad");
      return;
    }
    setMode(mode);
    edits.push({ action: "draw", polygon: thin(polygon) });
  }

  function select(list) {
    selected = list;
    view.select(list);
    paintChosen();
    paintTools();
  }

  function onPick(n, event) {
    stage.focus({ preventScroll: true });
    if (n === null) {
      if (mode === "look" && !event.shiftKey) select([]);
      return;
    }
    if (mode === "join" || event.shiftKey || event.ctrlKey || event.metaKey) {
      select(selected.includes(n) ? selected.filter((m) => m !== n) : [...selected, n]);
      if (mode === "join" && selected.length === 2) join();
      return;
    }
    select([n]);
  }

  function onHover(n) {
    const o = tray.byNumber.get(n);
    hover.hidden = !o;
    if (!o) return;
    const crop = canvas(256);
    drawCrop(crop, bitmap, tray.size_px, o);
    put(
      hover,
      crop,
      h("div", {}, h("b", {}, `${o.object} `), named(o.class), o.corrected ? h("div", {}, `by ${o.corrected.who}`) : h("div", {}, `${share(o.confidence)} sure`), h("div", { class: "figure" }, CLASSES.map((name, i) => `${look(name).letter} ${Math.round(100 * o.p[i])}`).join(" · "), " %"), measures(o, AT_A_GLANCE).map(([label, value]) => h("div", {}, `${label.replace("equivalent ", "")} ${value}`)), o.tags.length > 0 && h("div", {}, o.tags.map(tagWords).join(", "))),
    );
    const [x, y, w, hh] = o.box;
    const a = view.toScreen(x, y);
    const b = view.toScreen(x + w, y + hh);
    const wide = hover.offsetWidth;
    const tall = hover.offsetHeight;
    const left = b.x + 12 + wide < view.width ? b.x + 12 : Math.max(4, a.x - wide - 12);
    hover.style.left = `${left}px`;
    hover.style.top = `${Math.max(4, Math.min(view.height - tall - 4, (a.y + b.y) / 2 - tall / 2))}px`;
  }

  function next(step, from = selected[0]) {
    const list = queueOf(objects());
    if (!list.length) {
      paint();
      announce("Every object has been looked at.");
      return;
    }
    const at = list.findIndex((o) => o.object === from);
    const to = at < 0 ? list[0] : list[(at + step + list.length) % list.length];
    select([to.object]);
    view.show(to.object);
    paint();
  }

  function neighbour(step) {
    const numbers = [...tray.byNumber.keys()].sort((a, b) => a - b);
    const at = numbers.indexOf(selected[0]);
    const n = numbers[(at + step + numbers.length) % numbers.length];
    if (n === undefined) return;
    select([n]);
    view.show(n);
  }

  // What is shown.

  const measures = (o, keys = null) => tray.fields.map((f, i) => (keys && !keys.includes(f.key) ? null : [f.label, o.v[i] === null || o.v[i] === undefined ? "–" : `${fixed(o.v[i], f.digits)} ${f.unit}`])).filter(Boolean);

  function paintTop() {
    const lot = load.shares.find((l) => l.lot === tray.lot);
    const one = (label, rows) => {
      const row = rows?.find((r) => r.name === "rejects");
      return row && h("span", {}, `${label} `, h("b", { class: "figure" }, share(counting(row).estimate)), h("span", { class: "soft figure" }, ` (${range(counting(row).low, counting(row).high, counting(row).estimate)})`));
    };
    put(
      top,
      h("nav", { class: "crumbs", "aria-label": "Where you are" }, h("a", { href: `#/load/${part(tray.load)}` }, tray.load), h("span", { "aria-hidden": "true" }, "›")),
      h("h1", {}, `${tray.lot}, tray ${tray.tray}`),
      tray.closed && h("span", { class: "chip" }, "closed"),
      tray.forced && h("span", { class: "chip warn" }, "measured by force"),
      h("span", { class: "shares", id: "shares" }, one("Rejects: tray", tray.shares.rows), one("lot", lot?.rows), load.verdict && verdictChip(load.verdict.outcome, load.verdict.advisory)),
    );
  }

  const ICONS = {
    undo: "M9 5 4 10l5 5M4 10h10a6 6 0 0 1 0 12h-3",
    redo: "m15 5 5 5-5 5M20 10H10a6 6 0 0 0 0 12h3",
    cut: "M4 20 20 4M5 9a7 7 0 0 1 6-4M19 15a7 7 0 0 1-6 4",
    join: "M9 12a5 5 0 1 0-.01 0M15 12a5 5 0 1 1 .01 0M9 12h6",
    draw: "M4 20l1-5L16 4l4 4L9 19l-5 1M13 7l4 4",
    remove: "M5 5l14 14M19 5 5 19",
    outlines: "M12 5c5 0 8 4 9 7-1 3-4 7-9 7s-8-4-9-7c1-3 4-7 9-7m0 4a3 3 0 1 0 .01 0",
    next: "M5 12h13M13 6l6 6-6 6",
  };
  const icon = (name) => s("svg", { viewBox: "0 0 24 24", width: 22, height: 22, "aria-hidden": "true" }, s("path", { d: ICONS[name], fill: "none", stroke: "currentColor", "stroke-width": 2, "stroke-linecap": "round", "stroke-linejoin": "round" }));

  function paintTools() {
    const tool = (name, words, key, action, props = {}) => button([icon(name), h("span", {}, words)], action, { title: `${words} (${key})`, data: { tool: name }, ...props });
    const no = locked();
    put(
      tools,
      tool("undo", "Undo", "Z", undo, { disabled: no || !tray.undo, "aria-label": tray.undo ? `Undo: ${tray.undo.words}` : "Undo" }),
      tool("redo", "Redo", "Y", redo, { disabled: no || !tray.redo, "aria-label": tray.redo ? `Redo: ${tray.redo.words}` : "Redo" }),
      tool("outlines", "Lines", "L", () => toggleOutlines(), { "aria-pressed": String(view.outlines) }),
      tool("next", "Next", "N", () => next(1)),
      tool("cut", "Cut", "C", () => setMode("cut"), { disabled: no, "aria-pressed": String(mode === "cut") }),
      tool("join", "Join", "J", () => setMode("join"), { disabled: no, "aria-pressed": String(mode === "join") }),
      tool("draw", "Draw", "O", () => setMode("draw"), { disabled: no, "aria-pressed": String(mode === "draw") }),
      tool("remove", "Remove", "Del", remove, { disabled: no || !selected.length }),
    );
  }

  function toggleOutlines() {
    view.setOutlines(!view.outlines);
    paintTools();
  }

  function bar(value, name) {
    return s("svg", { class: "bar-of", viewBox: "0 0 100 10", preserveAspectRatio: "none", "aria-hidden": "true" }, s("rect", { width: 100 * value, height: 10, fill: LOOKS[name].colour }));
  }

  function paintChosen() {
    if (!selected.length) {
      put(
        chosen,
        h("h2", {}, "No object chosen"),
        h("p", { class: "soft" }, "Tap an object, or press Next for the one the program is least sure of. Shift-tap chooses several."),
        button("Start with the least certain", () => next(1), { class: "main", id: "start" }),
      );
      return;
    }
    if (selected.length > 1) {
      put(chosen, h("h2", {}, `${selected.length} objects chosen`), answers(), selected.length === 2 && button("Join the two", join, { disabled: locked() }), button("Choose none", () => select([])));
      return;
    }
    const o = tray.byNumber.get(selected[0]);
    const crop = canvas(296, { role: "img", "aria-label": `Object ${o.object}, enlarged` });
    drawCrop(crop, bitmap, tray.size_px, o);
    put(
      chosen,
      h(
        "div",
        { class: "object-head" },
        crop,
        h(
          "div",
          {},
          h("h2", { id: "object-number" }, `Object ${o.object}`),
          h("p", {}, named(o.class)),
          o.corrected
            ? h("p", {}, h("small", {}, `said by ${o.corrected.who}; read as ${look(o.read).name}`))
            : h("p", { class: "soft" }, `${share(o.confidence)} sure`),
          o.drawn && h("p", {}, h("span", { class: "chip" }, "drawn by hand")),
        ),
      ),
      answers(o),
      h("div", { class: "odds", id: "odds" }, CLASSES.map((name, i) => h("div", {}, named(name), bar(o.p[i], name), h("span", { class: "figure" }, `${percent(o.p[i], 1)} %`)))),
      h("h3", {}, "Tags"),
      tagButtons(o),
      h("details", { open: window.innerWidth > 1000 }, h("summary", {}, "Measures"), h("dl", { class: "facts" }, measures(o).map(([label, value]) => [h("dt", {}, label), h("dd", {}, value)]))),
    );
  }

  const answers = (o) =>
    h(
      "div",
      { class: "answers" },
      OUTCOMES.map((name) =>
        button([sign(name), name === "unassigned" ? "cannot tell" : name, h("kbd", { "aria-hidden": "true" }, keyName(look(name).key))], () => classify(name), {
          class: name === "unassigned" ? "last" : "",
          disabled: locked(),
          "aria-pressed": o ? String(o.class === name) : null,
          data: { answer: name },
        }),
      ),
    );

  function tagButtons(o) {
    const known = about.now?.tags ?? ["rot-or-mould", "split", "sunburnt"];
    const all = [...new Set([...known, ...o.tags])];
    const toggle = (tag) => setTags(o.tags.includes(tag) ? o.tags.filter((t) => t !== tag) : [...o.tags, tag]);
    return h(
      "div",
      { class: "tags" },
      all.map((tag) => button(tagWords(tag), () => toggle(tag), { "aria-pressed": String(o.tags.includes(tag)), disabled: locked(), data: { tag } })),
      button("Own words …", ownTag, { disabled: locked() }),
    );
  }

  async function ownTag() {
    const [n] = selected;
    const words = await askWords(`Tag object ${n}`, "What is it?", { hint: "A short word of your own, for example hail", go: "Tag it" });
    const o = tray.byNumber.get(n);
    if (words && o && !o.tags.includes(words)) setTags([...o.tags, words]);
  }

  function paintQueue() {
    const list = queueOf(objects());
    const unsure = list.filter((o) => o.class === "unassigned" || o.confidence < UNSURE_BELOW);
    const looked = objects().filter((o) => o.corrected).length;
    put(
      queue,
      h("h2", {}, "Least certain first"),
      h("p", { class: "soft" }, `${plural(unsure.length, "object")} below ${100 * UNSURE_BELOW} % sure; ${looked} looked at.`),
      h(
        "label",
        { class: "check" },
        h("input", { type: "checkbox", checked: onward, onchange: (event) => (onward = event.target.checked) }),
        "Go on to the next after an answer",
      ),
      h(
        "ol",
        { class: "queue" },
        list.slice(0, 12).map((o) => {
          const crop = canvas(132, { "aria-hidden": "true" });
          drawCrop(crop, bitmap, tray.size_px, o);
          return h(
            "li",
            {},
            button([crop, `${look(o.class).letter} ${percent(o.confidence, 1)} %`], () => {
              select([o.object]);
              view.show(o.object);
            }, { "aria-label": `Object ${o.object}, ${look(o.class).name}: ${look(o.class).letter} ${percent(o.confidence, 1)} %`, "aria-current": selected.includes(o.object) ? "true" : null }),
          );
        }),
      ),
    );
  }

  function paintMore() {
    const lot = load.lots.find((l) => l.lot === tray.lot);
    const others = (lot?.trays ?? []).filter((t) => t.id !== tray.id);
    put(
      more,
      h("h2", {}, "On this tray"),
      h("ul", { class: "key" }, OUTCOMES.map((name) => [name, objects().filter((o) => (o.class ?? "unassigned") === name).length]).filter(([name, n]) => n || name !== "unassigned").map(([name, n]) => h("li", {}, named(name), ` ${n}`))),
      h("div", { class: "row" }, h("a", { class: "button", href: `#/tray/${tray.id}/sheet`, id: "to-sheet" }, "Sheet of all objects"), others.map((t) => h("a", { class: "button", href: `#/tray/${t.id}` }, `Tray ${t.tray}`))),
      tray.told.filter((t) => t.weight !== "fine").length > 0 && h("details", {}, h("summary", {}, "What the program said of the photograph"), h("ul", {}, tray.told.filter((t) => t.weight !== "fine").map((t) => h("li", {}, t.words)))),
      h("p", { class: "soft" }, h("small", {}, `Judged with “${tray.profile}” as ${tray.fruit}-skinned fruit, ${fixed(tray.px_per_mm, 2)} px/mm. Rot, mould, split and sunburnt fruit are not measured, only tagged.`)),
      h("p", { class: "soft" }, h("small", {}, about.now?.notice ?? "")),
    );
  }

  function paint() {
    if (closed) return;
    view.select(selected);
    paintTop();
    paintTools();
    paintChosen();
    paintQueue();
    paintMore();
  }

  refresh();
  paint();

  // Pictures come after the outlines: those are there at once.
  loadPicture(tray, (picture) => {
    if (closed) {
      picture.close();
      return;
    }
    bitmap = picture;
    view.addLevel(picture);
    paintChosen();
    paintQueue();
    stage.dataset.ready = String(picture.width);
  }).catch((error) => !closed && put(notice, errorBox(error, () => show(main, id))));

  if (edits.held.length) {
    put(
      notice,
      h(
        "div",
        { class: "caution", role: "alert" },
        h("p", {}, `${plural(edits.held.length, "change")} of an earlier visit did not get through: ${edits.held.map(editWords).join("; ")}.`),
        h("div", { class: "row" }, button("Make them now", () => {
          put(notice);
          edits.release();
        }, { class: "main" }), button("Leave them", () => {
          edits.drop();
          put(notice);
        })),
      ),
    );
  }

  const stops = [
    hear("ledger", (event) => {
      const others = event.changes.filter((c) => c.tray_id === tray.id && c.entry > edits.entry);
      if (!others.length || edits.busy || edits.pending) return;
      put(notice, h("div", { class: "notice" }, others.map((c) => h("p", {}, `${c.who}: ${c.words}`))));
      reload();
    }),
    hear("hello", () => !edits.busy && !edits.pending && reload()),
  ];

  useKeys([
    ...OUTCOMES.map((name, i) => [`${look(name).key} ${i + 1}`, name === "unassigned" ? "cannot tell" : name, () => classify(name)]),
    ["n", "Next least certain", () => next(1)],
    ["b", "Back to the one before", () => next(-1)],
    ["] .", "Next object by number", () => neighbour(1)],
    ["[ ,", "Object before by number", () => neighbour(-1)],
    ["z ctrl+z", "Undo", undo],
    ["y ctrl+y", "Redo", redo],
    ["c", "Cut", () => setMode("cut")],
    ["ArrowLeft", "Move the photograph, turn the line", () => (view.blade ? view.turnBlade(-1) : view.pan(60, 0))],
    ["ArrowRight", "Move the photograph, turn the line", () => (view.blade ? view.turnBlade(1) : view.pan(-60, 0))],
    ["ArrowUp", "Move the photograph", () => view.pan(0, 60)],
    ["ArrowDown", "Move the photograph", () => view.pan(0, -60)],
    ["Enter", "Cut along the line shown", cutHere],
    ["j", "Join", () => setMode("join")],
    ["o", "Draw an object", () => setMode("draw")],
    ["Delete Backspace", "Remove", remove],
    ["l", "Lines on or off", toggleOutlines],
    ["f 0", "Whole tray", () => view.fit()],
    ["+ =", "Nearer", () => view.zoom(1.5)],
    ["-", "Farther", () => view.zoom(1 / 1.5)],
    ["Escape", "Leave the tool, choose none", () => (mode === "look" ? select([]) : setMode(mode))],
    ["?", "Help", () => (location.hash = "#/help")],
  ]);
  // For measuring how smoothly the canvas goes.
  stage.trayView = view;
  return {
    title: `${tray.load} ${tray.lot}, tray ${tray.tray}`,
    close() {
      closed = true;
      stops.forEach((stop) => stop());
      edits.close();
      view.close();
    },
  };
}

/** Fewer points, none dropped that matters: the server wants tens, a finger sends hundreds. */
function thin(line) {
  const step = Math.max(1, Math.ceil(line.length / 400));
  return line.filter((_, i) => i % step === 0 || i === line.length - 1).map(([x, y]) => [Math.round(x * 10) / 10, Math.round(y * 10) / 10]);
}
