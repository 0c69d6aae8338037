// Elements are made here and nowhere else; words from the server only ever become text nodes.

const SVG = "http://www.w3.org/2000/svg";

function fill(element, props, children) {
  for (const [name, value] of Object.entries(props ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "class") element.setAttribute("class", value);
    else if (name === "data") Object.assign(element.dataset, value);
    else if (name in element && !(element instanceof SVGElement) && typeof value !== "string") element[name] = value;
    else if (name === "value") element.value = value;
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.flat(Infinity).filter((c) => c !== undefined && c !== null && c !== false));
  return element;
}

/** An element: `h("p", { class: "soft" }, "words", child)`. */
export const h = (tag, props, ...children) => fill(document.createElement(tag), props, children);

/** The same for drawings. */
export const s = (tag, props, ...children) => fill(document.createElementNS(SVG, tag), props, children);

/** Puts `children` in place of what `element` holds. What had the focus keeps it, or its like does. */
export function put(element, ...children) {
  const active = document.activeElement;
  const inside = active && active !== element && element.contains(active);
  element.replaceChildren(...children.flat(Infinity).filter((c) => c !== undefined && c !== null && c !== false));
  if (inside) (active.isConnected ? active : likeOf(active, element))?.focus({ preventScroll: true });
  return element;
}

/** The fresh element that does what an old one did. */
function likeOf(old, element) {
  if (old.id) return element.querySelector(`#${CSS.escape(old.id)}`);
  const sign = (e) => JSON.stringify({ ...e.dataset });
  const all = [...element.querySelectorAll(old.tagName)];
  return (sign(old) !== "{}" && all.find((e) => sign(e) === sign(old))) || all.find((e) => e.textContent === old.textContent && e.getAttribute("aria-label") === old.getAttribute("aria-label"));
}

/** A button with words. */
export const button = (words, onclick, props = {}) => h("button", { type: "button", onclick, ...props }, words);

let lastNumber = 0;
/** An id that no other element has. */
export const freshId = (word) => `${word}-${++lastNumber}`;

/** A labelled field: `field("Grower", input, "hint")`. */
export function field(label, input, hint) {
  input.id ||= freshId("field");
  const parts = [h("label", { for: input.id }, label), input];
  if (hint) {
    const id = freshId("hint");
    input.setAttribute("aria-describedby", id);
    parts.push(h("span", { class: "hint", id }, hint));
  }
  return h("div", { class: "field" }, parts);
}

/** A choice of few, as touchable radio buttons. `options`: `[[value, words], …]`. */
export function choice(legend, options, chosen, onchange) {
  const name = freshId("choice");
  return h(
    "fieldset",
    { class: "choice" },
    h("legend", {}, legend),
    options.map(([value, words]) =>
      h(
        "label",
        {},
        h("input", { type: "radio", name, value, checked: value === chosen, onchange: () => onchange(value) }),
        h("span", {}, words),
      ),
    ),
  );
}

/** Says something to those who hear the page rather than see it. */
export function announce(words) {
  const region = document.getElementById("said");
  if (!region) return;
  region.textContent = "";
  // A change of text is only spoken when the region was empty for a moment.
  setTimeout(() => (region.textContent = words), 60);
}

/** A short note at the foot of the window; `kind`: `done`, `bad` or none. */
export function toast(words, kind = "") {
  const shelf = document.getElementById("toasts");
  const note = h("div", { class: `toast ${kind}` }, h("span", {}, words), button("Close", () => note.remove(), { class: "plain" }));
  // What went well gives way to what comes next; what did not stays until it is closed.
  for (const old of [...shelf.children]) if (!old.classList.contains("bad")) old.remove();
  shelf.append(note);
  announce(words);
  if (kind !== "bad") setTimeout(() => note.remove(), 5000);
  while (shelf.children.length > 3) shelf.firstChild.remove();
}

const capital = (words) => words.charAt(0).toUpperCase() + words.slice(1);

/** An error as the server told it, with what to do about it. */
export function errorBox(error, again) {
  return h(
    "div",
    { class: "trouble", role: "alert" },
    h("p", {}, h("b", {}, capital(error.message || String(error)))),
    error.todo && h("p", {}, capital(error.todo)),
    again && button("Try again", again),
  );
}

/** A window over the page. Resolves with what `close` was given; Escape gives undefined. */
export function ask(title, build) {
  return new Promise((resolve) => {
    const id = freshId("asks");
    const box = h("dialog", { "aria-labelledby": id });
    let answer;
    const close = (value) => {
      answer = value;
      box.close();
    };
    box.append(h("h2", { id }, title), ...[build(close)].flat());
    box.addEventListener("close", () => {
      box.remove();
      resolve(answer);
    });
    document.body.append(box);
    box.showModal();
  });
}

/** Asks for one line of words; undefined when given up. */
export function askWords(title, label, { hint, go = "Save", needed = true, start = "" } = {}) {
  return ask(title, (close) => {
    const input = h("input", { type: "text", required: needed, maxlength: 400, value: start });
    const send = (event) => {
      event.preventDefault();
      close(input.value.trim());
    };
    return h(
      "form",
      { onsubmit: send },
      field(label, input, hint),
      h("div", { class: "row" }, h("button", { type: "submit", class: "main" }, go), button("Cancel", () => close())),
    );
  });
}
