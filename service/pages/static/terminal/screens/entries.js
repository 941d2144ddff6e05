/** All entries that this device keeps: which wait, which were refused and why, which the ledger has. */

import { go, putAside, sendAgain, sendNow, standing, state as now, theShop } from "../app.js";
import { button, element } from "../elements.js";
import { VOIDED } from "../events.js";
import { POSTED } from "../store.js";
import { sentence } from "../telling.js";
import { number, say } from "../words.js";
import { clock } from "../zones.js";
import { lastEntry } from "./parts.js";

const MOST_SHOWN = 100;

export function entries() {
  const { waiting, refused } = standing();
  const shop = theShop();
  const sent = shop.entries.filter(({ state, event }) => state === POSTED && event.type !== VOIDED).reverse();
  return [
    element("h1", { tabindex: "-1" }, say("entries_of_device")),
    lastEntry(),
    refused.length ? section(say("refused"), refused, refusedLine, "refused") : null,
    section(say("waiting_entries"), waiting, line, "waiting"),
    element(
      "div.line",
      {},
      waiting.length ? button(say("send_now"), sendNow, { id: "send-now", class: "strong" }) : null,
      waiting.length + refused.length ? button(say("save_copy"), () => save([...waiting, ...refused]), { id: "save-copy" }) : null,
    ),
    section(say("sent_entries"), sent.slice(0, MOST_SHOWN), line, "sent"),
    footer(),
  ];
}

function footer() {
  const machine = button(say("change_machine", { machine: now.machine ?? "" }), () => go("machine"), { id: "change-machine", class: "quiet" });
  return element("div.line", {}, machine, element("a.button", { href: "/key" }, say("your_key")));
}

function section(title, shown, lineOf, id) {
  return element(
    "section",
    { id },
    element("h2", {}, `${title}: ${number(shown.length)}`),
    element("ul.runs", {}, shown.map((entry) => lineOf(entry))),
  );
}

function line({ event, undone, heldFor, site, key }) {
  const shop = theShop();
  return element(
    "li",
    { "data-entry": String(key) },
    element("strong", {}, clock(Date.parse(event.time), shop.zone)),
    ` ${sentence(event)}`,
    undone ? element("em", {}, ` (${say("taken_back")})`) : null,
    heldFor ? element("p.wrong", {}, say("held_entry", { site, source: event.source })) : null,
  );
}

function refusedLine(entry) {
  return element(
    "li",
    { "data-entry": String(entry.key) },
    element("strong", {}, clock(Date.parse(entry.event.time), theShop().zone)),
    ` ${sentence(entry.event)}`,
    entry.reasons.map((reason) => element("p.wrong", { lang: "en" }, reason)),
    element(
      "div.line",
      {},
      entry.isTime ? button(say("when_was_it"), () => go("time", { refused: entry.key }), { id: `retime-${entry.key}` }) : null,
      button(say("send_now"), () => sendAgain(entry.key), { id: `again-${entry.key}`, class: "quiet" }),
    ),
    button(say("put_aside"), () => putAside(entry.key), { class: "quiet", "data-aside": String(entry.key) }),
  );
}

/** The entries as a file of events, one a line, that the service can import. */
function save(kept) {
  const lines = kept.map(({ event }) => `${JSON.stringify(event)}\n`);
  const address = URL.createObjectURL(new Blob(lines, { type: "application/x-ndjson" }));
  element("a", { href: address, download: "entries.ndjson" }).click();
  setTimeout(() => URL.revokeObjectURL(address), 10_000);
}
