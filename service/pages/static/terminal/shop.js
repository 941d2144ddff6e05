/**
 * The shop as this device sees it: what the service told last, and what was entered here and is not in that yet. Pure.
 * It judges nothing: the service counts, this only adds what it cannot have counted.
 */

import { TYPES } from "./events.js";
import { NEEDLESS, REFUSED, WAITING } from "./store.js";

const RECENT_MS = 24 * 3_600_000;
/** The ledger counts in the background, within about this time. */
const COUNTED_MS = 1_000;

/** What is empty before the service has told anything. */
const NOTHING = {
  machines: [], plates: [], jobs: [], runs: [], open_runs: [], in_rework: [], unjudged: [], findings: [],
  services: [], handovers: [], causes: [], holds: [], releases: [], notices: [], trials: [], zone: "UTC", source: null, site: null,
}; // prettier-ignore

/** The shop: `known` as it was told, and all entries of the device. */
export function shop(known, allEntries) {
  const told = { ...NOTHING, ...known };
  const entries = allEntries.filter(({ site }) => site === told.site);
  const standing = entries.filter(({ state, undone }) => state !== REFUSED && state !== NEEDLESS && !undone);
  const saidOf = (type, among = standing) => among.filter(({ event }) => event.type === type).map(({ event }) => event);
  // What is counted already is not added again.
  const fresh = standing.filter((entry) => isUncounted(entry, told));
  // A key that is told of no runs has those of this device alone.
  const uncounted = told.runs.length ? fresh : standing.filter(isRecent);
  const nameOf = ({ type, subject }) => `${type} ${subject}`;
  const stands = new Set(standing.map(({ event }) => nameOf(event)));
  const undone = new Set(entries.filter((one) => one.undone).map(({ event }) => nameOf(event)));
  const isTakenBack = (type, attempt) => undone.has(`${type} ${attempt}`) && !stands.has(`${type} ${attempt}`);

  const own = saidOf(TYPES.finished, fresh);
  const last = told.runs.filter(({ attempt }) => !isTakenBack(TYPES.finished, attempt));
  const runs = lately(told, saidOf(TYPES.finished, standing.filter(isRecent)), last);
  const ended = new Set([...saidOf(TYPES.finished).map(({ subject }) => subject), ...last.map(({ attempt }) => attempt)]);
  const begun = saidOf(TYPES.started, uncounted).map(asRun);
  const open = [...begun, ...told.open_runs.filter(({ attempt }) => !begun.some((run) => run.attempt === attempt))];
  const judged = new Set(saidOf(TYPES.inspected, uncounted).map(({ subject }) => subject));

  return {
    ...told,
    entries,
    runs,
    openRuns: byRun(open.filter(({ attempt }) => !ended.has(attempt) && !isTakenBack(TYPES.started, attempt))),
    unjudged: unjudged(told, saidOf(TYPES.finished, uncounted)).filter(
      ({ attempt }) => !judged.has(attempt) && !isTakenBack(TYPES.finished, attempt),
    ),
    inRework: inRework(told, saidOf(TYPES.finished, uncounted), saidOf(TYPES.reworked, uncounted), isTakenBack),
    lastRuns: (draft) => lastRuns(runs, draft, thicknessOf(told, draft)),
    stillToMake: (name) => stillToMake(told, own, name),
    job: (name) => told.jobs.find(({ job }) => job === name) ?? null,
    plate: (name) => told.plates.find(({ plate }) => plate === name) ?? null,
    lastService: (machine, what) => lastService(told, saidOf(TYPES.serviced), machine, what),
    lastJob: (plate) => runs.find((run) => run.plate === plate && run.job)?.job ?? toldPlate(told, plate)?.last_job ?? null,
    runQuantity: (job) => runs.find((run) => run.job === job)?.quantity ?? jobOf(told, job)?.run_quantity,
    fitting: (plate) => fitting(told, own, plate),
    noticesOf: (machine) => noticesOf(told, standing, machine),
    trialsOf: (machine) => trialsOf(told, saidOf(TYPES.trialCut), machine),
    holdsOn: (draft) => holdsOn(told, draft),
    released: (draft) => released(told, draft),
    notes: [
      ...saidOf(TYPES.handedOver).map(({ subject, time, data }) => ({ machine: subject, at: time, note: data.note })),
      ...told.handovers,
    ]
      .filter((note, index, all) => all.findIndex((other) => sameNote(note, other)) === index)
      .sort((one, other) => Date.parse(other.at) - Date.parse(one.at)),
  };
}

