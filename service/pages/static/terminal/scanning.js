/** A barcode scanner types fast and ends with Enter: what it reads is a plate, or a job within a run. */

import { beginRun, chooseJob, state, theShop } from "./app.js";

/** Long for a scanner: what somebody types to no field is meant no other way. */
const BETWEEN_KEYS_MS = 500;
const SHORTEST = 2;
const LONGEST = 128;

let read = "";
let lastAt = 0;

/** Listens to keys that are meant for no field. */
export function scanned(event) {
  if (event.target.matches?.("input, textarea") || event.ctrlKey || event.altKey || event.metaKey) {
    return;
  }
  const isFast = event.timeStamp - lastAt < BETWEEN_KEYS_MS;
  lastAt = event.timeStamp;
  if (event.key === "Enter") {
    if (isFast && read.length >= SHORTEST && read.length <= LONGEST) {
      event.preventDefault();
      take(read);
    }
    read = "";
  } else if (event.key.length === 1) {
    read = isFast ? read + event.key : event.key;
    if (event.key === " " && read.length > 1) {
      // Within a code it presses no button.
      event.preventDefault();
    }
  }
}

function take(code) {
  const job = theShop().job(code);
  if (["run", "jobs"].includes(state.screen) && job) {
    chooseJob(state.screen === "jobs" ? state.about : 0, job);
  } else if (["plates", "done"].includes(state.screen) || (state.screen === "run" && isUntouched())) {
    beginRun(code);
  }
}

function isUntouched() {
  return !state.draft.begun && state.draft.cuts.every(({ marks }) => !Object.keys(marks).length);
}
