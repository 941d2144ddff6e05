/** Work on parts after the cut, with a clock that runs. */

import { change, dropTimer, go, recordAndTell, resumeTimer, rightTime, startTimer, state, stopTimer, theShop, timer } from "../app.js";
import { button, element, stepper } from "../elements.js";
import { reworked } from "../events.js";
import { picture } from "../pictures.js";
import { number, say, term, words } from "../words.js";
import { clock, running } from "../zones.js";
import { lastEntry, otherTime, toOtherTime } from "./parts.js";

const MOST_MINUTES = 10_000;

export function rework() {
  const shop = theShop();
  return [
    element("h1", { tabindex: "-1" }, say("rework")),
    otherTime(),
    state.timers.map(clockOf),
    element("h2", {}, say("parts_in_rework")),
    shop.inRework.length ? null : element("p.hint", {}, say("nothing_in_rework")),
    element("div.tiles", {}, shop.inRework.map((run) => tile(run, shop.zone)), others(shop)),
    lastEntry(),
    toOtherTime(),
  ];
}

function clockOf(one) {
  return element(
    "section.timer",
    { "aria-label": term("operations", one.operation) },
    element(
      "p",
      {},
      picture("rework"),
      element("strong", {}, term("operations", one.operation)),
      ` ${[one.run.job, one.run.plate].filter(Boolean).join(" · ")}`,
    ),
    one.endedAt === null
      ? element("p.big", { "data-since": String(one.startedAt) }, running(Date.now() - one.startedAt))
      : element("p.big", {}, running(one.endedAt - one.startedAt)),
    button(say("work_is_over"), () => stopTimer(one.id), { class: "strong", "data-timer": one.id }),
  );
}

function tile(run, zone) {
  return button(
    [
      element("strong", {}, run.job ?? say("no_job")),
      element("span", {}, [run.plate, run.ended_at && clock(Date.parse(run.ended_at), zone)].filter(Boolean).join(" · ")),
      element("span", {}, say("in_rework_count", { count: run.in_rework })),
    ],
    () => go("rework_begin", run),
    { class: "tile", "data-attempt": run.attempt },
  );
}

/** A run whose parts nobody marked: work on them is rework all the same. */
function others(shop) {
  if (!state.typed.others) {
    return button(say("another_run"), () => change({ typed: { others: true } }), { class: "tile", id: "another-run" });
  }
  return shop.runs.filter((run) => !shop.inRework.some(({ attempt }) => attempt === run.attempt)).slice(0, 12).map((run) =>
    tile({ ...run, in_rework: 0 }, shop.zone),
  ); // prettier-ignore
}

export function reworkBegin() {
  const run = state.about;
  return [
    element("h1", { tabindex: "-1" }, say("which_operation")),
    element("p.about", {}, [run.job, run.plate].filter(Boolean).join(" · ")),
    element("p.hint", {}, say("clock_starts")),
    element(
      "div.tiles",
      {},
      words("operations").map((operation) =>
        button(term("operations", operation), () => startTimer(run, operation), { class: "tile", "data-operation": operation }),
      ),
    ),
    button(say("back"), () => go("rework"), { class: "quiet", id: "back" }),
  ];
}

export function reworkEnd() {
  const one = timer(state.about);
  if (!one) {
    // Another tab has ended it.
    return rework();
  }
  const endedAt = one.endedAt ?? Date.now();
  const most = Math.max(1, one.run.in_rework || one.run.quantity || 1);
  const minutes = state.typed.minutes ?? Math.min(MOST_MINUTES, Math.max(1, Math.round((endedAt - one.startedAt) / 60_000)));
  const parts = state.typed.parts ?? most;
  const recovered = Math.min(parts, state.typed.recovered ?? parts);
  const scrapped = Math.min(parts - recovered, state.typed.scrapped ?? 0);
  const set = (name) => (value) => change({ typed: { ...state.typed, minutes, parts, recovered, scrapped, [name]: value } });
  const work = { operation: one.operation, minutes, parts, recovered, scrapped };
  return [
    element("h1", { tabindex: "-1" }, term("operations", one.operation)),
    element("p.about", {}, [one.run.job, one.run.plate].filter(Boolean).join(" · ")),
    otherTime(),
    stepper({ id: "minutes", label: say("minutes"), value: minutes, low: 1, high: MOST_MINUTES, steps: [1, 10], change: set("minutes") }),
    stepper({ id: "parts", label: say("parts_worked"), value: parts, low: 1, high: Math.max(most, parts, 1), change: set("parts") }),
    stepper({ id: "recovered", label: say("of_them_good"), value: recovered, high: parts, change: set("recovered") }),
    stepper({ id: "scrapped", label: say("of_them_scrap"), value: scrapped, high: parts - recovered, change: set("scrapped") }),
    parts > recovered + scrapped ? element("p.hint", {}, say("still_in_rework", { count: number(parts - recovered - scrapped) })) : null,
    button([picture("good"), element("strong", {}, say("record"))], () => end({ ...one, endedAt }, work), { class: "strong all-good", id: "record-rework" }),
    element(
      "div.line",
      {},
      button(say("clock_runs_on"), () => resumeTimer(one.id), { id: "runs-on" }),
      button(say("not_recorded"), () => dropTimer(one.id).then(() => go("rework")), { id: "drop-timer", class: "quiet" }),
    ),
  ];
}

async function end(one, work) {
  const at = state.at ?? rightTime(one.endedAt);
  // The entry bears the clock's name: by that it is made once, whenever the browser is closed.
  if (await recordAndTell(reworked(one.run.attempt, work, theShop().source, at), {}, one.id)) {
    await dropTimer(one.id);
  }
}
