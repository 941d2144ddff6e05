/** What the terminal is about at this moment, and what can be done with it. Screens read it and call it. */

import * as events from "./events.js";
import { clockAhead, fetchKnown, readKnown } from "./known.js";
import { DONE, ELSEWHERE, LATER, sendWaiting, SIGNED_OUT } from "./sending.js";
import { shop } from "./shop.js";
import { addEntries, changeEntries, changeKept, dropOld, keep, NEEDLESS, onChange, readEntries, readKept, REFUSED, undoEntries, WAITING } from "./store.js";

const REFRESH_MS = 60_000;
const FIRST_RETRY_MS = 1_000;
const LONGEST_RETRY_MS = 60_000;
/** The ledger counts in the background: what was just posted is asked for a moment later. */
const COUNTED_MS = 1_500;
/** A draft that nobody touched for so long belongs to a shift that is over. */
const DRAFT_MS = 12 * 3_600_000;
const TIDY_MS = 3_600_000;
const ASK_AGAIN_MS = 45 * 60_000;
/** How far in the future the time of an entry may lie: clocks differ. */
export const AHEAD_MS = 5 * 60_000;
/** So far the clock of a device may be off. */
const UNHEEDED_MS = 2 * 60_000;
export const MOST_PARTS = 240;

/** How the device and the service stand to each other. */
export const LINK = { unknown: "unknown", on: "on", off: "off", signedOut: "signed_out", notAllowed: "not_allowed" };

export const state = {
  screen: "plates",
  /** What the screen is about: an attempt, a group of entries, ... */
  about: null,
  draft: null,
  timers: [],
  machine: null,
  /** The time that the next entry is given, when it was forgotten; null for now. */
  at: null,
  typed: {},
  link: LINK.unknown,
  /** A sentence about what went wrong on this device, as the name of its text. */
  trouble: null,
  /** A group of entries that one is asked about taking back. */
  takingBack: null,
};

let site = new URLSearchParams(location.search).get("site");
let known = null;
let entries = [];
let seen = shop(null, []);
let show = () => {};
let showStatus = () => {};
let isRecording = false;
let timersChanging = 0;
let setBack = null;
let retryMs = FIRST_RETRY_MS;
let retryTimer = null;
let refreshTimer = null;

/** The shop as this device sees it. */
export function theShop() {
  return seen;
}

/** Entries of all sites that wait, and those that were refused and nobody has read yet. */
export function standing() {
  return {
    waiting: entries.filter((entry) => entry.state === WAITING),
    held: entries.filter((entry) => entry.state === WAITING && entry.heldFor),
    refused: entries.filter((entry) => entry.state === REFUSED && !entry.seen),
  };
}

/** Begin: with what is kept, then with what the service tells. */
export async function begin({ onScreen, onStatus }) {
  show = onScreen;
  showStatus = onStatus;
  try {
    const choices = (await readKept("choices")) ?? {};
    site ??= choices.site ?? null;
    state.machine = choices.site === site || !choices.site ? (choices.machine ?? null) : null;
    await dropOld(Date.now());
    await reread();
    await changeTimers(unrecorded);
    const work = (await readKept("work")) ?? {};
    if (work.draft && Date.now() - work.touched < DRAFT_MS && !isEnded(work.draft)) {
      Object.assign(state, { draft: work.draft, at: work.at ?? null });
    }
  } catch {
    state.trouble = "nothing_is_kept";
  }
  state.screen = !state.machine ? "machine" : state.draft ? "run" : "plates";
  show();
  onChange(() => reread().then(showStatus).catch(() => {}));
  addEventListener("online", sendNow);
  addEventListener("offline", () => setLink(LINK.off));
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && sendNow());
  setInterval(() => document.visibilityState === "visible" && refresh().then(sendSoon), REFRESH_MS);
  setInterval(() => dropOld(Date.now()).then(reread).catch(() => {}), TIDY_MS);
  navigator.storage?.persist?.().catch(() => false);
  await refresh();
  await send();
}

