/** Events as people read them. */

import { TYPES, VOIDED } from "./events.js";
import { number, say, term } from "./words.js";

/** One line that says what an event says. */
export function sentence({ type, subject, data }) {
  switch (type) {
    case TYPES.finished:
      return [ended(data), data.job, data.plate].filter(Boolean).join(" · ");
    case TYPES.started:
      return [say("started"), data.job, data.plate].filter(Boolean).join(" · ");
    case TYPES.inspected:
      return `${say("judged")} ${verdicts(data)}`;
    case TYPES.reworked:
      return `${say("rework")}: ${term("operations", data.operation)}, ${say("minutes_of", { minutes: data.minutes })}`;
    case TYPES.serviced:
      return `${say("service")}: ${term("services", data.what)}`;
    case TYPES.checked:
      return `${say("check")}: ${data.checks.map(({ what, found }) => `${term("checks", what)} ${term("found", found)}`).join(", ")}`;
    case TYPES.trialCut:
      return say("trial_run", { trial: subject, run: data.run });
    case TYPES.handedOver:
      return `${say("hand_over")}: ${data.note}`;
    case VOIDED:
      return say("taken_back");
    default:
      return `${type} ${subject}`;
  }
}

function ended(data) {
  if (data.good === undefined) {
    return say("cut_unjudged", { count: data.quantity });
  }
  const outcome = data.outcome === "severed" ? "" : `${term("outcomes", data.outcome)}: `;
  return outcome + verdicts({ ...data, lost: lost(data) });
}

/** Parts that a run was to make and did not. */
export function lost({ outcome, quantity = 1, good = 0, rework = 0, scrap = 0 }) {
  return outcome === "severed" ? 0 : quantity - good - rework - scrap;
}

/** 6 good, 1 rework, 2 lost; what is none is left out, but the good. */
export function verdicts({ good = 0, rework = 0, scrap = 0, lost: missing = 0 }) {
  return [
    `${number(good)} ${say("good")}`,
    rework && `${number(rework)} ${say("rework_word")}`,
    scrap && `${number(scrap)} ${say("scrap")}`,
    missing && `${number(missing)} ${say("lost_word")}`,
  ]
    .filter(Boolean)
    .join(", ");
}
