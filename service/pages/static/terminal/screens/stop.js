/** A run that was given up: why, what was good before, and the cause. */

import { change, go, state, stopRun } from "../app.js";
import { button, element, stepper } from "../elements.js";
import { mostGood } from "../events.js";
import { picture } from "../pictures.js";
import { say, term, words } from "../words.js";
import { otherTime } from "./parts.js";
import { causeTiles } from "./run.js";

const PICTURES = {
  lost_cut: "lost", pierce: "pierce", collision: "height_sensing", gas_supply: "gas_purity", machine_fault: "machine_fault",
  power: "machine_fault", shift_end: "sequence", priority: "sequence", wrong_program: "program_or_lead_in", other: "other",
}; // prettier-ignore

export function stop() {
  const { draft } = state;
  return draft.stop ? details(draft) : reasons(draft);
}

function reasons(draft) {
  const choose = (outcome, reason) => change({ draft: { ...draft, selected: [], stop: { outcome, reason, good: [], cause: null } } });
  return [
    element("h1", { tabindex: "-1" }, say("why_given_up")),
    otherTime(),
    element(
      "div.tiles",
      {},
      button([picture("pierce"), term("outcomes", "pierce_failed")], () => choose("pierce_failed", "pierce"), { class: "tile", id: "pierce-failed" }),
      words("stops")
        .filter((reason) => reason !== "pierce")
        .map((reason) => button([picture(PICTURES[reason]), term("stops", reason)], () => choose("aborted", reason), { class: "tile", "data-reason": reason })),
    ),
    button(say("back"), () => go("run"), { class: "quiet", id: "back" }),
  ];
}

function details(draft) {
  const { stop: said } = draft;
  const with_ = (changes) => ({ draft: { ...draft, stop: { ...said, ...changes } } });
  const setGood = (index, value) => {
    const good = [...said.good];
    good[index] = value;
    change(with_({ good }));
  };
  const title = said.outcome === "pierce_failed" ? term("outcomes", "pierce_failed") : `${term("outcomes", "aborted")}: ${term("stops", said.reason)}`;
  return [
    element("h1", { tabindex: "-1" }, title),
    otherTime(),
    draft.cuts.map((cut, index) =>
      stepper({
        id: `good-${index}`,
        label: say("good_before", { job: cut.job ?? "" }),
        value: said.good[index] ?? 0,
        high: mostGood(cut),
        change: (value) => setGood(index, value),
      }),
    ),
    element("h2", {}, say("cause_and_done")),
    element(
      "div.tiles.causes",
      {},
      causeTiles((cause) => {
        said.cause = cause;
        stopRun();
      }),
    ),
    button(say("back"), () => change({ draft: { ...draft, stop: null } }), { class: "quiet", id: "back" }),
  ];
}
