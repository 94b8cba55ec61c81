// A short way to make elements; text is always set as text, never as HTML.

export function el(tag, given = {}, ...inside) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name === "class") made.className = value;
    else if (name in made && !name.startsWith("aria")) made[name] = value;
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...inside.flat().filter((part) => part !== null && part !== undefined));
  return made;
}

const NS = "http://www.w3.org/2000/svg";

export function svg(tag, given = {}, ...inside) {
  const made = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(given)) made.setAttribute(name, value);
  made.append(...inside);
  return made;
}

// What a browser remembers for this tablet; one that keeps nothing must not stop the work.
export const memory = {
  get(name, otherwise = null) {
    try {
      const text = localStorage.getItem(`rimqc.${name}`);
      return text === null ? otherwise : JSON.parse(text);
    } catch {
      return otherwise;
    }
  },
  set(name, value) {
    try {
      localStorage.setItem(`rimqc.${name}`, JSON.stringify(value));
      return true;
    } catch {
      return false;
    }
  },
  drop(name) {
    try {
      localStorage.removeItem(`rimqc.${name}`);
    } catch { /* nothing was kept */ }
  },
  names(start) {
    try {
      return Object.keys(localStorage)
        .filter((name) => name.startsWith(`rimqc.${start}`))
        .map((name) => name.slice("rimqc.".length));
    } catch {
      return [];
    }
  },
};
