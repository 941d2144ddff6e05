/** To the next shift: what is open, and a note; all of it without network. */

import { change, entryTime, LINK, recordAndTell, state, theShop, timeNow } from "../app.js";
import { element } from "../elements.js";
import { handedOver } from "../events.js";
import { number, say, term } from "../words.js";
import { clock, lasting } from "../zones.js";

const LONGEST = 2_000;
const MOST_SHOWN = 12;

export function handover() {
  const shop = theShop();
  const of = (name) => (name ? `?${new URLSearchParams({ site: shop.site ?? "", machine: name })}` : "");
  return [
    element("h1", { tabindex: "-1" }, say("to_next_shift", { machine: state.machine ?? "" })),
    notes(shop),
    form(shop),
    element(
      "div.lists",
      {},
      list(say("open_runs"), shop.openRuns.map(([first]) => `${named(first)}: ${say("since", { time: clock(Date.parse(first.started_at), shop.zone), age: lasting(timeNow() - Date.parse(first.started_at)) })}`)),
      list(say("unjudged_parts"), shop.unjudged.map((one) => `${named(one)}: ${number(one.pending)}`)),
      list(say("parts_in_rework"), shop.inRework.map((one) => `${named(one)}: ${number(one.in_rework)}`)),
      list(say("open_findings"), shop.findings.map(({ detail, lang }) => element("span", { lang }, detail))),
      list(say("last_services"), services(shop)),
    ),
    // Without network it leads nowhere.
    state.link === LINK.on ? element("p", {}, element("a.button", { href: `/handover${of(state.machine)}`, id: "sheet" }, say("as_a_sheet"))) : null,
  ];
}

function named({ job, plate, attempt }) {
  return [job, plate].filter(Boolean).join(" · ") || attempt;
}

function list(title, lines) {
  const more = lines.length - MOST_SHOWN;
  return element(
    "section",
    {},
    element("h2", {}, `${title}: ${number(lines.length)}`),
    lines.length ? element("ul", {}, lines.slice(0, MOST_SHOWN).map((line) => element("li", {}, line))) : null,
    more > 0 ? element("p.hint", {}, say("and_more", { count: more })) : null,
  );
}

function services(shop) {
  const kinds = [...new Set(shop.services.filter(({ machine }) => machine === state.machine).map(({ what }) => what)), "nozzle"];
  return [...new Set(kinds)]
    .map((what) => [what, shop.lastService(state.machine, what)])
    .filter(([, at]) => at !== null)
    .sort(([, one], [, other]) => other - one)
    .map(([what, at]) => `${term("services", what)}: ${say("ago", { age: lasting(timeNow() - at) })}`);
}

function notes(shop) {
  const here = shop.notes.filter(({ machine }) => machine === state.machine).slice(0, 3);
  return element(
    "section",
    { "aria-label": say("last_notes") },
    element("h2", {}, say("last_notes")),
    here.length
      ? here.map(({ note, at }) => element("blockquote", {}, element("strong", {}, clock(Date.parse(at), shop.zone)), element("p", {}, note)))
      : element("p.hint", {}, say("no_notes")),
  );
}

function form(shop) {
  const tell = (event) => {
    event.preventDefault();
    const note = (state.typed.note ?? "").trim();
    if (note) {
      recordAndTell(handedOver(state.machine, note, shop.source, entryTime()));
    } else {
      change({ typed: { ...state.typed, isEmpty: true } });
    }
  };
  return element(
    "form",
    { onsubmit: tell },
    element("label", { for: "note" }, say("note_for_next")),
    element("textarea", { id: "note", rows: "4", maxlength: String(LONGEST), oninput: (event) => (state.typed.note = event.target.value) }, state.typed.note ?? ""),
    state.typed.isEmpty ? element("p.wrong", { role: "alert" }, say("note_is_empty")) : null,
    element("p", {}, element("button.strong", { id: "hand-over" }, say("hand_over"))),
  );
}
