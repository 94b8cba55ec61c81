// What is on a part beyond the part itself. One key goes through the sets used lately; each count
// can also be changed by itself.

import { el, memory } from "./dom.js";

const MOST_SETS = 5;
const same = (a, b) => JSON.stringify(Object.entries(a).sort()) === JSON.stringify(Object.entries(b).sort());
const copy = (set) => Object.fromEntries(Object.entries(set).filter(([, n]) => n > 0));

export function setInWords(set) {
  const words = Object.entries(set).map(([code, n]) => `${n} × ${code}`);
  return words.length ? words.join(", ") : "nothing (bare)";
}

export function makeFitted(field, done, parts, store) {
  let sets = memory.get(`${store}.fitted`, null) ?? [{}, ...parts.slice(0, 1).map((p) => ({ [p.code]: 1 }))];
  const known = new Set(parts.map((p) => p.code));
  sets = sets.map((set) => Object.fromEntries(Object.entries(set).filter(([code]) => known.has(code))));
  let now = { ...sets[0] };
  const words = el("strong", { "aria-live": "polite" });
  const counts = {};
  const chips = parts.map((part) => {
    const count = el("output", {}, "0");
    counts[part.code] = count;
    const change = (by) => {
      now[part.code] = Math.max(0, Math.min(99, (now[part.code] ?? 0) + by));
      now = copy(now);
      show();
    };
    return el("div", { class: "chip", role: "group", "aria-label": part.code },
      el("button", { type: "button", "aria-label": `one ${part.code} less`, onclick: () => change(-1) }, "−"),
      el("span", {}, `${part.code} `, count),
      el("button", { type: "button", "aria-label": `one ${part.code} more`, onclick: () => change(1) }, "+"));
  });
  const cycleButton = el("button", { type: "button", class: "plain", onclick: () => cycle() },
    el("kbd", {}, "*"), " next set");
  const more = el("details", { class: "more" }, el("summary", {}, "change the counts"), el("div", { class: "chips" }, chips));
  const node = el("div", { class: "field fitted", "data-field": field.name },
    el("div", { class: "line" }, el("span", {}, `${field.label}: `), words, parts.length ? cycleButton : null),
    parts.length ? more : null);

  function show() {
    words.textContent = setInWords(now);
    for (const [code, count] of Object.entries(counts)) count.textContent = now[code] ?? 0;
  }
  function cycle() {
    const at = sets.findIndex((set) => same(set, now));
    now = { ...sets[(at + 1) % sets.length] };
    show();
  }
  // what was used last stands first the next time this screen is opened
  function remember() {
    sets = [copy(now), ...sets.filter((set) => !same(set, now))];
    const bare = sets.find((set) => same(set, {}));
    sets = sets.slice(0, MOST_SETS);
    if (bare && !sets.some((set) => same(set, {}))) sets[MOST_SETS - 1] = bare;
    memory.set(`${store}.fitted`, sets);
  }
  show();
  return {
    node, field, cycle, remember, outsideOrder: true,
    read: () => copy(now),
    text: () => now,
    set: (value) => { now = copy(value ?? {}); show(); },
    clear: () => {}, // it stays from part to part
    complain: () => {},
    focus: () => cycleButton.focus(),
    grams: () => Object.entries(now).reduce((sum, [code, n]) => sum + n * (parts.find((p) => p.code === code)?.mass_g ?? 0), 0),
  };
}
