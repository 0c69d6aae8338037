// What a sorter would do by a rule: sliders, a curve with the point on it, rings on the photograph.

import { loadPath, post } from "./api.js";
import { lineChart } from "./charts.js";
import { button, choice, errorBox, freshId, h, put } from "./dom.js";
import { fixed, money, percent, plural, share } from "./format.js";
import { useKeys } from "./keys.js";
import { cautions, fetchLoad, frame, inOrder } from "./load-frame.js";
import { CLASSES, named } from "./look.js";
import { fetchTray, loadPicture } from "./tray-data.js";
import { TrayView } from "./trayview.js";

// [place in the rule, words, unit, low, high, step, start, share]
const RULES = [
  ["reject_probability", "Blow out from this chance of being no sound berry", "%", 0.01, 0.99, 0.01, 0.5, true],
  ["min_diameter_mm", "Blow out what is smaller", "mm", 4, 20, 0.1, 8],
  ["max_wrinkle", "Blow out what is more wrinkled", "%", 2, 60, 0.5, 25],
  ["max_lightness", "Blow out what is lighter", "L*", 10, 95, 0.5, 60],
  ["min_a", "Blow out what is greener", "a*", -30, 30, 0.5, -5],
  ["max_b", "Blow out what is yellower", "b*", -20, 60, 0.5, 20],
  ["max_green_share", "Blow out what has more green", "%", 0.01, 1, 0.01, 0.4, true],
];
const CLASS_RULES = CLASSES.slice(1).map((name) => [`${name}_probability`, `Blow out from this chance of being ${name}`, "%", 0.01, 0.99, 0.01, 0.5, true]);
const MACHINE = [
  ["belt_m_s", "Belt speed", "m/s", 0.5, 6, 0.1, 3],
  ["throughput_t_h", "Throughput", "t/h", 0.5, 15, 0.1, 4],
  ["belt_width_m", "Belt width", "m", 0.3, 2, 0.05, 1],
  ["camera_fall_m", "Fall from belt to camera", "m", 0, 0.4, 0.01, 0.05],
  ["jet_fall_m", "Fall from belt to jets", "m", 0.02, 0.6, 0.01, 0.2],
  ["jet_pitch_mm", "Between jets", "mm", 2, 20, 0.5, 5],
  ["open_ms", "Jet open", "ms", 1, 30, 0.5, 10],
  ["speed_sd_m_s", "Scatter of speed", "m/s", 0, 0.5, 0.01, 0.05],
  ["neighbour_limit", "Neighbours allowed", "%", 0.005, 0.2, 0.005, 0.02, true],
  ["clump", "Berries that lie together", "", 1, 6, 0.1, 1],
];

const LIMIT_NAMES = {
  reject_probability: "the chance of being no sound berry",
  shriveled_probability: "the chance of being shriveled",
  underripe_probability: "the chance of being underripe",
  debris_probability: "the chance of being debris",
  min_diameter_mm: "the smallest diameter",
  max_wrinkle: "the wrinkle limit",
  max_lightness: "the lightness limit",
  min_a: "the green limit",
  max_b: "the yellow limit",
  max_green_share: "the limit on green",
};
const limitWords = (limit) =>
  limit?.kind === "at" ? `at ${fixed(limit.t_h, 1)} t/h` : ({ nothing_picked: "never: nothing is blown out", beyond_one_layer: "not before fruit lies in more than one layer", always: "at any throughput" })[limit?.kind] ?? "–";

const shown = (value, [, , unit, , , step, , isShare]) => (isShare ? `${(100 * value).toFixed(step < 0.01 ? 1 : 0)} ${unit}` : `${Number(value).toFixed(step < 0.1 ? 2 : step < 1 ? 1 : 0)} ${unit}`);

