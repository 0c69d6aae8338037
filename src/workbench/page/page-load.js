// One load: what is still to do, its trays, shares and verdict, and new photographs.

import { get, hear, loadPath, movedOn, part, post, who } from "./api.js";
import { ask, button, choice, errorBox, field, h, put, toast } from "./dom.js";
import { plural, sentence, whole, when } from "./format.js";
import { addPhotographs, jobList } from "./jobs.js";
import { useKeys } from "./keys.js";
import { cautions, fetchLoad, frame, headline, inOrder, shareTable, verdictCard } from "./load-frame.js";
import { termsField } from "./terms.js";

function todoCard(load) {
  const base = `#/load/${part(load.load)}`;
  const act = (todo) => {
    if (todo.what === "look" && todo.tray_id) return h("a", { class: "button", href: `#/tray/${todo.tray_id}` }, "Look");
    if (todo.what === "tray") return button("Add trays", () => document.getElementById("camera")?.focus());
    if (/review|settle|accept|part/.test(todo.what)) return h("a", { class: "button", href: `${base}/parties` }, "Open");
    if (/deliver|mass|net/.test(todo.what)) return button("Enter", () => openDetails("delivery"));
    if (/terms/.test(todo.what)) return button("Enter", () => openDetails("terms"));
    if (/plan/.test(todo.what)) return button("Plan", () => openDetails("plan"));
    if (todo.what === "close") return button("Close", () => document.getElementById("close-load")?.click());
    return h("span", {});
  };
  return h(
    "section",
    { class: "card", id: "todo" },
    h("h2", {}, load.closed ? "Closed" : "Still to do"),
    load.closed
      ? h("p", {}, `Closed by ${load.closed.who ?? "–"}, ${when(load.closed.at ?? load.closed)}. Nothing can be added; its figures stand in the history.`)
      : load.todo.length || load.unfinished.length
        ? h(
            "ul",
            { class: "steps" },
            load.todo.map((todo) => h("li", {}, h("span", {}, sentence(todo.words)), act(todo))),
            load.unfinished.map((job) => h("li", {}, h("span", {}, `${job.name}: ${job.words}`), h("span", { class: "chip warn" }, "unfinished"))),
          )
        : h("p", { class: "fine" }, "Nothing: every planned tray is in."),
  );
}

function openDetails(id) {
  const details = document.getElementById(id);
  if (!details) return;
  details.open = true;
  details.scrollIntoView({ block: "center" });
  details.querySelector("input, textarea")?.focus();
}

function trayTile(tray) {
  return h(
    "li",
    {},
    h(
      "a",
      { class: "tray-tile", href: `#/tray/${tray.id}`, data: { tray: tray.id } },
      h("img", { src: `/api/photos/${tray.sha256}?width=400`, alt: "", loading: "lazy", width: 400, height: 300 }),
      h(
        "span",
        { class: "about" },
        h("b", {}, `Tray ${tray.tray}`),
        tray.bin && h("span", { class: "soft" }, `, bin ${tray.bin}`),
        h("br"),
        h("small", {}, plural(tray.objects, "object"), tray.corrected ? `, ${tray.corrected} corrected` : ""),
        h("br"),
        tray.uncertain > 0 ? h("span", { class: "chip warn" }, `${tray.uncertain} uncertain`) : h("span", { class: "chip good" }, "none uncertain"),
        tray.forced && h("span", { class: "chip warn" }, "measured by force"),
      ),
    ),
  );
}

const missingTile = (missing) =>
  h(
    "li",
    {},
    h(
      "div",
      { class: "tray-tile missing" },
      h("span", { class: "gap", "aria-hidden": "true" }, "?"),
      h("span", { class: "about" }, h("b", {}, `Tray ${missing.tray} is missing`), h("br"), h("small", {}, `bin ${missing.bin}`, missing.depths?.length ? `, scoop from ${missing.depths.join(", ")}` : "")),
    ),
  );

function lotCard(load, lot) {
  const shares = load.shares.find((s) => s.lot === lot.lot);
  const figures = load.figures?.lots?.find((l) => l.lot === lot.lot);
  return h(
    "section",
    { class: "card lot", data: { lot: lot.lot } },
    h("h2", {}, lot.lot),
    h("p", { class: "soft" }, lot.planned ? `${lot.planned - lot.missing.length} of ${plural(lot.planned, "planned tray")} in` : plural(lot.trays.length, "tray"), shares?.mass_g ? `; about ${whole(shares.mass_g)} g on the trays` : ""),
    shares?.rows?.length > 0 && [headline(shares), shareTable(shares, `Shares of ${lot.lot}`)],
    shares && !shares.rows?.length && h("p", { class: "caution" }, shares.no_figures),
    h("ul", { class: "trays" }, lot.trays.map(trayTile), lot.missing.map(missingTile)),
    cautions(figures?.figures?.cautions),
  );
}

