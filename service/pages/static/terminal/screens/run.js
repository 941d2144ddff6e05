/** A run: all good by one tap; a part that is not good by three more. */

import { addCut, change, cutForTrial, cutWith, dropCut, finishRun, go, MOST_PARTS, mark, select, setQuantity, startRun, state, theShop, timeNow } from "../app.js";
import { button, element, stepper } from "../elements.js";
import { counts, MARKS } from "../events.js";
import { picture } from "../pictures.js";
import { verdicts } from "../telling.js";
import { number, say, term, words } from "../words.js";
import { clock, lasting } from "../zones.js";
import { notice } from "./check.js";
import { otherTime, toOtherTime } from "./parts.js";
import { recipeName } from "./settings.js";

export function run() {
  const { draft } = state;
  return [
    element("h1", { tabindex: "-1" }, draft.plate === null ? say("no_plate") : say("plate", { plate: draft.plate })),
    element("p.about", {}, about(draft)),
    otherTime(),
    notice(),
    held(draft),
    element(
      "div.sides",
      {},
      element("div.side", {}, draft.cuts.map(cutOf), element("p", {}, button(say("add_job"), addCut, { id: "add-job", class: "quiet" }))),
      element("div.act", {}, draft.selected.length ? whatBecame(draft) : ending(draft)),
      draft.selected.length ? null : element("div.rest", {}, otherwise(draft)),
    ),
    trialsFor(draft),
    releasedFor(draft),
    shownBack(draft),
  ];
}

// --- what is held, and what is released ---------------------------------------------------------------------------

function held(draft) {
  const holds = theShop().holdsOn(draft);
  return holds.length
    ? element(
        "section.held",
        { role: "alert", "aria-label": say("held_now") },
        element("h2", {}, say("held_now")),
        holds.map(({ detail, lang }) => element("p.wrong", { lang }, detail)),
        element("p", {}, say("held_hint")),
      )
    : null;
}

function trialsFor(draft) {
  return theShop()
    .trialsOf(state.machine)
    .map((one) => {
      const isChosen = draft.trial?.id === one.id && draft.trial.run === one.run;
      return element(
        "section.release",
        { "aria-label": say("trial_run", { trial: one.id, run: one.run }) },
        element("h2", {}, say("trial_run", { trial: one.id, run: one.run })),
        element("ul.settings-list", {}, Object.entries(one.levels).map(([name, level]) => element("li", {}, `${term("settings", name)}: ${number(level)}`))),
        element("p.hint", {}, say("trial_block", { block: one.block })),
        button(say("is_trial_run"), () => cutForTrial(isChosen ? null : one), { id: `trial-${one.id}`, "aria-pressed": String(isChosen) }),
      );
    });
}

function releasedFor(draft) {
  const found = theShop().released(draft);
  return found.length ? element("section.released", { "aria-label": say("released") }, element("h2", {}, say("released")), found.map((one) => settingsOf(one, draft))) : null;
}

function settingsOf(release, draft) {
  const { recipe, gas, settings } = release;
  const isUsed = draft.gas === gas && draft.recipe?.name === recipe.name && draft.recipe?.revision === recipe.revision;
  const other = isUsed ? Object.keys(settings).filter((name) => draft.recipe[name] !== settings[name]) : [];
  const told = (name) => `${term("settings", name)}: ${number(isUsed ? draft.recipe[name] : settings[name])}`;
  return element(
    "div.release",
    {},
    element("p", {}, element("strong", {}, recipeName(recipe)), ` · ${term("gases", gas)}`),
    element("ul.settings-list", {}, Object.keys(settings).map((name) => element(other.includes(name) ? "li.short" : "li", {}, told(name)))),
    element(
      "div.line",
      {},
      button(say("as_released"), () => cutWith(release, settings), { id: `as-released-${gas}`, "aria-pressed": String(isUsed && !other.length) }),
      button(say("cut_otherwise"), () => go("settings", gas), { id: `otherwise-${gas}`, "aria-pressed": String(other.length > 0) }),
    ),
    other.length ? element("p.short", {}, say("deviates", { count: other.length })) : null,
  );
}

function about(draft) {
  const { zone, plate } = theShop();
  const found = plate(draft.plate);
  const condition = found?.surface ? term("surfaces", found.surface) : null;
  const said = found ? [found.thickness_mm && say("mm", { value: found.thickness_mm }), found.material, condition] : [];
  const isUnknown = draft.plate !== null && !found;
  const since = draft.begun && say("since", { time: clock(Date.parse(draft.begun), zone), age: lasting(timeNow() - Date.parse(draft.begun)) });
  return [isUnknown && say("unknown_plate"), ...said, since].filter(Boolean).join(" · ");
}

// --- the parts of each job ----------------------------------------------------------------------------------------

function cutOf(cut, index) {
  const many = state.draft.cuts.length > 1;
  return element(
    "section.cut",
    { "aria-label": cut.job ?? say("no_job") },
    element(
      "div.line",
      {},
      button(jobLines(cut), () => go("jobs", index), { class: "tile job", id: `job-${index}` }),
      many ? button(say("drop_job"), () => dropCut(index), { class: "quiet", id: `drop-${index}` }) : null,
    ),
    cut.retryOf ? element("p.retry", {}, say(cut.mode === "resume" ? "retry_resume" : "retry_recut")) : null,
    stepper({ id: `quantity-${index}`, label: say("parts_of_run"), value: cut.quantity, low: 1, high: MOST_PARTS, change: (to) => setQuantity(index, to) }),
    element(
      "div.grid",
      { role: "group", "aria-label": say("parts_not_good") },
      Array.from({ length: cut.quantity }, (_, at) => partOf(cut, index, at + 1)),
    ),
  );
}

