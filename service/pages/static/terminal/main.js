/** The terminal: a bar that always says what waits, the screen of the moment, and the way to the others. */

import { begin, clockTrouble, go, isReady, LINK, sendNow, standing, state, stillAtIt, stopTimer, theShop, timersToAsk } from "./app.js";
import { button, element, present } from "./elements.js";
import { picture } from "./pictures.js";
import { scanned } from "./scanning.js";
import { check } from "./screens/check.js";
import { done } from "./screens/done.js";
import { entries } from "./screens/entries.js";
import { handover } from "./screens/handover.js";
import { jobs } from "./screens/jobs.js";
import { machine } from "./screens/machine.js";
import { plates } from "./screens/plates.js";
import { rework, reworkBegin, reworkEnd } from "./screens/rework.js";
import { run } from "./screens/run.js";
import { service } from "./screens/service.js";
import { settings } from "./screens/settings.js";
import { stop } from "./screens/stop.js";
import { time } from "./screens/time.js";
import { unjudged } from "./screens/unjudged.js";
import { number, say, term } from "./words.js";
import { clock, lasting, running } from "./zones.js";

const SCREENS = {
  check, done, entries, handover, jobs, machine, plates, rework, rework_begin: reworkBegin, rework_end: reworkEnd, run,
  service, settings, stop, time, unjudged,
}; // prettier-ignore
/** The way to each screen, and the screens that belong to it. */
const PLACES = [
  { screen: "plates", text: "cut", also: ["check", "run", "jobs", "stop", "done", "settings", "time", "unjudged"] },
  { screen: "rework", text: "rework", also: ["rework_begin", "rework_end"] },
  { screen: "service", text: "service", also: [] },
  { screen: "handover", text: "hand_over", also: [] },
  { screen: "entries", text: "entries", also: [] },
];
const TICK_MS = 1_000;
const RELEASE_MS = 3_600_000;

const bar = document.getElementById("bar");
const asking = document.getElementById("asking");
const main = document.getElementById("main");
const places = document.getElementById("places");
const spoken = document.getElementById("spoken");
let isPressed = false;
let isDue = false;
let isStatusDue = false;
let isNewScreen = false;
let keptLanguage = null;

// Drawing anew between the two halves of a tap would swallow it.
addEventListener("pointerdown", () => (isPressed = true), true);
for (const end of ["pointerup", "pointercancel"]) {
  addEventListener(end, () => setTimeout(released, 0), true);
}

// At once after the tap: the next one finds what this one made, however fast it follows.
addEventListener("click", () => isPressed && released());

function released() {
  isPressed = false;
  if (isDue) {
    draw();
  } else if (isStatusDue) {
    drawStatus();
  }
}

function onScreen({ isNew = false } = {}) {
  isNewScreen ||= isNew;
  if (isPressed) {
    isDue = true;
  } else {
    draw();
  }
}

function draw() {
  isDue = false;
  const focused = document.activeElement?.id;
  const at = document.activeElement?.selectionStart;
  const rank = focused ? -1 : pressable().indexOf(document.activeElement);
  main.replaceChildren(...present([SCREENS[state.screen]()]));
  main.dataset.screen = state.screen;
  drawPlaces();
  drawStatus();
  if (isNewScreen) {
    isNewScreen = false;
    scrollTo(0, 0);
    main.querySelector("[data-first], h1")?.focus({ preventScroll: true });
  } else if (focused && focused !== "main") {
    const again = document.getElementById(focused);
    again?.focus({ preventScroll: true });
    if (again?.matches("textarea, input[type=search]") && at !== undefined) {
      again.setSelectionRange(at, at);
    }
  } else if (rank >= 0) {
    // Shop data come every minute: whoever is on a tile by keyboard stays on it.
    pressable()[rank]?.focus({ preventScroll: true });
  }
  document.title = `${main.querySelector("h1")?.textContent ?? say("terminal")} - Cutledger`;
}

function pressable() {
  return [...main.querySelectorAll("button, a, input, textarea")];
}

function drawPlaces() {
  const focused = places.contains(document.activeElement) ? document.activeElement.id : null;
  places.replaceChildren(
    ...PLACES.map(({ screen, text, also }) => {
      const isHere = state.screen === screen || also.includes(state.screen);
      // Half a run is not thrown away by a look elsewhere.
      const target = screen === "plates" && state.draft && !isHere ? "run" : screen;
      const mark = screen === "entries" ? refusedMark() : null;
      return element("li", {}, button([say(text), mark], () => go(state.machine ? target : "machine"), {
        id: `place-${screen}`,
        "aria-current": isHere ? "page" : null,
      })); // prettier-ignore
    }),
  );
  if (focused) {
    document.getElementById(focused)?.focus({ preventScroll: true });
  }
}

function refusedMark() {
  const { refused } = standing();
  return refused.length ? element("span.count", {}, ` ${number(refused.length)}!`) : null;
}

