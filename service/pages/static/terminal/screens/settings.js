/** Settings that a run is cut with where they are not those that are released: what is different is typed. */

import { change, cutWith, go, state, theShop } from "../app.js";
import { button, element } from "../elements.js";
import { say, term } from "../words.js";

export function settings() {
  const release = theShop()
    .released(state.draft)
    .find(({ gas }) => gas === state.about);
  if (!release) {
    return [element("h1", { tabindex: "-1" }, say("released_none")), button(say("back"), () => go("run"), { id: "back" })];
  }
  const { draft, typed } = state;
  const names = Object.keys(release.settings);
  const used = draft.gas === release.gas ? draft.recipe : null;
  const valueOf = (name) => typed[name] ?? used?.[name] ?? release.settings[name];
  const isWrong = names.some((name) => !Number.isFinite(Number(valueOf(name))) || String(valueOf(name)).trim() === "");
  const take = () => !isWrong && cutWith(release, Object.fromEntries(names.map((name) => [name, Number(valueOf(name))])));
  return [
    element("h1", { tabindex: "-1" }, say("settings_of", { recipe: recipeName(release.recipe), gas: term("gases", release.gas) })),
    element("p.hint", {}, say("settings_hint")),
    element(
      "div.settings",
      {},
      names.map((name) => [
        element("label", { for: `setting-${name}` }, term("settings", name)),
        element("input", {
          id: `setting-${name}`,
          type: "text",
          inputmode: "decimal",
          autocomplete: "off",
          value: String(valueOf(name)),
          onchange: (event) => change({ typed: { ...typed, [name]: event.target.value.trim().replace(",", ".") } }),
        }),
        Number(valueOf(name)) === release.settings[name] ? null : element("span.short", {}, say("released_is", { value: release.settings[name] })),
      ]),
    ),
    isWrong ? element("p.wrong", { role: "alert" }, say("settings_wrong")) : null,
    element(
      "div.line",
      {},
      button(say("use_settings"), take, { id: "use-settings", class: "strong", "aria-disabled": isWrong ? "true" : null }),
      button(say("as_released"), () => cutWith(release, release.settings), { id: "as-released" }),
      button(say("back"), () => go("run"), { id: "back", class: "quiet" }),
    ),
  ];
}

/** A recipe as it is shown. */
export function recipeName({ name, revision }) {
  return revision ? `${name} / ${revision}` : name;
}
