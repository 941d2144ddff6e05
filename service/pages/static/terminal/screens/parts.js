/** What several screens show alike. */

import { change, entryTime, go, lastEntries, state, takeBack, theShop } from "../app.js";
import { button, element } from "../elements.js";
import { sentence } from "../telling.js";
import { say } from "../words.js";
import { clock } from "../zones.js";

/** Above a screen whose entry is given another time than now. */
export function otherTime() {
  if (state.at === null) {
    return null;
  }
  const { zone } = theShop();
  return element(
    "div.ask",
    { id: "other-time" },
    element("p", {}, say("entry_for", { time: clock(entryTime(), zone) })),
    button(say("now_instead"), () => change({ at: null }), { id: "now-instead" }),
  );
}

/** The way to give the next entry a time of its own. */
export function toOtherTime() {
  return button(say("forgotten"), () => go("time", state.screen), { id: "forgotten", class: "quiet" });
}

/** The last entry that stands, and the way to take it back: asked once more, since a glove slips. */
export function lastEntry() {
  const group = lastEntries();
  if (!group.length) {
    return null;
  }
  const [{ group: name, event }] = group;
  const { zone } = theShop();
  const told = group.map((one) => sentence(one.event)).join("; ");
  if (state.takingBack !== name) {
    return element(
      "section.last",
      { "aria-label": say("last_entry") },
      element("p", {}, element("strong", {}, clock(Date.parse(event.time), zone)), ` ${told}`),
      button(say("take_back"), () => change({ takingBack: name }), { id: "take-back" }),
    );
  }
  return element(
    "section.last.ask",
    { "aria-label": say("last_entry") },
    element("p", {}, say("take_back_this", { entry: told })),
    button(say("yes_take_back"), () => takeBack(name, "taken back at the terminal").then(() => go(afterTakingBack())), { id: "take-back-yes", class: "strong" }),
    button(say("keep_it"), () => change({ takingBack: null }), { id: "take-back-no" }),
  );
}

function afterTakingBack() {
  return state.screen === "done" ? "plates" : state.screen;
}