function refusedCard(load) {
  if (!load.refused.length) return null;
  return h(
    "details",
    { class: "card" },
    h("summary", {}, `${plural(load.refused.length, "photograph")} refused, and kept`),
    h("ul", {}, load.refused.map((r) => h("li", {}, h("b", {}, r.photo), r.tray ? ` (${r.lot}, tray ${r.tray})` : "", `: ${r.reason}`, h("small", { class: "soft" }, ` ${r.who}, ${when(r.at)}`)))),
  );
}

function deliveryForm(load, saved) {
  const known = load.figures?.delivery ?? {};
  const inputs = {};
  const text = (name, props = {}) => (inputs[name] = h("input", { type: "text", autocomplete: "off", value: known[name] ?? "", ...props }));
  const number = (name) => text(name, { inputmode: "decimal", pattern: "-?[0-9]+([.,][0-9]+)?" });
  const chosen = {};
  const words = (name, legend, options) => choice(legend, [["", "not known"], ...options], known[name] ?? "", (value) => (chosen[name] = value || undefined));
  const trouble = h("div", {});
  const send = async (event) => {
    event.preventDefault();
    const name = await who();
    if (!name) return;
    const body = { who: name, seen: load.entry };
    for (const [key, input] of Object.entries(inputs)) {
      const value = input.value.trim();
      if (value && value !== (known[key] ?? "")) body[key] = input.inputMode === "decimal" ? value.replace(",", ".") : value;
    }
    for (const [key, value] of Object.entries(chosen)) if (value) body[key] = value;
    if (why.value.trim()) body.why = why.value.trim();
    await saved(() => post(`${loadPath(load.load)}/delivery`, body), trouble, "The delivery is recorded.");
  };
  const why = h("input", { type: "text", autocomplete: "off" });
  return h(
    "form",
    { onsubmit: send },
    h(
      "div",
      { class: "grid" },
      field("Net mass, kg", number("net_kg"), "Left out, it is worked out from gross and tares"),
      field("Gross, kg", number("gross_kg")),
      field("Empty truck, kg", number("truck_tare_kg")),
      field("Empty bins, kg", number("bin_tare_kg")),
      field("Weighmaster's ticket", text("ticket")),
      field("Fruit temperature, °C", number("fruit_celsius")),
    ),
    words("sampling_point", "Sampled from", [["bin", "bins"], ["hopper", "hopper"], ["after-destemmer", "after the destemmer"]]),
    words("picking", "Picked by", [["hand", "hand"], ["machine", "machine"]]),
    words("wet", "Fruit is", [["dry", "dry"], ["rain", "wet from rain"], ["dew", "wet from dew"]]),
    words("free_juice", "Free juice", [["none", "none"], ["some", "some"], ["much", "much"]]),
    field("Why, if something said before changes", why),
    trouble,
    h("button", { type: "submit", class: "main" }, "Record the delivery"),
  );
}

function planForm(load, saved) {
  const bins = h("input", { type: "number", min: 1, max: 10000, required: true, inputmode: "numeric", value: load.figures?.bins ?? "" });
  const expected = h("input", { type: "text", inputmode: "decimal", value: "5" });
  const wide = h("input", { type: "text", inputmode: "decimal", value: "2" });
  const trouble = h("div", {});
  const share = (input) => Number(input.value.replace(",", ".")) / 100;
  const send = async (event) => {
    event.preventDefault();
    const name = await who();
    if (!name) return;
    await saved(() => post(`${loadPath(load.load)}/plan`, { who: name, seen: load.entry, lot: "UNSORTED", bins: Number(bins.value), expected_share: share(expected), half_width: share(wide) }), trouble, "The plan is fixed: bins are drawn by its seed.");
  };
  return h(
    "form",
    { onsubmit: send },
    h("p", { class: "soft" }, "Which bins to take trays from is drawn by lot, from the ledger's own seed, before the first photograph."),
    h("div", { class: "grid" }, field("Bins in the load", bins), field("Rejects expected, %", expected), field("Wanted within ± points", wide)),
    trouble,
    h("button", { type: "submit", class: "main" }, "Draw the plan"),
  );
}

