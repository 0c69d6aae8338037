// A party's seat at a review: one browser holds it, and its key goes with all that the party says.

import { post, who } from "./api.js";
import { ask, button, errorBox, h } from "./dom.js";

const keyOf = (review, party) => `acinus.seat.${review}.${party}`;

export const seatKey = (review, party) => sessionStorage.getItem(keyOf(review, party));
export const leaveSeat = (review, party) => sessionStorage.removeItem(keyOf(review, party));
export const seatHeader = (review, party) => ({ "X-Acinus-Seat": seatKey(review, party) ?? "" });

/** Takes a seat; asks before somebody else's is taken over. False when given up. */
export async function takeSeat(review, party, again = false) {
  const name = await who();
  if (!name) return false;
  try {
    const answer = await post(`/api/reviews/${review}/seat`, { party, who: name, again });
    sessionStorage.setItem(keyOf(review, party), answer.key);
    return true;
  } catch (error) {
    if (error.status !== 409 || again) throw error;
    const over = await ask("This seat is taken", (close) => [
      errorBox(error),
      h("p", {}, "If it was you, in another window or before a restart, take it over. The other window then cannot go on."),
      h("div", { class: "row" }, button("Take it over", () => close(true), { class: "main" }), button("Leave it", () => close(false))),
    ]);
    return over ? takeSeat(review, party, true) : false;
  }
}
