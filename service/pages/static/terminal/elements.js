/** Elements of the page, made by one function. */

/**
 * An element. `attributes` are set as they are; true stands for an attribute without a value, null, undefined and
 * false for none; those that begin with "on" are listeners. Children that are null or false are left out.
 */
export function element(tag, attributes = {}, ...children) {
  const [name, ...classes] = tag.split(".");
  const made = document.createElement(name);
  made.classList.add(...classes);
  for (const [attribute, value] of Object.entries(attributes)) {
    if (attribute.startsWith("on")) {
      made.addEventListener(attribute.slice(2), value);
    } else if (attribute === "value") {
      made.value = value;
    } else if (value !== null && value !== undefined && value !== false) {
      made.setAttribute(attribute, value === true ? "" : value);
    }
  }
  made.append(...present(children));
  return made;
}

/** What there is of children, however deep their lists. */
export function present(children) {
  return children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false);
}

/** A button that does something when it is pressed. */
export function button(label, press, attributes = {}, tag = "button") {
  return element(tag, { type: "button", ...attributes, onclick: press }, ...[label].flat());
}

/** A number between two bounds, with a large button on each side. `id` is that of its field. */
export function stepper({ id, label, value, low = 0, high, change, unit = "", steps = [1] }) {
  const bounded = (next) => Math.min(high, Math.max(low, Math.round(next)));
  const by = (step) => (value + step < low || value + step > high ? null : () => change(value + step));
  const side = (step) =>
    button(step < 0 ? `−${-step === 1 ? "" : -step}` : `+${step === 1 ? "" : step}`, by(step) ?? (() => {}), {
      id: `${id}-${step}`,
      class: "step",
      "aria-label": `${label} ${step < 0 ? "−" : "+"}${Math.abs(step)}`,
      "aria-disabled": by(step) ? null : "true",
    });
  const field = element("input", {
    id,
    type: "text",
    inputmode: "numeric",
    autocomplete: "off",
    value: String(value),
    onfocus: (event) => event.target.select(),
    onchange: (event) => {
      const typed = Number.parseInt(event.target.value, 10);
      change(Number.isNaN(typed) ? value : bounded(typed));
    },
  });
  return element(
    "div.stepper",
    { role: "group", "aria-label": label },
    element("label", { for: id }, label),
    [...steps].reverse().map((step) => side(-step)),
    field,
    unit && element("span.unit", {}, unit),
    steps.map((step) => side(step)),
  );
}
