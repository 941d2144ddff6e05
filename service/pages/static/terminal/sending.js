/**
 * Posts what waits, in its order, until the ledger has it. Sending again is free: the ledger keeps each id once. Runs in
 * the page and, where the browser wakes it, in the service worker.
 */

import { VOIDED } from "./events.js";
import { fetchKnown, readKnown } from "./known.js";
import { changeEntries, NEEDLESS, POSTED, readEntries, readKept, REFUSED, WAITING } from "./store.js";

const LOCK = "cutledger-sending";
const LARGEST_BATCH = 200;
const TIMEOUT_MS = 30_000;
/** What a service asks for is kept within these bounds. */
const [SHORTEST_WAIT_MS, LONGEST_WAIT_MS] = [250, 600_000];
/** So many entries at which the service fails are passed over, so that they do not hold up the others. */
const MOST_PASSED_OVER = 3;
const MEDIA_TYPE = "application/cloudevents-batch+json";

/** How a round of sending ended. */
export const DONE = "done";
export const LATER = "later";
export const SIGNED_OUT = "signed_out";
export const ELSEWHERE = "elsewhere";

/**
 * Send all that waits. Returns { end, afterMs, isAnswered }: how it ended, and for LATER how long the service asks to be
 * left alone, if it does, and whether it was reached. One tab, or the worker, sends at a time; the others get ELSEWHERE.
 */
export function sendWaiting() {
  const locks = globalThis.navigator?.locks;
  if (!locks) {
    return send();
  }
  return locks.request(LOCK, { ifAvailable: true }, (lock) => (lock ? send() : { end: ELSEWHERE }));
}

async function send() {
  let size = LARGEST_BATCH;
  const heldNow = new Set();
  let renewed = false;
  let passedOver = 0;
  for (;;) {
    const batch = await nextBatch(size, heldNow);
    if (!batch.length) {
      return passedOver ? { end: LATER, isAnswered: true } : { end: DONE };
    }
    const { site } = batch[0];
    let answer;
    try {
      answer = await post(site, batch);
    } catch {
      return { end: LATER };
    }
    if (answer.items) {
      await settle(batch, answer.items, heldNow);
    } else if (answer.status === 413 && batch.length > 1) {
      // Whoever stands in between may say this too.
      size = Math.ceil(batch.length / 2);
    } else if (answer.status === 500 && passedOver < MOST_PASSED_OVER) {
      if (batch.length === 1) {
        heldNow.add(batch[0].key);
        passedOver += 1;
        size = LARGEST_BATCH;
      } else {
        size = Math.ceil(batch.length / 2);
      }
    } else if (answer.isProblem && [400, 413, 422].includes(answer.status)) {
      // The request as a whole was not read: halve it until the entry is alone that cannot be read.
      if (batch.length === 1) {
        await refuse(batch[0], [answer.detail]);
      } else {
        size = Math.ceil(batch.length / 2);
      }
    } else if (answer.status === 403 && !renewed && (await renew(site))) {
      renewed = true;
    } else if (answer.status === 401 || answer.status === 403) {
      return { end: SIGNED_OUT };
    } else if (answer.isProblem && answer.status === 404) {
      // This key has nothing to do with the site that they were made for.
      await hold(batch, heldNow);
    } else {
      return { end: LATER, afterMs: answer.afterMs };
    }
  }
}

/** The next entries of one site that wait, oldest first, without those that another key must send. */
async function nextBatch(size, heldNow) {
  const entries = await readEntries();
  await dropNeedless(entries);
  const waiting = [];
  for (const entry of entries) {
    if (entry.state === WAITING && !heldNow.has(entry.key) && !(await isHeld(entry))) {
      waiting.push(entry);
    }
  }
  return waiting.filter(({ site }) => site === waiting[0].site).slice(0, size);
}

