/** What is said to the ledger: events with their own id and time, made of what was tapped. Pure, but for the ids. */

const FINISHED = "cutledger.attempt.finished";
const STARTED = "cutledger.attempt.started";
export const VOIDED = "cutledger.event.voided";
export const TYPES = {
  started: STARTED,
  finished: FINISHED,
  inspected: "cutledger.attempt.inspected",
  reworked: "cutledger.attempt.reworked",
  serviced: "cutledger.machine.serviced",
  checked: "cutledger.machine.checked",
  trialCut: "cutledger.trial.cut",
  handedOver: "cutledger.shift.handed_over",
  voided: VOIDED,
};

/** What is looked at, in the order of what it mostly is. */
export const CHECKS = ["nozzle", "nozzle_centring", "protective_window", "gas"];

/** Marks of a part that is not good, in the order of their buttons. */
export const MARKS = ["rework", "scrap", "lost", "pierce"];

let lastMs = 0;
let sequence = 0;

/** A UUIDv7 (RFC 9562): ordered by the time at which it was made, also within a millisecond. */
export function newId(now = Date.now()) {
  const ms = Math.max(now, lastMs);
  sequence = ms === lastMs ? sequence + 1 : 0;
  if (sequence > 0xfff) {
    return newId(ms + 1);
  }
  lastMs = ms;
  const time = ms.toString(16).padStart(12, "0");
  const random = crypto.getRandomValues(new Uint8Array(8));
  random[0] = (random[0] & 0x3f) | 0x80;
  const rest = [...random].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  const counted = sequence.toString(16).padStart(3, "0");
  return `${time.slice(0, 8)}-${time.slice(8)}-7${counted}-${rest.slice(0, 4)}-${rest.slice(4)}`;
}

/** An event of this source; `at` in milliseconds since 1970. */
export function event(type, subject, at, source, data) {
  return {
    specversion: "1.0",
    id: newId(),
    source,
    type,
    subject,
    time: new Date(at).toISOString(),
    datacontenttype: "application/json",
    data: stated(data),
  };
}

function stated(data) {
  return Object.fromEntries(Object.entries(data).filter(([, value]) => value !== null && value !== undefined));
}

/** A new cut of a draft: one job's parts in a run of the machine. */
export function newCut(job, quantity, retry = {}) {
  const attempt = `A-${newId()}`;
  return { attempt, job, quantity, piece: retry.piece ?? attempt, retryOf: retry.retryOf ?? null, mode: retry.mode ?? "new", marks: {} };
}

/** How many parts of a cut bear each mark, and how many bear none. */
export function counts(cut) {
  const found = { rework: 0, scrap: 0, lost: 0, pierce: 0 };
  for (const { mark } of Object.values(cut.marks)) {
    found[mark] += 1;
  }
  return { ...found, good: cut.quantity - Object.keys(cut.marks).length };
}

function about(draft, cut) {
  return {
    job: cut.job,
    plate: draft.plate,
    machine: draft.machine,
    run: draft.run,
    piece: cut.piece,
    retry_of: cut.retryOf,
    mode: cut.mode,
    quantity: cut.quantity,
    recipe: draft.trial ? { ...draft.recipe, ...draft.trial.levels } : (draft.recipe ?? null),
    gas: draft.gas ?? null,
    purpose: draft.trial ? "trial" : null,
    material: draft.material,
    thickness_mm: draft.thickness_mm,
  };
}

/** The machine began: an event for each cut of the draft. */
export function started(draft, source, at) {
  return draft.cuts.map((cut) => event(STARTED, cut.attempt, at, source, about(draft, cut)));
}

/** The run is over: an event for each cut of the draft. */
export function finished(draft, source, at) {
  return draft.cuts.map((cut) => {
    const said = draft.unjudged ? { outcome: "severed" } : judged(cut);
    return event(FINISHED, cut.attempt, at, source, { ...about(draft, cut), ...said });
  });
}

