/** What the shop told this device last: kept, so that the terminal opens and works without network. */

import { keep, readKept } from "./store.js";

const TIMEOUT_MS = 15_000;

/** What was told last of a site, with `fetched`, when that was; nothing before the first time. */
export async function readKnown(site) {
  return (site && (await readKept(`known:${site}`))) || null;
}

/**
 * Ask the service anew, of a site or of the key's own. Returns { known } or { refused: status }; throws what fetch
 * throws without network.
 */
export async function fetchKnown(site, machine) {
  const asked = new URLSearchParams(Object.entries({ site, machine }).filter(([, value]) => value));
  const response = await fetch(`/terminal/known?${asked}`, {
    headers: { Accept: "application/json" },
    cache: "no-store",
    redirect: "error",
    signal: AbortSignal.timeout(TIMEOUT_MS),
  });
  if (!response.ok) {
    return { refused: response.status };
  }
  const known = { ...(await response.json()), fetched: Date.now() };
  await keep(`known:${known.site}`, known);
  await keep("token", known.token);
  return { known };
}

/** By how much this device's clock is ahead of the service's when that was asked, in milliseconds. */
export function clockAhead(known) {
  const theirs = Date.parse(known?.now);
  return Number.isNaN(theirs) ? 0 : known.fetched - theirs;
}
