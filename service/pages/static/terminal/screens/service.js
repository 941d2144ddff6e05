/** What was changed, cleaned or set on the machine: one tap each. */

import { entryTime, recordAndTell, state, theShop, timeNow } from "../app.js";
import { button, element } from "../elements.js";
import { serviced } from "../events.js";
import { picture } from "../pictures.js";
import { say, term, words } from "../words.js";
import { lasting } from "../zones.js";
import { lastEntry, otherTime, toOtherTime } from "./parts.js";

const PICTURES = {
  nozzle: "nozzle_worn", nozzle_centring: "nozzle_off_centre", protective_window: "protective_window", lens: "focus_shift",
  focus_check: "focus_shift", height_sensor: "height_sensing", slats: "slats", gas_change: "gas_purity", filter: "slats",
  calibration: "wrong_settings", repair: "machine_fault", other: "other",
}; // prettier-ignore

export function service() {
  const shop = theShop();
  const tell = (what) => recordAndTell(serviced(state.machine, what, (state.typed.note ?? "").trim(), shop.source, entryTime()));
  return [
    element("h1", { tabindex: "-1" }, say("what_serviced", { machine: state.machine ?? "" })),
    otherTime(),
    element(
      "div.line",
      {},
      element("label", { for: "note" }, say("note_if_any")),
      element("input", { id: "note", type: "text", maxlength: "2000", autocomplete: "off", value: state.typed.note ?? "", oninput: (event) => (state.typed.note = event.target.value) }),
    ),
    element(
      "div.tiles",
      {},
      words("services").map((what) => {
        const last = shop.lastService(state.machine, what);
        return button(
          [picture(PICTURES[what]), element("strong", {}, term("services", what)), element("span.faint", {}, last === null ? "–" : say("ago", { age: lasting(timeNow() - last) }))],
          () => tell(what),
          { class: "tile", "data-service": what },
        );
      }),
    ),
    lastEntry(),
    toOtherTime(),
  ];
}
