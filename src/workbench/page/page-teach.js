// A profile taught from corrected trays, held against the one in use; adopted or not.

import { get, hear, post, who } from "./api.js";
import { lineChart } from "./charts.js";
import { askWords, button, errorBox, field, h, put, toast } from "./dom.js";
import { fixed, percent, plural, range, sentence, share, when } from "./format.js";
import { useKeys } from "./keys.js";
import { CLASSES, named } from "./look.js";

export async function show(main) {
  const notice = h("div", {});
  const running = h("div", {});
  const result = h("div", {});
  const trays = h("div", {});
  const known = h("div", {});
  let teach = await get("/api/teach");
  const chosen = new Set(teach.trays.filter((t) => t.looked_at || t.corrected > 0).map((t) => t.tray_id));
  let closed = false;

  async function begin(event) {
    event.preventDefault();
    const me = await who();
    if (!me) return;
    put(notice);
    try {
      teach = await post("/api/teach", { who: me, profile: profile.value.trim(), trays: [...chosen] });
      paint();
    } catch (error) {
      put(notice, errorBox(error));
    }
  }

  async function decide(adopt) {
    const me = await who();
    if (!me) return;
    const why = await askWords(adopt ? "Adopt this profile?" : "Leave this profile?", "Why?", { hint: adopt ? "Photographs from now on are read with it; old readings keep theirs." : "The profile in use stays.", go: adopt ? "Adopt it" : "Leave it" });
    if (!why) return;
    try {
      teach = await post("/api/teach/decide", { who: me, sha256: teach.result.sha256, adopt, why });
      toast(adopt ? "The profile is adopted." : "The profile in use stays.", "done");
      paint();
    } catch (error) {
      put(notice, errorBox(error));
    }
  }

  const profile = h("input", { type: "text", required: true, maxlength: 60, id: "profile-name", autocomplete: "off", value: `${new Date().getFullYear()} corrected` });

  function confusion(score, title) {
    return h(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": title },
      h(
        "table",
        {},
        h("caption", { class: "heard" }, title),
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "is ↓ read as →"), CLASSES.map((name) => h("th", { scope: "col" }, name)))),
        h("tbody", {}, score.confusion.map((row, i) => h("tr", {}, h("th", { scope: "row" }, named(CLASSES[i])), row.map((n, j) => h("td", {}, i === j ? h("b", {}, String(n)) : String(n)))))),
      ),
    );
  }

  function resultCard(r) {
    const scores = [["in use", r.old], ["new", r.new]];
    const reliability = (score) => score.reliability.filter((b) => b.objects > 0).map((b) => [b.said, b.right]);
    return h(
      "section",
      { class: "card", id: "teach-result" },
      h("h2", {}, `“${r.profile}” against “${r.base ?? teach.current}”`),
      h("p", { class: "soft" }, `${plural(r.trays, "tray")}, ${plural(r.objects, "object")}; each tray judged by a profile that never saw it (${r.folds} rounds). ${sentence(r.what)}.`),
      h("div", { class: "big" }, scores.map(([words, score]) => h("div", {}, h("span", { class: "soft" }, `class right, ${words}`), h("b", {}, share(score.accuracy)), h("span", { class: "soft" }, range(score.low, score.high, score.accuracy))))),
      h("ul", {}, r.words.map((w) => h("li", {}, w))),
      h(
        "div",
        { class: "scroll", tabindex: 0, role: "region", "aria-label": "Class by class" },
        h(
          "table",
          {},
          h("thead", {}, h("tr", {}, ["class", "found, in use", "found, new", "right when said, in use", "right when said, new"].map((w) => h("th", { scope: "col" }, w)))),
          h(
            "tbody",
            {},
            r.new.classes.map((c, i) => h("tr", {}, h("th", { scope: "row" }, named(c.class)), [r.old.classes[i]?.recall, c.recall, r.old.classes[i]?.precision, c.precision].map((v) => h("td", {}, v === null || v === undefined ? "–" : `${percent(v, 1)} %`)))),
          ),
        ),
      ),
      h("div", { class: "pair" }, scores.map(([words, score]) => h("div", {}, h("h3", {}, `Mixed up, ${words}`), confusion(score, `Mixed up, ${words}`)))),
      h("h3", {}, "Said and right"),
      lineChart({
        title: "Reliability: how sure the profile said it was, against how often it was right",
        x: { label: "how sure it said it was, %", low: 0, high: 1, say: (v) => fixed(100 * v, 0) },
        y: { label: "how often it was right, %", low: 0, high: 1, say: (v) => fixed(100 * v, 0) },
        series: [
          { name: "", points: reliability(r.new), dots: true },
          { name: "", points: reliability(r.old), className: "second", dots: true },
        ],
        diagonal: true,
      }),
      h("p", { class: "soft" }, "Unbroken: new; dashed: in use; dotted: as sure as right."),
      r.decided
        ? h("p", { class: "fine" }, typeof r.decided === "string" ? `${{ adopted: "Adopted: photographs from now on are read with it.", declined: "Left: the profile in use stays." }[r.decided] ?? r.decided}` : `${r.decided.adopted ? "Adopted" : "Left"} by ${r.decided.who}, ${when(r.decided.at)}.`)
        : h("div", { class: "row" }, button("Adopt it", () => decide(true), { class: "main", id: "adopt" }), button("Leave it", () => decide(false), { id: "leave" })),
    );
  }

  function paint() {
    if (closed) return;
    const run = teach.running;
    put(
      running,
      run && h("section", { class: "card" }, h("h2", {}, `Teaching “${run.profile}”`), h("p", { role: "status" }, run.step), h("progress", { max: run.of, value: run.done, "aria-label": "Progress of teaching" })),
    );
    put(result, teach.failed && !run && h("p", { class: "trouble" }, `The last teaching came to nothing: ${teach.failed}`), teach.result && resultCard(teach.result));
    put(
      trays,
      h(
        "form",
        { class: "card", onsubmit: begin },
        h("h2", {}, "Teach a profile for this fruit"),
        h("p", {}, "Choose trays on which every object was looked at and put right. The more trays, the better it knows the fruit.", teach.least && ` At least ${teach.least.trays} trays with ${teach.least.objects} objects are needed.`),
        teach.trays.length
          ? h(
              "div",
              {},
              teach.trays.map((t) =>
                h(
                  "label",
                  { class: "check" },
                  h("input", {
                    type: "checkbox",
                    checked: chosen.has(t.tray_id),
                    onchange: (event) => (event.target.checked ? chosen.add(t.tray_id) : chosen.delete(t.tray_id)),
                  }),
                  h("span", {}, `${t.load} ${t.lot}, tray ${t.tray}: ${plural(t.objects, "object")}, ${t.corrected} corrected`),
                  t.looked_at && h("span", { class: "chip good" }, "looked at"),
                ),
              ),
            )
          : h("p", { class: "empty" }, "There are no trays yet."),
        field("Name of the new profile", profile),
        h("button", { type: "submit", class: "main", id: "teach", disabled: Boolean(run) || !teach.trays.length }, "Teach"),
      ),
    );
    put(
      known,
      h(
        "section",
        { class: "card" },
        h("h2", {}, "Profiles"),
        h("p", {}, "In use: ", h("b", {}, teach.current)),
        h("ul", { class: "plain" }, teach.profiles.map((p) => h("li", {}, h("b", {}, p.profile), p.adopted && h("span", { class: "chip good" }, "adopted"), ` ${p.who ?? ""} ${p.at ? when(p.at) : ""}`))),
        h("p", { class: "soft" }, "A tray keeps the profile that it was read with."),
      ),
    );
  }

  put(main, h("div", { class: "head" }, h("h1", {}, "Teach")), notice, running, result, h("div", { class: "pair" }, trays, known));
  paint();
  const refresh = async () => {
    try {
      teach = await get("/api/teach");
      paint();
    } catch {
      // The bar above says so.
    }
  };
  const stops = [
    hear("teach", (next) => {
      if (!next.running) refresh();
      else {
        const before = Boolean(teach.running);
        teach = { ...teach, running: next.running };
        if (before) put(running, h("section", { class: "card" }, h("h2", {}, `Teaching “${next.running.profile}”`), h("p", { role: "status" }, next.running.step), h("progress", { max: next.running.of, value: next.running.done, "aria-label": "Progress of teaching" })));
        else paint();
      }
    }),
    hear("hello", refresh),
  ];
  useKeys([["?", "Help", () => (location.hash = "#/help")]]);
  return {
    title: "Teach",
    close() {
      closed = true;
      stops.forEach((stop) => stop());
    },
  };
}
