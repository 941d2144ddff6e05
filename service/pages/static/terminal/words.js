/** Texts in the language of the page, and numbers as that language writes them. */

const { texts, terms: listed } = JSON.parse(document.getElementById("words").textContent);
const terms = Object.fromEntries(Object.entries(listed).map(([kind, pairs]) => [kind, new Map(pairs)]));
const numbers = new Intl.NumberFormat(document.documentElement.lang);

/** A text of the page, with %(name)s filled in. */
export function say(name, values = {}) {
  if (!(name in texts)) {
    throw new Error(`there is no text ${name}`);
  }
  return texts[name].replace(/%\((\w+)\)s/g, (_, key) => {
    const value = values[key];
    return typeof value === "number" ? numbers.format(value) : String(value);
  });
}

/** A word of the ledger as people read it. */
export function term(kind, word) {
  return terms[kind].get(word) ?? word;
}

/** All words of a kind, in the order of the ledger. */
export function words(kind) {
  return [...terms[kind].keys()];
}

/** A number as it is written. */
export function number(value) {
  return numbers.format(value);
}