function jobLines(cut) {
  const shop = theShop();
  const job = shop.job(cut.job);
  if (cut.job === null) {
    return [element("strong", {}, say("no_job")), element("span", {}, say("choose_job"))];
  }
  const short = shop.stillToMake(cut.job);
  return [
    element("strong", {}, cut.job),
    job ? element("span", {}, job.part_number ?? "") : null,
    short === null ? null : element("span.short", {}, say("still_to_make", { count: short, of: job.quantity ?? short })),
  ];
}

function partOf(cut, index, part) {
  const isSelected = state.draft.selected.some(([one, other]) => one === index && other === part);
  const { mark: name, cause } = cut.marks[part] ?? {};
  const said = name ? `${say(`mark_${name}`)}${cause ? `, ${term("causes", cause)}` : ""}` : say("good");
  return button(
    [element("span", {}, number(part)), name ? picture(name) : null],
    () => select(index, part),
    {
      id: `part-${index}-${part}`,
      class: `part ${name ?? ""}`,
      "aria-pressed": String(isSelected),
      "aria-label": `${say("part", { part })}: ${said}`,
    },
  );
}

// --- a part that is not good --------------------------------------------------------------------------------------

function whatBecame({ selected, cuts, mark: chosen }) {
  const parts = selected.map(([, part]) => number(part)).join(", ");
  if (chosen) {
    return [
      element("h2", { tabindex: "-1" }, say("why", { mark: say(`mark_${chosen}`), parts })),
      element("div.tiles.causes", {}, causeTiles((cause) => mark(chosen, cause))),
    ];
  }
  const isMarked = selected.some(([index, part]) => cuts[index].marks[part]);
  return [
    element("h2", { tabindex: "-1" }, say("what_became", { parts })),
    element(
      "div.tiles.marks",
      {},
      MARKS.map((name) =>
        button([picture(name), say(`mark_${name}`)], () => chooseMark(name), { class: "tile", id: `mark-${name}` }),
      ),
      isMarked ? button([picture("good"), say("good_after_all")], () => mark(null), { class: "tile", id: "mark-good" }) : null,
    ),
    button(say("leave_it"), () => change({ draft: { ...state.draft, selected: [] } }), { class: "quiet", id: "leave-it" }),
  ];
}

function chooseMark(name) {
  change({ draft: { ...state.draft, mark: name }, typed: {} });
}

/** The causes used most, each with its picture and word; all others behind one more tap. */
export function causeTiles(choose) {
  const all = words("causes");
  const shown = state.typed.allCauses ? all : theShop().causes.filter((term) => term !== "other").slice(0, 6);
  const tiles = shown.map((cause) =>
    button([picture(cause), term("causes", cause)], () => choose(cause), { class: "tile cause", "data-cause": cause }),
  );
  if (!state.typed.allCauses) {
    const more = () => change({ typed: { ...state.typed, allCauses: true } });
    tiles.push(button([picture("other"), say("other_cause")], more, { class: "tile", id: "other-cause" }));
  }
  tiles.push(button(say("cause_unknown"), () => choose(null), { class: "tile", id: "cause-unknown" }));
  return tiles;
}

// --- the end of the run -------------------------------------------------------------------------------------------

function isMarkedIn(draft) {
  return draft.cuts.some(({ marks }) => Object.keys(marks).length > 0);
}

function ending(draft) {
  const isMarked = isMarkedIn(draft);
  const total = draft.cuts.map(counts).reduce((sum, one) => {
    Object.keys(one).forEach((name) => (sum[name] = (sum[name] ?? 0) + one[name]));
    return sum;
  }, {});
  const told = verdicts({ ...total, lost: total.lost + total.pierce });
  return button(
    [picture("good"), element("strong", {}, isMarked ? say("done") : say("all_good")), element("span", {}, told)],
    () => finishRun(),
    { class: "strong all-good", id: "finish" },
  );
}

function otherwise(draft) {
  return [
    element("p.hint", {}, say("tap_a_part")),
    element(
      "div.line",
      {},
      draft.begun ? null : button(say("start"), startRun, { id: "start" }),
      button(say("gave_up"), () => go("stop"), { id: "gave-up" }),
      isMarkedIn(draft) ? null : button(say("not_judged"), () => finishRun({ unjudged: true }), { id: "not-judged" }),
      toOtherTime(),
      button(say("other_plate"), () => change({ draft: null, screen: "plates" }), { class: "quiet", id: "other-plate" }),
    ),
  ];
}

// --- what is useful shown back ------------------------------------------------------------------------------------

function shownBack(draft) {
  const shop = theShop();
  const nozzle = shop.lastService(state.machine, "nozzle");
  const last = shop.lastRuns(draft);
  return element(
    "section.back",
    { "aria-label": say("shown_back") },
    element("h2", {}, say("last_runs")),
    last.length ? element("ul.runs", {}, last.map((one) => lastRun(one, shop.zone))) : element("p.hint", {}, say("no_runs")),
    element("p.nozzle", {}, picture("nozzle_worn"), nozzle === null ? say("nozzle_unknown") : say("nozzle_age", { age: lasting(timeNow() - nozzle) })),
  );
}

function lastRun(one, zone) {
  const outcome = one.outcome && one.outcome !== "severed" ? `${term("outcomes", one.outcome)}: ` : "";
  const pending = one.pending ? `, ${say("pending_count", { count: one.pending })}` : "";
  return element(
    "li",
    {},
    element("strong", {}, clock(Date.parse(one.ended_at ?? one.started_at), zone)),
    ` ${[one.plate, one.job].filter(Boolean).join(" · ")}: ${outcome}${verdicts({ ...one, lost: one.not_made })}${pending}`,
  );
}