export async function show(main, name) {
  const load = await fetchLoad(name);
  const body = frame(main, load, "/what-if");
  const lots = inOrder(load.lots).filter((l) => l.trays.length);
  if (!lots.length) {
    put(body, h("p", { class: "card empty" }, "There is no tray to try a rule on yet."));
    return { title: `${name}: what-if` };
  }
  let lot = lots.find((l) => l.lot === "UNSORTED") ?? lots[0];
  const rule = { reject_probability: 0.5 };
  const machine = Object.fromEntries(MACHINE.map((m) => [m[0], m[6]]));
  let busy = false;
  let stale = false;
  let closed = false;
  let tray = null;
  let view = null;
  let picked = [];

  const figures = h("section", { class: "card", id: "what-if-figures", "aria-live": "polite" });
  const curve = h("section", { class: "card" });
  const byClass = h("section", { class: "card" });
  const rings = h("section", { class: "card" });
  const mechanics = h("section", { class: "card" });
  const notice = h("div", {});

  /** A slider; with `off` it may be left out of the rule. */
  function slider(def, now, set, off) {
    const [, words, , low, high, step, start] = def;
    const id = freshId("slider");
    const range = h("input", { type: "range", id, min: low, max: high, step, value: now ?? start, disabled: off && now === null });
    const out = h("output", { for: id }, off && now === null ? "off" : shown(Number(range.value), def));
    const change = () => {
      const on = !off || box.checked;
      range.disabled = !on;
      out.textContent = on ? shown(Number(range.value), def) : "off";
      range.setAttribute("aria-valuetext", out.textContent);
      set(on ? Number(range.value) : null);
      ask();
    };
    range.addEventListener("input", change);
    const box = off ? h("input", { type: "checkbox", checked: now !== null, onchange: change, "aria-label": `Use: ${words}` }) : null;
    return h("div", { class: "slider" }, h("label", { for: off ? null : id }, box, words), out, Object.assign(range, { ariaLabel: words }));
  }

  // One question on its way at most; the last setting is always asked.
  async function ask() {
    if (closed) return;
    if (busy) {
      stale = true;
      return;
    }
    busy = true;
    const begun = performance.now();
    try {
      const answer = await post(`${loadPath(name)}/what-if`, { lot: lot.lot, rule, machine });
      if (closed) return;
      put(notice);
      paint(answer);
      figures.dataset.milliseconds = (performance.now() - begun).toFixed(1);
    } catch (error) {
      if (!closed) put(notice, errorBox(error, ask));
    } finally {
      busy = false;
      if (stale) {
        stale = false;
        ask();
      }
    }
  }

  function paint(a) {
    picked = a.picked;
    view?.setRinged(ringsOf(tray?.id));
    put(
      figures,
      h("h2", {}, "By this rule"),
      h(
        "div",
        { class: "big" },
        h("div", {}, h("span", { class: "soft" }, "rejects removed"), h("b", { id: "removed" }, share(a.rejects_removed)), h("span", { class: "soft" }, `rule alone ${share(a.picks.rejects_removed)}`)),
        h("div", {}, h("span", { class: "soft" }, "sound fruit lost"), h("b", { id: "lost" }, share(a.sound_lost)), h("span", { class: "soft" }, `rule alone ${share(a.picks.sound_lost)}`)),
        h("div", {}, h("span", { class: "soft" }, "blown out"), h("b", {}, String(a.picks.picked)), h("span", { class: "soft" }, `of ${plural(a.objects, "object")}`)),
        a.money && h("div", {}, h("span", { class: "soft" }, "sorting a tonne"), h("b", {}, `${String(a.money.gain).startsWith("-") ? "" : "+"}${money(a.money.gain, a.money.currency)}`), h("span", { class: "soft" }, `${money(a.money.unsorted)} unsorted, ${money(a.money.sorted)} sorted`)),
      ),
      a.no_money && h("p", { class: "soft" }, `No money: ${a.no_money}`),
    );
    put(
      byClass,
      cautions(a.cautions),
      h("h2", {}, "Class by class"),
      h(
        "div",
        { class: "scroll", tabindex: 0, role: "region", "aria-label": "Blown out by class" },
        h("table", {}, h("thead", {}, h("tr", {}, ["class", "mass in the lot", "blown out by the rule"].map((w) => h("th", { scope: "col" }, w)))), h("tbody", {}, a.picks.classes.map((c) => h("tr", {}, h("th", { scope: "row" }, named(c.class)), h("td", {}, `${fixed(c.mass_g, 1)} g`), h("td", {}, c.share === null ? "–" : `${percent(c.share)} %`))))),
      ),
    );
    const alone = a.curve.map((p) => [p.sound_lost, p.rejects_removed]).filter((p) => p[0] < 0.5);
    const inAll = a.curve.map((p) => [p.sound_lost_in_all, p.rejects_removed_in_all]).filter((p) => p[0] < 0.5);
    const points = [...alone, ...inAll];
    const seen = [...points.map((p) => p[1]), a.picks.rejects_removed, a.rejects_removed];
    const lowest = Math.max(0, Math.floor(10 * Math.min(...seen) - 0.5) / 10);
    put(
      curve,
      h("h2", {}, "Removed against lost"),
      lineChart({
        width: 460,
        height: 340,
        title: `Trade curve; your rule removes ${share(a.picks.rejects_removed)} of the rejects and loses ${share(a.picks.sound_lost)} of the sound fruit`,
        x: { label: "sound fruit lost, % of its mass", low: 0, high: Math.max(0.02, ...points.map((p) => p[0]), a.sound_lost * 1.15), say: (v) => fixed(100 * v, v < 0.1 ? 1 : 0) },
        y: { label: "rejects removed, % of their mass", low: lowest, high: 1, say: (v) => fixed(100 * v, 0) },
        series: [{ points: alone }, { points: inAll }],
        mark: { x: a.picks.sound_lost, y: a.picks.rejects_removed, words: "your rule" },
        marks: [{ x: a.sound_lost, y: a.rejects_removed, words: "with neighbours" }],
      }),
      h("p", { class: "soft" }, `As ${LIMIT_NAMES[a.turned] ?? "the limit"} is moved and the rest stays. Unbroken: the rule alone; dashed: with neighbours.`),
    );
    const m = a.mechanics;
    put(
      mechanics,
      h("h2", {}, "The machine"),
      h(
        "dl",
        { class: "facts" },
        [
          ["Camera to jets", `${fixed(1000 * (m.at_jets.seconds - m.at_camera.seconds), 1)} ms`],
          ["Timing scatter", `${fixed(m.timing_sd_ms, 2)} ms`],
          ["Shortest useful opening", `${fixed(m.least_open_ms, 1)} ms`],
          ["Puff", `${fixed(m.puff_width_mm, 0)} × ${fixed(m.puff_length_mm, 0)} mm`],
          ["Fruit", `${fixed(m.berries_per_s, 0)} berries a second, ${share(m.cover)} of the belt covered`],
          ["Neighbours blown out", `${share(a.co_ejected)}${a.simulated ? ", simulated" : ""}`],
          ["Their limit is reached", limitWords(a.limit)],
        ].map(([dt, dd]) => [h("dt", {}, dt), h("dd", {}, dd)]),
      ),
      h(
        "div",
        { class: "scroll", tabindex: 0, role: "region", "aria-label": "Delays" },
        h("table", {}, h("thead", {}, h("tr", {}, ["belt, m/s", "delay, ms", "before the edge, mm"].map((w) => h("th", { scope: "col" }, w)))), h("tbody", {}, m.delays.map((d) => h("tr", {}, h("td", {}, fixed(d.belt_m_s, 2)), h("td", {}, fixed(d.delay_ms, 1)), h("td", {}, fixed(d.ahead_mm, 0)))))),
      ),
    );
  }

  const ringsOf = (id) => picked.find((p) => p.tray_id === id)?.objects ?? [];

  async function showTray(id) {
    view?.close();
    view = null;
    const stage = h("canvas", { tabindex: 0, role: "img", "aria-label": "Photograph with rings on the objects that would be blown out" });
    put(
      rings,
      h("h2", {}, "Ringed: blown out"),
      lot.trays.length > 1 && h("div", { class: "row" }, lot.trays.map((t) => button(`Tray ${t.tray}`, () => showTray(t.id), { "aria-pressed": String(t.id === id) }))),
      h("div", { class: "ring-stage" }, stage),
    );
    try {
      tray = await fetchTray(id);
      if (closed) return;
      view = new TrayView(stage, { width: tray.size_px[0], height: tray.size_px[1] });
      view.setOutlines(false);
      view.setObjects([...tray.byNumber.values()]);
      view.setRinged(ringsOf(id));
      const mine = view;
      await loadPicture({ ...tray, widths: tray.widths.filter((w) => w <= 1700).slice(-1) }, (picture) => (mine === view && !closed ? view.addLevel(picture) : picture.close()));
    } catch (error) {
      put(rings, errorBox(error, () => showTray(id)));
    }
  }

  put(
    body,
    notice,
    h(
      "div",
      { class: "what-if" },
      h(
        "section",
        { class: "card", "aria-label": "Rule and machine" },
        lots.length > 1 && choice("Lot", lots.map((l) => [l.lot, l.lot]), lot.lot, (value) => {
          lot = lots.find((l) => l.lot === value);
          showTray(lot.trays[0].id);
          ask();
        }),
        h("h2", {}, "Rule"),
        slider(RULES[0], rule.reject_probability, (v) => (rule.reject_probability = v), true),
        h("details", {}, h("summary", {}, "More limits"), CLASS_RULES.map((def) => slider(def, null, (v) => (rule[def[0]] = v), true)), RULES.slice(1).map((def) => slider(def, null, (v) => (rule[def[0]] = v), true))),
        h("details", {}, h("summary", {}, "Machine"), MACHINE.map((def) => slider(def, def[6], (v) => (machine[def[0]] = v), false))),
      ),
      h("div", {}, figures, h("div", { class: "pair" }, curve, rings), byClass, mechanics),
    ),
  );
  await Promise.all([ask(), showTray(lot.trays[0].id)]);
  useKeys([["?", "Help", () => (location.hash = "#/help")]]);
  return {
    title: `${name}: what-if`,
    close() {
      closed = true;
      view?.close();
    },
  };
}
