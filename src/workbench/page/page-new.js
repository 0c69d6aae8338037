// A new load. What was typed stays in the browser until the load is open.

import { post, who } from "./api.js";
import { errorBox, field, h, put, toast } from "./dom.js";
import { termsField } from "./terms.js";

const DRAFT = "acinus.new-load";

export async function show(main) {
  const draft = JSON.parse(localStorage.getItem(DRAFT) ?? "{}");
  const fields = {};
  const input = (name, props = {}) => (fields[name] = h("input", { type: "text", autocomplete: "off", id: `new-${name}`, value: draft[name] ?? "", ...props }));
  const trouble = h("div", {});
  const keep = () => localStorage.setItem(DRAFT, JSON.stringify(Object.fromEntries(Object.entries(fields).map(([k, f]) => [k, f.value]))));
  const terms = termsField(draft.terms ?? "", keep);
  fields.terms = terms.area;
  const begin = h("button", { type: "submit", class: "main", id: "open-load" }, "Open the load");

  async function open(event) {
    event.preventDefault();
    const name = await who();
    if (!name) return;
    begin.disabled = true;
    put(trouble);
    try {
      const given = Object.fromEntries(Object.entries(fields).map(([k, f]) => [k, f.value.trim()]).filter(([, v]) => v));
      if (given.bins) given.bins = Number(given.bins);
      if (given.net_kg) given.net_kg = given.net_kg.replace(",", ".");
      if (given.terms) given.terms = fields.terms.value;
      const load = await post("/api/loads", { who: name, ...given });
      localStorage.removeItem(DRAFT);
      toast(`Load ${load.load} is open.`, "done");
      location.hash = `#/load/${encodeURIComponent(load.load)}`;
    } catch (error) {
      put(trouble, errorBox(error));
      trouble.scrollIntoView({ block: "nearest" });
    } finally {
      begin.disabled = false;
    }
  }

  put(
    main,
    h("nav", { class: "crumbs", "aria-label": "Where you are" }, h("a", { href: "#/" }, "Loads"), h("span", { "aria-hidden": "true" }, "›"), h("span", {}, "New load")),
    h("div", { class: "head" }, h("h1", {}, "New load")),
    h(
      "form",
      { class: "card", onsubmit: open, oninput: keep },
      h(
        "div",
        { class: "grid" },
        field("Load", input("load", { required: true, maxlength: 80 }), "As on its printed slips, for example HV-0417"),
        field("Grower", input("grower", { required: true, maxlength: 120 })),
        field("Variety", input("variety", { maxlength: 80 })),
        field("Block", input("block", { maxlength: 80 })),
        field("Bins", input("bins", { type: "number", min: 1, max: 10000, inputmode: "numeric" })),
        field("Net mass, kg", input("net_kg", { inputmode: "decimal", pattern: "[0-9]+([.,][0-9]+)?" }), "As the weighmaster's ticket says; it can be added later"),
      ),
      h(
        "details",
        { open: Boolean(draft.terms) },
        h("summary", {}, "Terms of the contract"),
        h("p", { class: "soft" }, "They can be added until the first tray is in, not after. Every fault is told before the load is opened."),
        terms.element,
      ),
      trouble,
      h("div", { class: "row" }, begin, h("a", { class: "button", href: "#/" }, "Cancel")),
    ),
  );
  fields.load.focus();
  return { title: "New load" };
}