/** Whether the service cannot have counted an entry when it was asked last. */
function isUncounted({ state, postedAt }, { fetched = 0 }) {
  return state === WAITING || postedAt > fetched - COUNTED_MS;
}

function isRecent({ event }) {
  return Date.now() - Date.parse(event.time) < RECENT_MS;
}

/** The runs of this device and those that were told, newest first, each once. */
function lately(told, finished, last) {
  const known = new Set(last.map(({ attempt }) => attempt));
  const here = finished
    .filter(({ subject }) => !known.has(subject))
    .map(asRun)
    .map((run) => ({ ...run, thickness_mm: run.thickness_mm ?? toldPlate(told, run.plate)?.thickness_mm ?? null }));
  const at = ({ ended_at: end, started_at: start }) => Date.parse(end ?? start);
  // Of one moment that first which was said last.
  return [...here.reverse(), ...last].sort((one, other) => at(other) - at(one));
}

function sameNote(one, other) {
  return one.machine === other.machine && one.note === other.note && Date.parse(one.at) === Date.parse(other.at);
}

function jobOf(told, name) {
  return told.jobs.find(({ job }) => job === name);
}

function toldPlate(told, name) {
  return told.plates.find(({ plate }) => plate === name);
}

function asRun({ subject, time, data }) {
  const { good = 0, rework = 0, scrap = 0, quantity = 1 } = data;
  const rest = quantity - good - rework - scrap;
  const isCut = data.outcome === "severed";
  return {
    ...data,
    attempt: subject,
    plate: data.plate ?? null,
    job: data.job ?? null,
    started_at: time,
    ended_at: data.outcome ? time : null,
    good,
    rework,
    scrap,
    quantity,
    not_made: data.outcome && !isCut ? rest : 0,
    pending: isCut ? rest : 0,
  };
}

/** Attempts that share a run of the machine, together; one without a run by itself. */
function byRun(attempts) {
  const groups = new Map();
  for (const attempt of attempts) {
    const name = attempt.run ?? attempt.attempt;
    groups.set(name, [...(groups.get(name) ?? []), attempt]);
  }
  return [...groups.values()];
}

function thicknessOf(told, { plate, cuts = [] }) {
  return toldPlate(told, plate)?.thickness_mm ?? jobOf(told, cuts[0]?.job)?.thickness_mm ?? null;
}

/** The last three runs on this plate, filled up with those of this thickness on this machine. */
function lastRuns(runs, { plate, machine }, thickness_mm) {
  const onPlate = runs.filter((run) => plate !== null && run.plate === plate);
  const alike = runs.filter(
    (run) => run.plate !== plate && run.machine === machine && thickness_mm !== null && run.thickness_mm === thickness_mm,
  );
  return [...onPlate, ...alike].slice(0, 3);
}

function stillToMake(told, own, name) {
  const job = jobOf(told, name);
  if (!job) {
    return null;
  }
  const since = own.filter(({ data }) => data.job === name).reduce((sum, { data }) => sum + (data.good ?? 0), 0);
  return Math.max(0, job.still_to_make - since);
}

/** Open jobs of the material and thickness of a plate, those first that are due first. */
function fitting(told, own, plate) {
  const isSame = (job) => !plate || (job.material === plate.material && job.thickness_mm === plate.thickness_mm);
  const isShort = (job) => stillToMake(told, own, job.job) > 0;
  return told.jobs
    .filter(isSame)
    .sort((one, other) => isShort(other) - isShort(one) || (one.due ?? "9").localeCompare(other.due ?? "9"));
}

/** The next runs of trials on a machine; one that was entered here is not next any more, which is told later. */
function trialsOf(told, cut, machine) {
  const isCut = ({ id, run }) => cut.some(({ subject, data }) => subject === id && data.run === run);
  return told.trials.filter((one) => one.machine === machine && !isCut(one));
}

const IN_SUCCESSION = 3;

