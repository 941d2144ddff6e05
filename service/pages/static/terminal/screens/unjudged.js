/** Parts that were cut and not judged: judged now, as far as they are all alike. */

import { change, entryTime, go, recordAndTell, state, theShop } from "../app.js";
import { button, element, stepper } from "../elements.js";
import { inspected } from "../events.js";
import { say } from "../words.js";
import { otherTime } from "./parts.js";
import { causeTiles } from "./run.js";

export function unjudged() {
  const shop = theShop();
  const chosen = shop.unjudged.find(({ attempt }) => attempt === state.typed.attempt);
  return chosen ? judging(chosen, shop) : choosing(shop);
}

function choosing(shop) {
  return [
    element("h1", { tabindex: "-1" }, say("which_unjudged")),
    element(
      "div.tiles",
      {},
      shop.unjudged.map((one) =>
        button(
          [element("strong", {}, one.job ?? say("no_job")), element("span", {}, one.plate ?? ""), element("span", {}, say("pending_count", { count: one.pending }))],
          () => change({ typed: { attempt: one.attempt } }),
          { class: "tile", "data-attempt": one.attempt },
        ),
      ),
    ),
    button(say("back"), () => go("plates"), { class: "quiet", id: "back" }),
  ];
}

function judging(one, shop) {
  const { rework = 0, scrap = 0 } = state.typed;
  const good = one.pending - rework - scrap;
  const judge = (cause) => recordAndTell(inspected(one.attempt, { good, rework, scrap }, cause, shop.source, entryTime()));
  const count = (name, label, value, other) =>
    stepper({ id: `judge-${name}`, label, value, high: one.pending - other, change: (to) => change({ typed: { ...state.typed, [name]: to } }) });
  return [
    element("h1", { tabindex: "-1" }, say("judge", { job: one.job ?? "", plate: one.plate ?? "" })),
    otherTime(),
    count("rework", say("mark_rework"), rework, scrap),
    count("scrap", say("mark_scrap"), scrap, rework),
    rework + scrap === 0
      ? button([element("strong", {}, say("all_good")), element("span", {}, say("pending_count", { count: one.pending }))], () => judge(null), { class: "strong all-good", id: "judge-all" })
      : [element("h2", {}, say("cause_and_done")), element("div.tiles.causes", {}, causeTiles(judge))],
    button(say("back"), () => change({ typed: {} }), { class: "quiet", id: "back" }),
  ];
}
