/**
 * What this device keeps: entries, each on the disk before it is shown as done, and what it was told last.
 *
 * An entry: { key, site, group, event, state, reasons, heldFor, undone, seen, postedAt }. Entries of one tap share a
 * group. `key` is the order in which they are sent.
 */

const NAME = "cutledger-terminal";
const VERSION = 1;
const KEPT_DAYS = 7;

/** States of an entry: not yet taken by the ledger; taken; not taken, with reasons; of no use any more. */
export const WAITING = "waiting";
export const POSTED = "posted";
export const REFUSED = "refused";
export const NEEDLESS = "needless";

const channel = "BroadcastChannel" in globalThis ? new BroadcastChannel(NAME) : null;
const listeners = new Set();
let opened = null;

/** Call `listener` after each change, also one that another tab or the worker made. */
export function onChange(listener) {
  listeners.add(listener);
}

if (channel) {
  channel.onmessage = () => listeners.forEach((listener) => listener());
}

function changed() {
  channel?.postMessage("changed");
  listeners.forEach((listener) => listener());
}

function database() {
  opened ??= new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, VERSION);
    request.onupgradeneeded = () => {
      request.result.createObjectStore("entries", { keyPath: "key", autoIncrement: true });
      request.result.createObjectStore("kept");
    };
    request.onsuccess = () => {
      const base = request.result;
      base.onversionchange = () => {
        base.close();
        opened = null;
      };
      base.onclose = () => {
        opened = null;
      };
      resolve(base);
    };
    request.onerror = () => {
      opened = null;
      reject(request.error);
    };
  });
  return opened;
}

/** The result of the request that `work` returns, once its transaction is complete. */
async function within(store, mode, work) {
  const base = await database();
  return new Promise((resolve, reject) => {
    // Strict: a device that loses power right after a tap has the entry all the same.
    const transaction = base.transaction(store, mode, { durability: mode === "readwrite" ? "strict" : "default" });
    const request = work(transaction.objectStore(store));
    transaction.oncomplete = () => resolve(request?.result);
    transaction.onerror = transaction.onabort = () => reject(transaction.error);
  });
}

/** All entries, oldest first. */
export function readEntries() {
  return within("entries", "readonly", (store) => store.getAll());
}

/** Keep new entries: all of them or, if this fails, none. */
export async function addEntries(entries) {
  await within("entries", "readwrite", (store) => {
    entries.forEach((entry) => store.add(entry));
  });
  changed();
}

/** Change entries that are kept. `change` takes an entry as it is now, and returns it changed. */
export async function changeEntries(keys, change) {
  await within("entries", "readwrite", (store) => {
    for (const key of keys) {
      const request = store.get(key);
      request.onsuccess = () => {
        if (request.result) {
          store.put(change(request.result));
        }
      };
    }
  });
  changed();
}

/** Take entries back: they count as undone from the moment that their voids are kept. */
export async function undoEntries(keys, voids) {
  await within("entries", "readwrite", (store) => {
    for (const key of keys) {
      const request = store.get(key);
      request.onsuccess = () => store.put({ ...request.result, undone: true, seen: true });
    }
    voids.forEach((entry) => store.add(entry));
  });
  changed();
}

/** Let go of entries that the ledger has had for some days. What waits or was refused stays. */
export async function dropOld(now) {
  const before = now - KEPT_DAYS * 86_400_000;
  await within("entries", "readwrite", (store) => {
    const request = store.openCursor();
    request.onsuccess = () => {
      const cursor = request.result;
      if (!cursor) {
        return;
      }
      const { state, postedAt, seen } = cursor.value;
      const isOver = state === POSTED || state === NEEDLESS || (state === REFUSED && seen);
      if (isOver && (postedAt ?? 0) < before) {
        cursor.delete();
      }
      cursor.continue();
    };
  });
}

/** What is kept under a name. */
export function readKept(name) {
  return within("kept", "readonly", (store) => store.get(name));
}

/** Change what is kept under a name, at once: nobody else changes it in between. */
export function changeKept(name, change) {
  return within("kept", "readwrite", (store) => {
    const request = store.get(name);
    request.onsuccess = () => store.put(change(request.result), name);
  });
}

/** Keep a value under a name. */
export async function keep(name, value) {
  await within("kept", "readwrite", (store) => store.put(value, name));
}
