/** A machine that is to be looked at before it goes on: what was looked at, in order, and what was found. */

import { change, entryTime, go, recordAndTell, state, theShop } from "../app.js";
import { button, element } from "../elements.js";
import { CHECKS, checked } from "../events.js";
import { say, term, words } from "../words.js";

export function check() {
  const shop = theShop();
  const notices = shop.noticesOf(state.machine);
  const { typed } = state;
  const answered = notices.find(({ id }) => id)?.id ?? null;
  const tell = () => recordAndTell(checked(state.machine, typed, answered, shop.source, entryTime()));
  return [
    element("h1", { tabindex: "-1" }, say("look_at", { machine: state.machine })),
    notices.map((one) => element("p.wrong", { lang: one.lang ?? null }, noticeText(one))),
    element("p.hint", {}, say("look_at_hint")),
    CHECKS.map((what) =>
      element(
        "section.cut",
        { "aria-label": term("checks", what) },
        element("h2", {}, term("checks", what)),
        element(
          "div.line",
          { role: "group", "aria-label": term("checks", what) },
          words("found").map((found) =>
            button(term("found", found), () => change({ typed: { ...typed, [what]: found } }), {
              id: `${what}-${found}`,
              "aria-pressed": String((typed[what] ?? "not_looked_at") === found),
            }),
          ),
        ),
      ),
    ),
    element(
      "div.line",
      {},
      button(say("record_check"), tell, { id: "record-check", class: "strong" }),
      button(say("back"), () => go(state.draft ? "run" : "plates"), { id: "back", class: "quiet" }),
    ),
  ];
}

/** What is the matter, as the service said it, or as this device sees it. */
export function noticeText({ code, detail, failed }) {
  return detail ?? say(code === "lost_cuts" ? "lost_in_succession" : "pierces_in_succession", { count: failed });
}

/** What asks for a look before the machine goes on; null when nothing does. */
export function notice() {
  const notices = theShop().noticesOf(state.machine);
  return notices.length
    ? element(
        "section.held",
        { role: "alert", "aria-label": say("look_first") },
        element("h2", {}, say("look_first")),
        notices.map((one) => element("p.wrong", { lang: one.lang ?? null }, noticeText(one))),
        button(say("look_now"), () => go("check"), { id: "look-now", class: "strong" }),
      )
    : null;
}
