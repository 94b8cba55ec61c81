// Part by part, or a whole batch in passes: which steps are asked for.

import { el, memory } from "./dom.js";

export function makeWays(form, changed) {
  const all = form.steps.map((step) => step.key);
  if (!form.ways) return { node: null, steps: () => all, now: () => "part", set: () => {} };
  const store = `kept.${form.name}.way`;
  let way = form.ways.find((one) => one.key === memory.get(store)) ?? form.ways[0];
  const buttons = form.ways.map((one) => el("button", {
    type: "button", class: "way", "aria-pressed": "false", onclick: () => set(one.key),
  }, one.label));
  const node = el("div", { class: "ways", role: "group", "aria-label": "How to work" }, buttons);
  const show = () => buttons.forEach((b, i) => b.setAttribute("aria-pressed", String(form.ways[i] === way)));
  function set(key) {
    way = form.ways.find((one) => one.key === key) ?? way;
    memory.set(store, way.key);
    show();
    changed();
  }
  show();
  return { node, set, steps: () => way.steps, now: () => way.key };
}