/**
 * Notices of a machine that nobody has answered yet: what the service told, and what the last entries of this device
 * show by themselves, as when there is no network: so many runs in succession that ended at a pierce, or lost the cut.
 */
function noticesOf(told, standing, machine) {
  const events = standing.map(({ event }) => event).filter((one) => one.subject === machine || one.data.machine === machine);
  const looked = events.filter(({ type }) => type === TYPES.checked || type === TYPES.serviced);
  const lookedAt = Math.max(0, ...looked.map(({ time }) => Date.parse(time)));
  const there = told.notices.filter((one) => one.machine === machine && Date.parse(one.since) > lookedAt);
  const runs = events.filter(({ type, time }) => type === TYPES.finished && Date.parse(time) > lookedAt);
  const last = runs.sort((one, other) => Date.parse(other.time) - Date.parse(one.time)).slice(0, IN_SUCCESSION);
  const all = (outcome) => last.length === IN_SUCCESSION && last.every(({ data }) => data.outcome === outcome);
  const here = [
    ["failed_pierces", "pierce_failed"],
    ["lost_cuts", "not_severed"],
  ]
    .filter(([code, outcome]) => all(outcome) && !there.some((one) => one.code === code))
    .map(([code]) => ({ id: null, machine, code, detail: null, failed: IN_SUCCESSION }));
  return [...there, ...here];
}

/** Holds on the machine, the plate, the jobs or the recipe of a draft. */
function holdsOn(told, { machine, plate, cuts = [], recipe = null }) {
  const isOnRecipe = ({ name, revision }) => recipe?.name === name && (!revision || recipe.revision === revision);
  return told.holds.filter(
    (hold) =>
      (hold.machine !== null && hold.machine === machine) ||
      (plate !== null && (hold.plate === plate || hold.plates.includes(plate))) ||
      (hold.job !== null && cuts.some(({ job }) => job === hold.job)) ||
      (hold.recipe !== null && isOnRecipe(hold.recipe)),
  );
}

/** What is released for a draft, by gas: of a plate for its surface before any; of a job where there is no plate. */
function released(told, { machine, plate, cuts = [] }) {
  const isFor = (one) => (plate === null ? cuts.some(({ job }) => one.jobs.includes(job)) : one.plates.includes(plate));
  const fit = told.releases.filter((one) => one.machine === machine && isFor(one));
  const own = (one) => (one.surface_group === null ? 1 : 0);
  const gases = [...new Set(fit.map(({ gas }) => gas))];
  return gases.map((gas) => fit.filter((one) => one.gas === gas).sort((one, other) => own(one) - own(other))[0]);
}

/** When something of a machine was last serviced, in milliseconds since 1970; null when that is not known. */
function lastService(told, serviced, machine, what) {
  const here = serviced.filter(({ subject, data }) => subject === machine && data.what === what).map(({ time }) => time);
  const there = told.services.filter((one) => one.machine === machine && one.what === what).map(({ at }) => at);
  const all = [...here, ...there].map((at) => Date.parse(at));
  return all.length ? Math.max(...all) : null;
}

/** Attempts with parts that nobody has judged: those that were told, and those of this device. */
function unjudged(told, own) {
  const there = new Set(told.unjudged.map(({ attempt }) => attempt));
  const here = own.map(asRun).filter(({ attempt, pending }) => pending > 0 && !there.has(attempt));
  return [...here, ...told.unjudged];
}

/** Attempts with parts that wait for rework, as far as is known here. */
function inRework(told, own, reworked, isTakenBack) {
  const ended = (attempt) =>
    reworked
      .filter(({ subject }) => subject === attempt)
      .reduce((sum, { data }) => sum + (data.recovered ?? 0) + (data.scrapped ?? 0), 0);
  const there = told.in_rework.filter(({ attempt }) => !isTakenBack(TYPES.finished, attempt));
  const here = own
    .map(asRun)
    .filter(({ attempt }) => !there.some((run) => run.attempt === attempt))
    .map((run) => ({ ...run, in_rework: run.rework }));
  return [...here, ...there]
    .map((run) => ({ ...run, in_rework: run.in_rework - ended(run.attempt) }))
    .filter((run) => run.in_rework > 0);
}
