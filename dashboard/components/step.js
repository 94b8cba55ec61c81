// One step of a form on the screen: its inputs, its buttons, and what was entered in it.

import { el } from "./dom.js";
import { makeFitted, setInWords } from "./fitted.js";
import { makeInput } from "./inputs.js";
import { liveScale } from "./live.js";
import { makeLook } from "./look.js";
import { makeTurn } from "./turn.js";

// `on` says what follows: `field` when the hand is through with an input, `commit`, `skip`, `leave`
// (Escape) and `open` (its title was pressed).
export function makeStep(step, { form, settings, base, kept, sendPhoto, on }) {
  const inputs = step.fields.map((field, i) => {
    const done = () => on.field(made, i);
    if (field.type === "look") return makeLook(field, done, sendPhoto);
    if (field.type === "fitted") return makeFitted(field, done, settings.fitted, form.name);
    const input = makeInput(field, done);
    return field.type === "turn" ? makeTurn(base, input, () => gaugeOf(field)) : input;
  });
  const gaugeOf = (field) => settings.gauges.find((gauge) => gauge.code === kept.value(field.live));
  const order = inputs.filter((input) => !input.outsideOrder && !input.field.aside);
  const fitted = inputs.find((input) => input.cycle);
  const said = el("span", { class: "said", "aria-hidden": "true" });
  const live = step.fields.find((field) => field.live && field.type !== "turn");
  const scale = live ? liveScale(base, inputs[0], () => gaugeOf(live)) : null;
  const turn = inputs.find((input) => input.turn)?.turn;
  const save = el("button", { type: "button", class: "main", onclick: () => on.commit(made) }, "Enter");
  const skip = step.optional ? el("button", { type: "button", class: "plain", onclick: () => on.skip(made) }, "Skip") : null;
  // only the step in hand is unfolded, so that a part and its verdict fit one screen
  const title = el("button", { type: "button", class: "title", onclick: () => on.open(made) }, step.title, said);
  const asides = inputs.filter((input) => input.field.aside).map((input) => input.node);
  const node = el("section", { class: "step", "aria-label": step.title, "data-step": step.key }, title,
    el("div", { class: "inner" }, inputs.filter((input) => !input.field.aside).map((input) => input.node), scale?.node, turn?.node,
      el("div", { class: "line end" }, order.some((input) => input.field.type !== "look") ? save : null, skip),
      asides.length ? el("details", { class: "more" }, el("summary", {}, "more"), asides) : null));
  node.addEventListener("keydown", (event) => {
    if (event.key === "Escape") on.leave(made);
    else if (event.key === "*" && fitted) fitted.cycle();
    else return;
    event.preventDefault();
  });
  const made = {
    ...step, inputs, order, fitted, scale, node,
    stop() {
      scale?.stop();
      turn?.stop();
    },
    typed: () => Object.fromEntries(inputs.map((input) => [input.field.name, input.text()])),
    set(given) {
      for (const input of inputs) if (given && input.field.name in given) input.set(given[input.field.name]);
    },
    wipe() {
      inputs.forEach((input) => input.clear());
      said.textContent = "";
      node.classList.remove("is-sent");
    },
    sent(values) {
      said.textContent = ` · ${sentence(values)}`;
      node.classList.add("is-sent");
    },
  };
  return made;
}

function sentence(values) {
  const words = Object.entries(values).filter(([, v]) => v !== null).map(([name, v]) => {
    if (name === "fitted") return Object.keys(v).length ? setInWords(v) : null;
    if (name === "result") return v.result === "clean" ? "clean" : `${v.findings.length} findings`;
    if (name === "turn") return v.tir_mm ?? "a turn";
    return v;
  });
  return words.filter(Boolean).join(", ");
}