async function reread() {
  known = await readKnown(site);
  entries = await readEntries();
  seen = shop(known, entries);
  // The browser may have been closed between keeping the entry and letting go of the clock that it was made of.
  const timers = unrecorded((await readKept("timers")) ?? []);
  if (!timersChanging) {
    state.timers = timers;
  }
}

function unrecorded(timers) {
  const recorded = new Set(entries.map(({ group }) => group));
  return timers.filter(({ id }) => !recorded.has(id));
}

/** Whether the end of this run is kept already: the browser was closed before the run was let go of. */
function isEnded({ cuts }) {
  const ended = entries.filter(({ event, undone }) => event.type === events.TYPES.finished && !undone);
  return cuts.some(({ attempt }) => ended.some(({ event }) => event.subject === attempt));
}

/** Ask what the shop knows; a screen in use is drawn anew only when nobody types in it. */
export async function refresh() {
  const before = site;
  try {
    let answer = await fetchKnown(site, state.machine);
    if (answer.refused === 404) {
      // Another key, of another site, is signed in: entries made for the site before wait for a key of that.
      answer = await fetchKnown(null, null);
    }
    if (answer.known) {
      site = answer.known.site;
      if (site !== before) {
        await settleAt(before);
      }
      setLink(LINK.on);
    } else if (answer.refused === 401) {
      setLink(LINK.signedOut);
    } else if (answer.refused === 403 || answer.refused === 404) {
      setLink(LINK.notAllowed);
    } else {
      setLink(LINK.off);
    }
  } catch {
    setLink(LINK.off);
  }
  await reread().catch(() => {});
  if (state.screen === "machine" || !isTyping()) {
    show();
  }
  showStatus();
}

/** The terminal is of another site than it was: a machine of the one before is none of this. */
async function settleAt(before) {
  if (before !== null) {
    Object.assign(state, { machine: null, draft: null, screen: "machine" });
    await keepWork();
  }
  await keepChoices();
}

function isTyping() {
  return document.activeElement?.matches("input, textarea");
}

function setLink(link) {
  state.link = link;
  showStatus();
}

/** Whether entries can be made: it is known for which site, and as which source. */
export function isReady() {
  return Boolean(seen.site && seen.source);
}

/** By how much the device's clock is ahead, in milliseconds; 0 when that is within what does not matter. */
export function clockTrouble() {
  if (!known) {
    return 0;
  }
  const [told, shown, ahead] = [Date.parse(known.now), Date.now(), clockAhead(known)];
  if (shown - ahead >= told - UNHEEDED_MS) {
    return Math.abs(ahead) > UNHEEDED_MS ? ahead : 0;
  }
  // It was set back since the service was asked: to what is right, or to what cannot be, since that was later.
  if (shown >= told - UNHEEDED_MS) {
    return 0;
  }
  if (setBack?.told !== told) {
    setBack = { told, by: shown - told };
  }
  return setBack.by;
}

/** What the time is: by the device's clock, put right where that is wrong. In milliseconds since 1970. */
export function timeNow() {
  return rightTime(Date.now());
}

/** A time that this device's clock showed, put right. */
export function rightTime(shown) {
  return shown - clockTrouble();
}

// --- screens ------------------------------------------------------------------------------------------------------

/** Show another screen. */
export function go(screen, about = null) {
  Object.assign(state, { screen, about, takingBack: null, typed: {} });
  show({ isNew: true });
}

/** Change what the screen is about, and draw it anew. */
export function change(changes = {}) {
  Object.assign(state, changes);
  keepWork();
  show();
}

function keepWork() {
  const work = { draft: state.draft, at: state.at, touched: Date.now() };
  return keep("work", JSON.parse(JSON.stringify(work))).catch(() => {
    state.trouble = "nothing_is_kept";
  });
}

function keepChoices() {
  return keep("choices", { site, machine: state.machine });
}

/** The machine that this terminal stands at. */
export async function chooseMachine(machine) {
  state.machine = machine;
  state.draft = null;
  await keepWork();
  await keepChoices();
  go("plates");
  refresh();
}

