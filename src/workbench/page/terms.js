// A contract's terms, typed or taken from a file, and checked while they are typed.

import { post } from "./api.js";
import { errorBox, field, h, put } from "./dom.js";

const EXAMPLE = `version = 1
name = "House terms"
currency = "USD"
price_per_tonne = "1850.00"

[[rule]]
name = "all rejects"
of = ["rejects"]
free_percent = 2
deduct_per_point = "1.5"
refuse_above_percent = 12
doubt = "grower"
`;

/** A field for terms; `changed` is told of every change. */
export function termsField(start, changed = () => {}) {
  const area = h("textarea", { id: "new-terms", spellcheck: "false", value: start });
  const checked = h("div", { role: "status" });
  let turn = 0;
  async function check() {
    const mine = ++turn;
    if (!area.value.trim()) {
      put(checked);
      return;
    }
    try {
      const found = await post("/api/terms/check", { terms: area.value });
      if (mine === turn) put(checked, h("p", { class: "fine" }, `“${found.name}” can be used; money in ${found.currency}.`));
    } catch (error) {
      if (mine === turn) put(checked, errorBox(error));
    }
  }
  let timer = 0;
  area.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(check, 500);
  });
  const take = (text) => {
    area.value = text;
    changed();
    check();
  };
  const file = h("input", { type: "file", accept: ".toml,text/plain", onchange: async () => file.files[0] && take(await file.files[0].text()) });
  if (start) check();
  return {
    area,
    element: [
      h(
        "div",
        { class: "row" },
        h("label", { class: "button" }, "Take from a file", h("span", { class: "heard" }, file)),
        h("button", { type: "button", onclick: () => take(EXAMPLE) }, "Fill in an example"),
      ),
      field("Terms, as TOML", area),
      checked,
    ],
  };
}
