/** A forgotten entry: the time at which it happened, by the site's clock. */

import { AHEAD_MS, change, entryTime, go, sendAgain, state, theShop, timeNow } from "../app.js";
import { button, element } from "../elements.js";
import { say } from "../words.js";
import { clock, instantOf, wallOf } from "../zones.js";

const STEPS = [-60, -15, -5, 5, 15];
const MINUTE_MS = 60_000;

export function time() {
  const { zone } = theShop();
  const chosen = state.typed.time ?? entryTime();
  const isAhead = chosen > timeNow() + AHEAD_MS;
  const by = (minutes) => change({ typed: { time: chosen + minutes * MINUTE_MS } });
  return [
    element("h1", { tabindex: "-1" }, say("when_was_it")),
    element("p.hint", {}, say("when_was_it_hint", { zone })),
    element("p.big", { id: "chosen-time" }, clock(chosen, zone)),
    element(
      "div.line",
      {},
      STEPS.map((minutes) => button(say(minutes < 0 ? "minutes_back" : "minutes_on", { minutes: Math.abs(minutes) }), () => by(minutes), { id: `by${minutes}` })),
    ),
    element(
      "div.line",
      {},
      element("label", { for: "time" }, say("day_and_time")),
      element("input", {
        id: "time",
        type: "datetime-local",
        value: wallOf(chosen, zone),
        onchange: (event) => change({ typed: { time: instantOf(event.target.value, zone) ?? chosen } }),
      }),
    ),
    isAhead ? element("p.wrong", { role: "alert" }, say("in_the_future")) : null,
    element(
      "div.line",
      {},
      button(say("use_this_time"), () => use(chosen), { id: "use-time", class: "strong", "aria-disabled": isAhead ? "true" : null }),
      button(say("now_instead"), () => leave(null), { id: "now-instead" }),
    ),
  ];
}

function use(chosen) {
  if (chosen <= timeNow() + AHEAD_MS) {
    leave(chosen);
  }
}

function leave(at) {
  if (state.about?.refused) {
    const { refused } = state.about;
    go("entries");
    sendAgain(refused, at ?? timeNow());
    return;
  }
  // Kept with the run that it is for.
  go(state.about ?? "plates");
  change({ at });
}