// --- runs ---------------------------------------------------------------------------------------------------------

/** A new run on a plate; without a plate for shops that track none. */
export function beginRun(plate) {
  const found = seen.plate(plate);
  const last = seen.job(seen.lastJob(plate));
  const job = last ?? (found ? seen.fitting(found)[0] : null) ?? null;
  state.draft = draft(plate, [events.newCut(job?.job ?? null, quantityOf(job))]);
  keepWork();
  go("run");
}

function draft(plate, cuts, begun = null, run = `R-${events.newId()}`) {
  return { run, machine: state.machine, plate, cuts, begun, selected: [], mark: null, stop: null, unjudged: false };
}

function quantityOf(job) {
  return Math.min(MOST_PARTS, (job && seen.runQuantity(job.job)) || 1);
}

/** Go on with a run that the machine began. */
export function resumeRun(attempts) {
  const cuts = attempts.map(({ attempt, job, quantity, piece, retry_of, mode }) => ({
    attempt, job, quantity: Math.min(MOST_PARTS, quantity ?? 1), piece: piece ?? null,
    retryOf: retry_of ?? null, mode: mode ?? null, marks: {},
  })); // prettier-ignore
  const [first] = attempts;
  state.draft = draft(first.plate, cuts, first.started_at, first.run ?? null);
  keepWork();
  go("run");
}

/** Make the parts again that a run lost: from the same blank, or from a new one. */
export function retry(run, parts, mode) {
  const cut = events.newCut(run.job, parts, { piece: run.piece ?? undefined, retryOf: run.attempt, mode });
  state.draft = draft(run.plate, [cut]);
  keepWork();
  go("run");
}

/** Cut the run as the next one of a trial; null: as none. */
export function cutForTrial(trial) {
  Object.assign(state.draft, { trial });
  change();
}

/** Cut the run with released settings, or with others in their place: the attempts say which. */
export function cutWith({ recipe, gas }, settings) {
  Object.assign(state.draft, { recipe: { ...recipe, ...settings }, gas });
  keepWork();
  go("run");
}

/** Choose the job of a cut; parts as many as its last run had. */
export function chooseJob(index, job) {
  const cut = state.draft.cuts[index];
  cut.job = job?.job ?? null;
  cut.quantity = quantityOf(job);
  cut.marks = {};
  state.draft.selected = [];
  keepWork();
  go("run");
}

/** Nest another job in the run. */
export function addCut() {
  state.draft.cuts.push(events.newCut(null, 1));
  keepWork();
  go("jobs", state.draft.cuts.length - 1);
}

/** Take a job out of the run. */
export function dropCut(index) {
  state.draft.cuts.splice(index, 1);
  state.draft.selected = [];
  change();
}

/** Change how many parts a cut has. */
export function setQuantity(index, quantity) {
  const cut = state.draft.cuts[index];
  cut.quantity = quantity;
  cut.marks = Object.fromEntries(Object.entries(cut.marks).filter(([part]) => Number(part) <= quantity));
  state.draft.selected = state.draft.selected.filter(([at, part]) => at !== index || part <= quantity);
  change();
}

/** Select a part, or let it go. */
export function select(index, part) {
  const { selected } = state.draft;
  const at = selected.findIndex(([one, other]) => one === index && other === part);
  if (at < 0) {
    selected.push([index, part]);
  } else {
    selected.splice(at, 1);
  }
  state.draft.mark = null;
  change();
}

/** Give the selected parts their mark and its cause; null for good after all. */
export function mark(name, cause = null) {
  for (const [index, part] of state.draft.selected) {
    if (name === null) {
      delete state.draft.cuts[index].marks[part];
    } else {
      state.draft.cuts[index].marks[part] = { mark: name, cause };
    }
  }
  Object.assign(state.draft, { selected: [], mark: null });
  change();
}