function drawStatus() {
  isStatusDue = false;
  const { waiting, held, refused } = standing();
  const shop = theShop();
  const known = shop.fetched
    ? say("shop_data_of", { time: clock(shop.fetched, shop.zone), age: lasting(Date.now() - shop.fetched) })
    : say("shop_data_missing");
  const ahead = clockTrouble();
  const shown = [
    element(
      "button.waits",
      { type: "button", id: "waits", onclick: () => go("entries"), "data-waiting": String(waiting.length) },
      element("strong", {}, number(waiting.length)),
      ` ${say("waiting")}`,
    ),
    element(
      "div.told",
      {},
      element("p", { class: `link ${state.link}` }, linkText(waiting.length)),
      element("p.age", {}, [shop.site, state.machine, known].filter(Boolean).join(" · ")),
      held.length ? element("p.wrong", {}, say("held", { count: held.length })) : null,
      refused.length ? element("p.wrong", {}, say("refused_count", { count: refused.length })) : null,
      state.trouble ? element("p.wrong", {}, say(state.trouble)) : null,
      ahead > 0 ? element("p.wrong", {}, say("clock_ahead", { time: lasting(ahead) })) : null,
      ahead < 0 ? element("p.wrong", {}, say("clock_behind", { time: lasting(-ahead) })) : null,
      isReady() || state.link !== LINK.off ? null : element("p.wrong", {}, say("never_told")),
    ),
    signIn(),
  ];
  const isFocused = bar.contains(document.activeElement) ? document.activeElement.id : null;
  bar.replaceChildren(...present(shown));
  if (isFocused) {
    document.getElementById(isFocused)?.focus({ preventScroll: true });
  }
  speak(`${number(waiting.length)} ${say("waiting")}. ${linkText(waiting.length)}`);
  drawPlaces();
  drawAsking();
}

/** What a screen reader says when it changes, and only then. */
function speak(text) {
  if (spoken.textContent !== text) {
    spoken.textContent = text;
  }
}

function linkText(waiting) {
  const texts = {
    [LINK.unknown]: "link_unknown",
    [LINK.on]: "link_on",
    [LINK.off]: waiting ? "link_off_waiting" : "link_off",
    [LINK.signedOut]: waiting ? "link_signed_out_waiting" : "link_signed_out",
    [LINK.notAllowed]: "link_not_allowed",
  };
  return say(texts[state.link]);
}

function signIn() {
  if (state.link !== LINK.signedOut && state.link !== LINK.notAllowed) {
    return state.link === LINK.off ? button(say("try_now"), sendNow, { id: "try-now", class: "small" }) : null;
  }
  return element("a.button.small", { id: "sign-in", href: `/sign-in?next=${encodeURIComponent("/terminal")}` }, say("sign_in"));
}

function drawAsking() {
  const timers = state.screen.startsWith("rework_") ? [] : timersToAsk();
  const asked = timers.map(({ id }) => id).join();
  if (asked === asking.dataset.asked) {
    return;
  }
  asking.dataset.asked = asked;
  asking.hidden = !timers.length;
  asking.replaceChildren(
    ...timers.map((one) =>
      element(
        "div.ask",
        { role: "alert" },
        element("p", {}, picture("rework"), say("still_at_it", {
          operation: term("operations", one.operation), time: lasting(Date.now() - one.startedAt),
        })), // prettier-ignore
        button(say("yes_still"), () => stillAtIt(one.id), { id: `still-${one.id}` }),
        button(say("no_ended"), () => stopTimer(one.id), { id: `ended-${one.id}`, class: "strong" }),
      ),
    ),
  );
}

function tick() {
  for (const shown of document.querySelectorAll("[data-since]")) {
    shown.textContent = running(Date.now() - Number(shown.dataset.since));
  }
  if (timersToAsk().length && asking.hidden) {
    drawAsking();
  }
}

/** Let the worker keep the page in a language; another language is another worker. */
async function keepFiles(language) {
  if (!("serviceWorker" in navigator) || language === keptLanguage) {
    return;
  }
  keptLanguage = language;
  const options = { scope: "/terminal", updateViaCache: "none" };
  const { serviceWorker: workers } = navigator;
  const script = `/terminal/worker.js?language=${encodeURIComponent(language)}`;
  const registration = await workers
    .register(script, { ...options, type: "module" })
    .catch(() => workers.register(`${script}&plain=1`, options))
    .catch(() => null);
  registration?.update().catch(() => {});
}

// A page that stays open for weeks asks by itself whether there is a new release.
async function askForRelease() {
  const registration = await navigator.serviceWorker?.getRegistration("/terminal");
  registration?.update().catch(() => {});
}

// A new release: at once when nothing is begun, else once the run is recorded.
let isControlled = Boolean(navigator.serviceWorker?.controller);
navigator.serviceWorker?.addEventListener("controllerchange", () => {
  if (!isControlled) {
    isControlled = true;
    return;
  }
  const renew = setInterval(() => {
    // Nor is the time thrown away that somebody chose for the next entry.
    if (!state.draft && state.at === null && ["plates", "machine", "entries"].includes(state.screen)) {
      clearInterval(renew);
      location.reload();
    }
  }, TICK_MS);
});

setInterval(tick, TICK_MS);
setInterval(drawStatusWhenFree, 30 * TICK_MS);

function drawStatusWhenFree() {
  if (state.link === LINK.on && theShop().language) {
    keepFiles(theShop().language);
  }
  if (isPressed) {
    isStatusDue = true;
  } else {
    drawStatus();
  }
}

document.addEventListener("keydown", (event) => scanned(event));
keepFiles(document.documentElement.lang);
setInterval(askForRelease, RELEASE_MS);
begin({ onScreen, onStatus: drawStatusWhenFree });