function judged(cut) {
  const { good, rework, scrap, lost, pierce } = counts(cut);
  const unmade = pierce > lost ? "pierce_failed" : "not_severed";
  return {
    outcome: lost + pierce ? unmade : "severed",
    good,
    rework,
    scrap,
    // One failed pierce is what the outcome says by itself.
    failed_pierces: pierce > 1 || (pierce && lost) ? pierce : null,
    causes: causes(Object.values(cut.marks).map(({ cause }) => cause)),
  };
}

function causes(terms) {
  const named = [...new Set(terms.filter(Boolean))];
  return named.length ? named.map((term) => ({ term, certainty: "suspected" })) : null;
}

/** Reasons to stop that spoil the part at which it happens; at the others all parts that were begun are told. */
const SPOILING = ["lost_cut", "pierce", "collision"];

/**
 * The run was given up: why, and how many parts of each cut were good before. What parts were marked as stands. Of
 * jobs nested in the run only one has the part at which it stopped: the first that is not complete.
 */
export function stopped(draft, source, at, { outcome, reason, good, cause }) {
  const reached = draft.cuts.map((cut, index) => {
    const { rework, scrap, lost, pierce } = counts(cut);
    return { good: good[index] ?? 0, rework, scrap, unmade: lost + pierce };
  });
  const triedOf = ({ good: whole, rework, scrap, unmade }) => whole + rework + scrap + unmade;
  const isUnmade = reached.some(({ unmade }) => unmade > 0);
  const where = reached.findIndex((cut, index) => triedOf(cut) < draft.cuts[index].quantity);
  return draft.cuts.map((cut, index) => {
    const { good: whole, rework, scrap, unmade } = reached[index];
    const isHere = !isUnmade && SPOILING.includes(reason) && index === Math.max(0, where);
    const tried = Math.min(cut.quantity, triedOf(reached[index]) + (isHere ? 1 : 0));
    const isPierce = outcome === "pierce_failed" && (isHere || unmade > 0);
    return event(FINISHED, cut.attempt, at, source, {
      ...about(draft, cut),
      outcome: isPierce ? "pierce_failed" : "aborted",
      stop_reason: reason,
      tried,
      good: whole,
      rework,
      scrap,
      causes: causes([cause, ...Object.values(cut.marks).map((one) => one.cause)]),
    });
  });
}

/** The most parts of a cut that can have been good before it was given up: those that nobody marked. */
export function mostGood(cut) {
  return counts(cut).good;
}

/** Parts that were cut before are judged now. */
export function inspected(attempt, verdicts, cause, source, at) {
  return [event(TYPES.inspected, attempt, at, source, { ...verdicts, causes: causes([cause]) })];
}

/** People worked on parts of an attempt. */
export function reworked(attempt, work, source, at) {
  return [event(TYPES.reworked, attempt, at, source, work)];
}

/** Something of the machine was serviced. */
export function serviced(machine, what, note, source, at) {
  return [event(TYPES.serviced, machine, at, source, { what, note: plain(note).replaceAll("\n", " ") || null })];
}

/** Somebody looked at what makes pierces and cuts fail: what was found of each thing, in the order of CHECKS. */
export function checked(machine, found, notice, source, at) {
  const checks = CHECKS.map((what) => ({ what, found: found[what] ?? "not_looked_at" }));
  return [event(TYPES.checked, machine, at, source, { checks, notice })];
}

/** Which run of a trial the first cut of a draft was. */
export function trialCut({ trial, cuts }, source, at) {
  return trial ? [event(TYPES.trialCut, trial.id, at, source, { run: trial.run, attempt: cuts[0].attempt })] : [];
}

/** What was typed or pasted, without the characters that the ledger does not take in a text. */
function plain(text) {
  return text.replace(/\r\n?/g, "\n").replace(/[^\P{Cc}\n]/gu, " ").trim();
}

/** A note for the next shift. */
export function handedOver(machine, note, source, at) {
  return [event(TYPES.handedOver, machine, at, source, { note: plain(note) })];
}

/** The void of an event, said by the source that said it. */
export function voided(target, reason, at) {
  return event(VOIDED, target.subject, at, target.source, { source: target.source, id: target.id, reason });
}