function complete() {
  const { draft: about } = state;
  const job = seen.job(about.cuts[0].job);
  const isKnown = about.plate !== null && seen.plate(about.plate) !== null;
  const material = isKnown ? null : (job?.material ?? null);
  return { ...about, material, thickness_mm: isKnown ? null : (job?.thickness_mm ?? null) };
}

/** The machine begins. */
export async function startRun() {
  if (await record(events.started(complete(), seen.source, timeOf()))) {
    state.draft = null;
    // Not shown once more without it, as what comes meanwhile would do.
    const kept = keepWork();
    go("plates");
    await kept;
  }
}

/** The run is over, and its parts are as they are marked; or not judged yet. */
export function finishRun({ unjudged = false } = {}) {
  const about = { ...complete(), unjudged };
  return endRun(about, (at) => events.finished(about, seen.source, at));
}

/** The run was given up. */
export function stopRun() {
  const about = complete();
  return endRun(about, (at) => events.stopped(about, seen.source, at, about.stop));
}

async function endRun(about, made) {
  const at = timeOf();
  const said = [...made(at), ...events.trialCut(about, seen.source, at)];
  const group = await record(said);
  if (group) {
    state.draft = null;
    const kept = keepWork();
    go("done", { group, plate: about.plate, runs: said.filter(({ type }) => type === events.TYPES.finished).map(({ subject, data }) => ({ ...data, attempt: subject })) });
    await kept;
  }
}

// --- entries ------------------------------------------------------------------------------------------------------

/** The time of the entry that is made now. */
function timeOf() {
  return state.at ?? timeNow();
}

/** Keep entries of one tap; the group's name when they are on the disk, null when they are not. */
export async function record(said, group = events.newId()) {
  // A second tap on the same button, before the first one is kept, is the same tap.
  if (isRecording || !isReady()) {
    return null;
  }
  if (entries.some((one) => one.group === group)) {
    return group;
  }
  isRecording = true;
  try {
    await addEntries(said.map((event) => entry(event, group)));
    await reread();
    const hadTime = state.at !== null;
    Object.assign(state, { at: null, trouble: null });
    if (hadTime) {
      await keepWork();
    }
  } catch {
    state.trouble = "not_kept";
    show();
    return null;
  } finally {
    isRecording = false;
  }
  navigator.vibrate?.(40);
  send();
  return group;
}

function entry(event, group, of = seen.site) {
  return { site: of, group, event, state: WAITING, reasons: [], heldFor: null, undone: false, seen: false, postedAt: null };
}

/** The time at which an entry of now would count. */
export function entryTime() {
  return timeOf();
}

/** Record and go on to a screen that says so. */
export async function recordAndTell(said, about = {}, name = undefined) {
  const group = await record(said, name);
  if (group) {
    go("done", { group, ...about });
  }
  return group;
}

/** The entries of the last tap that stands; none when there is none. */
export function lastEntries() {
  const last = seen.entries.findLast((one) => one.event.type !== events.VOIDED && !one.undone && one.state !== REFUSED);
  return last ? seen.entries.filter(({ group, undone }) => group === last.group && !undone) : [];
}

/** Take the entries of a tap back, sent or not: their voids are sent after them. */
export async function takeBack(group, reason) {
  if (isRecording) {
    return;
  }
  isRecording = true;
  const taken = entries.filter((one) => one.group === group && !one.undone && one.event.type !== events.VOIDED);
  const sendable = taken.filter((one) => one.state !== REFUSED && one.state !== NEEDLESS);
  const voids = sendable.map((one) => entry(events.voided(one.event, reason, timeNow()), `void ${group}`, one.site));
  try {
    await undoEntries(taken.map(({ key }) => key), voids);
    await reread();
  } catch {
    state.trouble = "not_kept";
  } finally {
    isRecording = false;
  }
  send();
}

/** Send a refused entry once more, at its time or at another one: the ledger has nothing of it. */
export async function sendAgain(key, at = null) {
  try {
    await changeEntries([key], (one) => {
      const time = at === null ? one.event.time : new Date(at).toISOString();
      return one.state === REFUSED ? { ...one, state: WAITING, reasons: [], event: { ...one.event, time } } : one;
    });
    await reread();
  } catch {
    state.trouble = "not_kept";
  }
  show();
  send();
}

