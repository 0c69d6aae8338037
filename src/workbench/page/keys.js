// Single keys for the page that is shown. They can be switched off (Help), as WCAG 2.1.4 asks.

const OFF = "acinus.keys-off";
let current = [];

export const keysOn = () => localStorage.getItem(OFF) !== "1";
export function setKeys(on) {
  if (on) localStorage.removeItem(OFF);
  else localStorage.setItem(OFF, "1");
}

/** `list`: `[[keys, words, action], …]`; `keys` as in KeyboardEvent.key, several parted by a space. */
export function useKeys(list) {
  current = list;
}

/** The key's name on a keyboard. */
export const keyName = (key) => ({ " ": "Space", ArrowLeft: "←", ArrowRight: "→", Delete: "Del", Escape: "Esc" })[key] ?? (key.length === 1 ? key.toUpperCase() : key);

document.addEventListener("keydown", (event) => {
  if (event.defaultPrevented || document.querySelector("dialog[open]")) return;
  const { target } = event;
  if (target instanceof HTMLElement && target.matches("input:not([type=radio],[type=checkbox],[type=range]), textarea, select")) return;
  // Enter and Space press what has the focus.
  if (["Enter", " "].includes(event.key) && target instanceof HTMLElement && target.matches("button, a, input, summary, label")) return;
  const command = event.ctrlKey || event.metaKey;
  const name = command ? `ctrl+${event.key.toLowerCase()}` : event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (event.altKey || (!command && event.key.length === 1 && !keysOn())) return;
  const found = current.find(([keys]) => keys.split(" ").includes(name));
  if (!found) return;
  event.preventDefault();
  found[2](event);
});
