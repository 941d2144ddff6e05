/** Which machine this terminal stands at: asked once. */

import { change, chooseMachine, state, theShop } from "../app.js";
import { button, element } from "../elements.js";
import { say } from "../words.js";

export function machine() {
  const { machines } = theShop();
  const typed = state.typed.machine ?? "";
  const choose = (event) => {
    event.preventDefault();
    const name = new FormData(event.target).get("machine").trim();
    if (name) {
      chooseMachine(name);
    }
  };
  return [
    element("h1", { tabindex: "-1" }, say("which_machine")),
    element("p.hint", {}, say("which_machine_hint")),
    element(
      "div.tiles",
      {},
      machines.map((name) => button(element("strong", {}, name), () => chooseMachine(name), { class: "tile", "aria-pressed": String(name === state.machine) })),
    ),
    element(
      "form.line",
      { onsubmit: choose },
      element("label", { for: "machine" }, say("other_machine")),
      element("input", { id: "machine", name: "machine", maxlength: "128", autocomplete: "off", value: typed, oninput: (event) => (state.typed.machine = event.target.value) }),
      element("button", {}, say("choose")),
    ),
    state.machine ? button(say("back"), () => change({ screen: "plates" }), { class: "quiet" }) : null,
  ];
}