/** A refused entry was read, and needs nobody any more. */
export async function putAside(key) {
  await changeEntries([key], (one) => ({ ...one, seen: true })).catch(() => (state.trouble = "not_kept"));
  await reread().catch(() => {});
  show();
}

// --- rework -------------------------------------------------------------------------------------------------------

/** Begin to work on parts of an attempt: the clock runs, also while the browser is closed. */
export function startTimer(run, operation) {
  const now = Date.now();
  const begun = { id: events.newId(), run, operation, startedAt: now, askAt: now + ASK_AGAIN_MS, endedAt: null };
  changeTimers((timers) => [...timers, begun]);
  go("rework");
}

/** Change the clocks that run, here and where they are kept: another tab may have changed them meanwhile. */
async function changeTimers(changed) {
  state.timers = changed(state.timers);
  timersChanging += 1;
  try {
    await changeKept("timers", (kept) => JSON.parse(JSON.stringify(changed(kept ?? []))));
  } catch {
    state.trouble = "nothing_is_kept";
  } finally {
    timersChanging -= 1;
  }
}

function changeTimer(id, changed) {
  return changeTimers((timers) => timers.map((one) => (one.id === id ? { ...one, ...changed(one) } : one)));
}

/** The timers that have run for so long that somebody must be asked. */
export function timersToAsk() {
  return state.timers.filter(({ askAt, endedAt }) => endedAt === null && askAt <= Date.now());
}

/** Somebody is still at it. */
export function stillAtIt(id) {
  changeTimer(id, () => ({ askAt: Date.now() + ASK_AGAIN_MS }));
  change();
}

/** The work is over: how long it took can be corrected. */
export function stopTimer(id) {
  changeTimer(id, ({ endedAt }) => ({ endedAt: endedAt ?? Date.now() }));
  go("rework_end", id);
}

/** Let the clock run on. */
export function resumeTimer(id) {
  changeTimer(id, () => ({ endedAt: null }));
  go("rework");
}

/** The timer of this id. */
export function timer(id) {
  return state.timers.find((one) => one.id === id);
}

/** Let go of a timer. */
export function dropTimer(id) {
  return changeTimers((timers) => timers.filter((one) => one.id !== id));
}

// --- sending ------------------------------------------------------------------------------------------------------

/** Send what waits, now that there is reason to think that it gets through. */
export function sendNow() {
  retryMs = FIRST_RETRY_MS;
  refresh().then(send);
}

function sendSoon() {
  if (standing().waiting.length && retryTimer === null) {
    send();
  }
}

async function send() {
  clearTimeout(retryTimer);
  retryTimer = null;
  const before = standing().waiting.length;
  const { end, afterMs, isAnswered } = await sendWaiting().catch(() => ({ end: LATER }));
  await reread().catch(() => {});
  if (end === DONE) {
    retryMs = FIRST_RETRY_MS;
    if (before) {
      setLink(LINK.on);
      clearTimeout(refreshTimer);
      refreshTimer = setTimeout(refresh, COUNTED_MS);
    }
  } else if (end === SIGNED_OUT) {
    await refresh();
  } else if (end === LATER) {
    wakeLater();
    again(afterMs ?? retryMs * (0.75 + Math.random() / 2));
    retryMs = Math.min(LONGEST_RETRY_MS, retryMs * 2);
    if (afterMs === undefined && !isAnswered) {
      setLink(LINK.off);
    }
  } else if (end === ELSEWHERE) {
    again(FIRST_RETRY_MS * 2);
  }
  showStatus();
}

function again(ms) {
  retryTimer = setTimeout(send, ms);
}

/** Where the browser can, let it send when the network is back, even with the page closed. */
function wakeLater() {
  navigator.serviceWorker?.ready.then((registration) => registration.sync?.register("entries")).catch(() => {});
}
