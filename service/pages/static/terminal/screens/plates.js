/** Where a run begins: the plate, scanned or picked; and the runs that are on the machine. */

import { beginRun, go, resumeRun, state, theShop, timeNow } from "../app.js";
import { button, element } from "../elements.js";
import { number, say, term } from "../words.js";
import { clock, lasting } from "../zones.js";
import { notice } from "./check.js";
import { lastEntry, otherTime, toOtherTime } from "./parts.js";

const MOST_TILES = 60;

export function plates() {
  const shop = theShop();
  const running = shop.openRuns.filter(([first]) => (first.machine ?? state.machine) === state.machine);
  return [
    element("h1", { tabindex: "-1" }, say("which_plate")),
    otherTime(),
    notice(),
    running.length ? element("section", {}, element("h2", {}, say("on_the_machine")), running.map(onMachine)) : null,
    searching(),
    element("div.tiles", { id: "plates" }, tiles()),
    lastEntry(),
    element("div.line", {}, unjudgedButton(shop), toOtherTime()),
  ];
}

function unjudgedButton({ unjudged }) {
  return unjudged.length
    ? button(say("judge_now", { count: unjudged.length }), () => go("unjudged"), { id: "unjudged", class: "quiet" })
    : null;
}

function onMachine(attempts) {
  const [first] = attempts;
  const { zone } = theShop();
  const since = Date.parse(first.started_at);
  return button(
    [
      element("strong", {}, first.plate ?? say("no_plate")),
      element("span", {}, attempts.map(({ job, quantity }) => `${job ?? say("no_job")} × ${number(quantity ?? 1)}`).join(", ")),
      element("span", {}, say("since", { time: clock(since, zone), age: lasting(timeNow() - since) })),
    ],
    () => resumeRun(attempts),
    { class: "tile strong open-run" },
  );
}

function searching() {
  const choose = (event) => {
    event.preventDefault();
    const typed = (state.typed.plate ?? "").trim();
    const found = matching(typed);
    if (typed) {
      beginRun(found.length === 1 ? found[0].plate : (found.find(({ plate }) => same(plate, typed))?.plate ?? typed));
    }
  };
  const narrow = (event) => {
    state.typed.plate = event.target.value;
    document.getElementById("plates").replaceChildren(...tiles());
  };
  return element(
    "form.line.scan",
    { role: "search", onsubmit: choose },
    element("label", { for: "plate" }, say("scan_or_search")),
    element("input", {
      id: "plate",
      type: "search",
      autocomplete: "off",
      autocapitalize: "off",
      spellcheck: "false",
      maxlength: "128",
      value: state.typed.plate ?? "",
      oninput: narrow,
    }),
    element("button", {}, say("take_plate")),
  );
}

function same(one, other) {
  return one.toLowerCase() === other.toLowerCase();
}

function matching(typed) {
  const wanted = typed.toLowerCase();
  const isFound = ({ plate, material, thickness_mm, heat_number }) =>
    [plate, material, heat_number, String(thickness_mm)].some((text) => (text ?? "").toLowerCase().includes(wanted));
  return theShop().plates.filter(isFound);
}

/** Plates that were cut last come first: that is where the next run mostly is. */
function inOrder(plates) {
  const { runs } = theShop();
  const last = new Map();
  runs.forEach(({ plate }, index) => last.has(plate) || last.set(plate, index));
  const rank = ({ plate }) => last.get(plate) ?? Number.MAX_SAFE_INTEGER;
  return [...plates].sort((one, other) => rank(one) - rank(other));
}

function tiles() {
  const typed = (state.typed.plate ?? "").trim();
  const found = matching(typed);
  const shown = inOrder(found).slice(0, MOST_TILES).map(tile);
  if (typed && !found.some(({ plate }) => same(plate, typed))) {
    shown.push(button([element("strong", {}, typed), element("span", {}, say("unknown_plate"))], () => beginRun(typed), { class: "tile unknown" }));
  }
  if (found.length > MOST_TILES) {
    shown.push(element("p.hint", {}, say("more_plates", { count: found.length - MOST_TILES })));
  }
  if (!typed) {
    shown.push(button([element("strong", {}, say("no_plate")), element("span", {}, say("no_plate_hint"))], () => beginRun(null), { class: "tile", id: "no-plate" }));
  }
  return shown;
}

function tile(plate) {
  const { surface, thermal_history: history } = plate;
  const condition = [surface && term("surfaces", surface), history === "hardened" && term("histories", history)];
  return button(
    [
      element("strong", {}, plate.plate),
      element("span", {}, [plate.thickness_mm && say("mm", { value: plate.thickness_mm }), plate.material].filter(Boolean).join(" · ")),
      element("span.faint", {}, condition.filter(Boolean).join(" · ")),
    ],
    () => beginRun(plate.plate),
    { class: "tile plate", "data-plate": plate.plate },
  );
}
