// How to work here, and every key.

import { about } from "./api.js";
import { h, put } from "./dom.js";
import { keysOn, setKeys } from "./keys.js";
import { OUTCOMES, look, named } from "./look.js";

const KEYS = [
  ["On a tray and in a review", [...OUTCOMES.map((name) => [look(name).key.toUpperCase(), name === "unassigned" ? "cannot tell" : look(name).name]), ["N", "next least certain (in a review: skip)"], ["B", "back to the one before"]]],
  ["On a tray", [["C", "cut the object with a line; ← → turn the line shown, Enter cuts"], ["J", "join two objects"], ["O", "draw an object"], ["Del", "remove it"], ["Z", "undo"], ["Y", "redo"], ["L", "lines on or off"], ["F", "whole tray"], ["+ −", "nearer, farther"], ["← ↑ → ↓", "move the photograph"], ["[ ]", "object before, next object"], ["Esc", "leave the tool, choose none"]]],
  ["In a review", [["0", "no object there"], ["← →", "back, skip"], ["L", "line on or off"]]],
  ["Anywhere", [["?", "this page"]]],
  ["On the loads", [["/", "find a load"], ["N", "new load"]]],
];

export async function show(main) {
  const a = about.now;
  put(
    main,
    h("div", { class: "head" }, h("h1", {}, "Help")),
    h(
      "div",
      { class: "pair" },
      h(
        "section",
        { class: "card" },
        h("h2", {}, "From the dock to the receipt"),
        h(
          "ol",
          {},
          [
            "Open a load with its terms. Fix the plan before the first photograph: it draws the bins.",
            "Photograph each tray: whole tray in view, camera level above, even light, no flash, four tiles flat in the corners, the slip in view.",
            "Take the photographs here or drop the files. Look at what is said of each: a photograph that would mislead is refused with its reason, and is better retaken at once.",
            "Open a tray and press Next: the objects that the program is least sure of come first. Say what each is.",
            "If it counts, let grower and winery each review blind, compare, settle what differs, and accept.",
            "Both take the receipt along.",
          ].map((words) => h("li", {}, words)),
        ),
        h("h2", {}, "The classes"),
        h("ul", { class: "plain" }, OUTCOMES.map((name) => h("li", {}, named(name)))),
        h("p", {}, "Rejects are shriveled, underripe and debris together. Rot, mould, split and sunburnt fruit are not measured; they can be tagged."),
        h("h2", {}, "Nothing is lost"),
        h("p", {}, "A photograph stays in this browser until the program has it, and the program keeps every photograph, refused ones too. Answers that did not get through are kept here and sent when the program answers again. Every change stands in the history with name and time."),
      ),
      h(
        "section",
        { class: "card" },
        h("h2", {}, "Keys"),
        h("label", { class: "check" }, h("input", { type: "checkbox", id: "keys-on", checked: keysOn(), onchange: (event) => setKeys(event.target.checked) }), "Single keys work"),
        KEYS.map(([title, list]) => [h("h3", {}, title), h("dl", { class: "facts" }, list.map(([key, words]) => [h("dt", {}, h("kbd", {}, key)), h("dd", {}, words)]))]),
        h("h2", {}, "With fingers"),
        h("p", {}, "Drag moves the photograph, two fingers zoom it, a tap chooses an object."),
      ),
    ),
    a && h("section", { class: "card" }, h("h2", {}, "This program"), h("p", {}, `${a.program}; ledger ${a.ledger} with ${a.entries} entries; profile “${a.profile}”.`), h("p", {}, a.notice), h("p", { class: "mono" }, `head ${a.head}`)),
  );
  return { title: "Help" };
}
