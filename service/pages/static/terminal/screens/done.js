/** What was just recorded, and what mostly follows. */

import { beginRun, go, retry, state, takeBack, theShop } from "../app.js";
import { button, element } from "../elements.js";
import { picture } from "../pictures.js";
import { sentence } from "../telling.js";
import { say } from "../words.js";
import { clock } from "../zones.js";
import { notice } from "./check.js";

export function done() {
  const { group, plate, runs = [] } = state.about;
  const shop = theShop();
  const recorded = shop.entries.filter((entry) => entry.group === group && !entry.undone);
  const failed = runs.filter((run) => missing(run) > 0);
  return [
    element("h1", { tabindex: "-1", class: "recorded" }, picture("good"), say("recorded")),
    element("ul.runs", {}, recorded.map(({ event }) => element("li", {}, element("strong", {}, clock(Date.parse(event.time), shop.zone)), ` ${sentence(event)}`))),
    notice(),
    failed.map(tryAgain),
    element(
      "div.line",
      {},
      plate === undefined ? null : button(say("next_run"), () => beginRun(plate), { class: failed.length ? "" : "strong", id: "next-run" }),
      button(say(plate === undefined ? "back_to_cutting" : "other_plate"), () => go("plates"), { id: "other-plate" }),
      button(say("take_back"), () => takeBack(group, "taken back at the terminal").then(() => go("plates")), { id: "take-back" }),
    ),
  ];
}

/** Parts of a run that are to be made again. */
function missing({ quantity = 1, good, rework = 0, outcome }) {
  return good === undefined && outcome === "severed" ? 0 : quantity - (good ?? 0) - rework;
}

function tryAgain(run) {
  const parts = missing(run);
  const unmade = parts - (run.scrap ?? 0);
  return element(
    "section.cut",
    { "aria-label": say("try_again", { count: parts, job: run.job ?? "" }) },
    element("h2", {}, say("try_again", { count: parts, job: run.job ?? "" })),
    element(
      "div.line",
      {},
      unmade > 0 ? button(say("same_blank", { count: unmade }), () => retry(run, unmade, "resume"), { class: "strong", "data-retry": "resume" }) : null,
      button(say("new_blank", { count: parts }), () => retry(run, parts, "recut"), { class: "strong", "data-retry": "recut" }),
    ),
  );
}