function termsForm(load, saved) {
  const terms = termsField(load.terms?.text ?? "");
  const trouble = h("div", {});
  const send = async (event) => {
    event.preventDefault();
    const name = await who();
    if (!name) return;
    const body = { who: name, seen: load.entry, terms: terms.area.value };
    if (load.terms) body.why = "other terms";
    await saved(() => post(`${loadPath(load.load)}/terms`, body), trouble, "The terms are fixed.");
  };
  return h("form", { onsubmit: send }, terms.element, trouble, h("button", { type: "submit", class: "main" }, "Fix these terms"));
}

export async function show(main, name) {
  let load = await fetchLoad(name);
  const body = frame(main, load, "");
  const todo = h("div", {});
  const verdict = h("div", {});
  const lots = h("div", {});
  const rest = h("div", {});
  const forms = h("div", {});
  const add = h("section", { class: "card", id: "add" });
  const moved = h("div", {});
  const jobs = jobList(name, () => load.lots.map((l) => l.lot));

  // Sends a change; a load that moved on is shown anew with who did what.
  async function saved(send, trouble, done) {
    put(trouble);
    try {
      take(await send());
      toast(done, "done");
      fillForms();
    } catch (error) {
      put(trouble, errorBox(error.changes ? Object.assign(error, { message: movedOn(error) }) : error));
      if (error.status === 409) {
        load = await fetchLoad(name);
        take(load);
      }
    }
  }

  async function closeLoad() {
    const sure = await ask("Close the load?", (close) => [
      h("p", {}, "Its figures and verdict are frozen and nothing can be added afterwards. This closes without the two parties' agreement."),
      h("div", { class: "row" }, button("Close the load", () => close(true), { class: "main" }), button("Leave it open", () => close(false))),
    ]);
    if (!sure) return;
    const me = await who();
    if (me) await saved(() => post(`${loadPath(name)}/close`, { who: me, seen: load.entry }), moved, "The load is closed. Take the receipt with you.");
  }

  let framed = JSON.stringify([load.closed, load.verdict?.outcome]);
  function take(next) {
    load = next;
    const state = JSON.stringify([load.closed, load.verdict?.outcome]);
    if (state !== framed) {
      framed = state;
      frame(main, load, "").replaceWith(body);
    }
    put(todo, todoCard(load));
    put(verdict, verdictCard(load));
    put(lots, load.lots.length ? inOrder(load.lots).map((lot) => lotCard(load, lot)) : h("p", { class: "card empty" }, "No lots yet: they come with the first tray or the plan."));
    put(
      rest,
      cautions(load.cautions),
      refusedCard(load),
      load.assumptions.length > 0 && h("details", { class: "card" }, h("summary", {}, "What was assumed"), h("ul", {}, load.assumptions.map((w) => h("li", {}, w)))),
    );
    add.hidden = Boolean(load.closed);
    forms.hidden = Boolean(load.closed);
  }

  function fillForms() {
    const hasPlan = load.lots.some((l) => l.planned);
    put(
      forms,
      h("details", { class: "card", id: "delivery" }, h("summary", {}, `Delivery${load.figures?.delivery?.net_kg ? `: ${load.figures.delivery.net_kg} kg net` : ""}`), deliveryForm(load, saved)),
      !load.lots.some((l) => l.trays.length) && h("details", { class: "card", id: "terms" }, h("summary", {}, load.terms ? `Terms: “${load.terms.name}”` : "Terms of the contract"), termsForm(load, saved)),
      !hasPlan && !load.lots.some((l) => l.trays.length) && h("details", { class: "card", id: "plan" }, h("summary", {}, "Plan which bins to sample"), planForm(load, saved)),
      h("div", { class: "row" }, button("Close the load", closeLoad, { class: "danger", id: "close-load" })),
    );
  }

  let refetching = 0;
  function refetch() {
    clearTimeout(refetching);
    refetching = setTimeout(async () => {
      try {
        take(await get(loadPath(name)));
      } catch (error) {
        if (error.status) put(moved, errorBox(error, refetch));
      }
    }, 120);
  }

  put(add, h("h2", {}, "Add trays"), addPhotographs(name, load.lots.map((l) => l.lot)), jobs.list);
  put(body, moved, h("div", { class: "pair" }, h("div", {}, todo, add), verdict), lots, forms, rest);
  take(load);
  fillForms();
  const stops = [
    hear("ledger", (e) => e.changes.some((c) => c.load === name || c.load === null) && refetch()),
    hear("hello", refetch),
    hear("job", (job) => ["refused", "recorded"].includes(job.state) && refetch()),
    jobs.close,
    () => clearTimeout(refetching),
  ];
  useKeys([
    ["a", "Add trays", () => document.getElementById("files")?.focus()],
    ["?", "Help", () => (location.hash = "#/help")],
  ]);
  return { title: name, close: () => stops.forEach((stop) => stop()) };
}