/** The void of an entry that the ledger refused has nothing to void. */
async function dropNeedless(entries) {
  const refused = new Set(entries.filter(({ state }) => state === REFUSED).map(({ event }) => event.id));
  const needless = entries.filter(
    ({ state, event }) => state === WAITING && event.type === VOIDED && refused.has(event.data.id),
  );
  if (needless.length) {
    needless.forEach((entry) => {
      entry.state = NEEDLESS;
    });
    await changeEntries(
      needless.map(({ key }) => key),
      (entry) => ({ ...entry, state: NEEDLESS, postedAt: Date.now() }),
    );
  }
}

async function isHeld(entry) {
  return Boolean(entry.heldFor) && entry.heldFor === (await holder(entry.site));
}

async function sourceOf(site) {
  return (await readKnown(site))?.source ?? "";
}

/** Names the key that is signed in, as far as it matters here: by what it posts as, and the session's token. */
async function holder(site) {
  return `${await sourceOf(site)} ${(await readKept("token")) ?? ""}`;
}

async function post(site, batch) {
  const response = await fetch(`/v1/events?site=${encodeURIComponent(site)}`, {
    method: "POST",
    headers: {
      Accept: "application/json",
      "Content-Type": MEDIA_TYPE,
      "X-CSRF-Token": (await readKept("token")) ?? "",
    },
    body: JSON.stringify(batch.map(({ event }) => event)),
    redirect: "error",
    signal: AbortSignal.timeout(TIMEOUT_MS),
  });
  const body = await response.json().catch(() => ({}));
  const items = Array.isArray(body.items) && body.items.length === batch.length ? body.items : null;
  // What answers may be no service of ours: a proxy, the page of a network that wants a sign-in.
  const isProblem = (response.headers.get("Content-Type") ?? "").startsWith("application/problem+json");
  return { status: response.status, items, isProblem, detail: body.detail ?? "", afterMs: retryAfterMs(response) };
}

function retryAfterMs(response) {
  const told = response.headers.get("Retry-After");
  if (told === null) {
    return undefined;
  }
  const ms = /^\d+$/.test(told) ? Number(told) * 1000 : Date.parse(told) - Date.now();
  return Number.isNaN(ms) ? undefined : Math.min(LONGEST_WAIT_MS, Math.max(SHORTEST_WAIT_MS, ms));
}

/** A new session has a new token: true when there is another one now. */
async function renew(site) {
  const before = await readKept("token");
  try {
    await fetchKnown(site);
  } catch {
    return false;
  }
  return (await readKept("token")) !== before;
}

async function settle(batch, items, heldNow) {
  const taken = batch.filter((_, index) => ["accepted", "duplicate"].includes(items[index].status));
  if (taken.length) {
    await changeEntries(
      taken.map(({ key }) => key),
      (entry) => ({ ...entry, state: POSTED, postedAt: Date.now(), heldFor: null }),
    );
  }
  const foreign = [];
  for (const [index, entry] of batch.entries()) {
    const { status, errors = [] } = items[index];
    if (status === "accepted" || status === "duplicate") {
      continue;
    }
    if (errors.length && errors.every(({ pointer }) => /^(\/\d+)?\/source$/.test(pointer))) {
      foreign.push(entry);
    } else {
      const isTime = errors.some(({ pointer }) => /^(\/\d+)?\/time$/.test(pointer));
      await refuse(entry, errors.map(({ detail }) => detail), isTime);
    }
  }
  if (foreign.length) {
    await hold(foreign, heldNow);
  }
}

async function refuse(entry, reasons, isTime = false) {
  await changeEntries([entry.key], (kept) => ({ ...kept, state: REFUSED, reasons, isTime, postedAt: Date.now() }));
}

/** Keep entries back until another key is signed in: this one may not send them. */
async function hold(batch, heldNow) {
  const heldFor = await holder(batch[0].site);
  batch.forEach(({ key }) => heldNow.add(key));
  await changeEntries(
    batch.map(({ key }) => key),
    (entry) => ({ ...entry, heldFor }),
  );
}
