// The inputs of a form. Each has a node, `read()` (a value, null where empty; throws a sentence
// where it is wrong), `set`, `clear`, `focus`, and calls `done()` when the hand is through with it.

import { el } from "./dom.js";

const CODE = /^[A-Za-z0-9._/-]{1,64}$/;
const NUMBER = /^[+-]?(\d+\.?\d*|\.\d+)$/;

export class Wrong extends Error {}

// A comma is a decimal comma: nobody types thousands with one on a scale's keypad.
export function readNumber(text) {
  const plain = text.trim().replace(",", ".");
  if (!NUMBER.test(plain)) throw new Wrong(`“${text.trim()}” is no number`);
  return plain;
}

const READERS = {
  code(text) {
    if (!CODE.test(text)) throw new Wrong("letters, digits and - _ . / only, no spaces inside");
    return text;
  },
  number(text, field) {
    const plain = readNumber(text);
    const value = Number(plain);
    if (field.above !== undefined && value <= field.above) throw new Wrong(`more than ${field.above} is wanted`);
    if (field.least !== undefined && value < field.least) throw new Wrong(`${field.least} or more is wanted`);
    return plain;
  },
  count(text) {
    if (!/^[1-9]\d{0,8}$/.test(text)) throw new Wrong("a whole number of 1 or more is wanted");
    return text;
  },
  text: (text, field) => {
    if (text.length > (field.most ?? 200)) throw new Wrong(`at most ${field.most ?? 200} characters`);
    return text;
  },
  date(text) {
    if (!/^\d{4}-\d\d-\d\d$/.test(text)) throw new Wrong("a date is wanted, such as 2026-03-31");
    return text;
  },
  // one total indicator reading, or a whole turn: eight or more readings
  turn(text) {
    const words = text.trim().split(/[\s;]+/).filter(Boolean);
    const values = words.map(readNumber);
    if (values.length === 1) {
      if (Number(values[0]) < 0) throw new Wrong("a run-out is 0 or more");
      return { tir_mm: values[0] };
    }
    if (values.length < 8) throw new Wrong(`one reading or a turn of at least 8, not ${values.length}`);
    return { readings_mm: values };
  },
};

export function makeInput(field, done) {
  if (field.type === "choice") return field.list || field.options.length > 9 ? makeList(field, done) : makeKeys(field, done);
  if (field.type === "several") return makeSeveral(field, done);
  return makeLine(field, done);
}

function framed(field, input, ...more) {
  const error = el("p", { class: "wrong", id: `${input.id}-wrong`, role: "alert" });
  input.setAttribute("aria-describedby", error.id);
  const unit = field.unit ? el("span", { class: "unit", "aria-hidden": "true" }, field.unit) : null;
  const label = el("label", { htmlFor: input.id }, field.label, field.unit ? el("span", { class: "aside" }, ` (${field.unit})`) : null);
  const node = el("div", { class: `field ${field.type} ${field.size ?? ""}` }, label, el("div", { class: "line" }, input, unit, ...more), error);
  return { node, complain: (words) => {
    error.textContent = words ?? "";
    input.toggleAttribute("aria-invalid", Boolean(words));
  } };
}

let made = 0;

function makeLine(field, done) {
  const numeric = ["number", "count", "turn"].includes(field.type);
  const input = el("input", {
    id: `in${made++}`, type: field.type === "date" ? "date" : "text", autocomplete: "off",
    inputMode: numeric ? "decimal" : "text", enterKeyHint: "next", spellcheck: false,
    placeholder: field.hint ?? "", "data-field": field.name,
  });
  for (const name of ["autocapitalize", "autocorrect"]) input.setAttribute(name, "off");
  const { node, complain } = framed(field, input);
  const read = () => {
    const text = input.value.trim();
    if (!text) {
      if (field.required) throw new Wrong("this is needed");
      return null;
    }
    return READERS[field.type](text, field);
  };
  input.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.isComposing) return;
    event.preventDefault();
    if (!event.repeat) done();
  });
  input.addEventListener("input", () => complain());
  // an input of one line would swallow the line breaks between pasted readings
  if (field.type === "turn") input.addEventListener("paste", (event) => {
    const text = event.clipboardData?.getData("text") ?? "";
    if (!/[\r\n\t]/.test(text)) return;
    event.preventDefault();
    input.value = text.trim().replace(/\s+/g, " ");
    complain();
  });
  return {
    node, read, complain, input, field,
    text: () => input.value,
    set: (value) => { input.value = value ?? ""; complain(); },
    clear: () => { input.value = field.start ?? ""; complain(); },
    focus: () => { input.focus(); input.select(); },
  };
}

// A handful of choices, each with its key: large buttons that act as one group.
function makeKeys(field, done) {
  let chosen = null;
  const buttons = field.options.map((option) => el("button", {
    type: "button", role: "radio", class: "key", value: option.value, tabIndex: -1,
    "aria-checked": "false", "aria-keyshortcuts": option.key,
    onclick: () => { choose(option.value); done(); },
  }, el("kbd", { "aria-hidden": "true" }, option.key.toUpperCase()), option.label));
  const error = el("p", { class: "wrong", role: "alert" });
  const group = el("div", { role: "radiogroup", "aria-label": field.label, class: "keys", "data-field": field.name }, buttons);
  const node = el("div", { class: `field choice ${field.size ?? ""}` }, el("span", { class: "label" }, field.label), group, error);
  const complain = (words) => { error.textContent = words ?? ""; };
  const at = () => Math.max(0, buttons.findIndex((b) => b.value === chosen));
  function choose(value) {
    chosen = value ?? null;
    buttons.forEach((b) => b.setAttribute("aria-checked", String(b.value === chosen)));
    buttons.forEach((b, i) => { b.tabIndex = i === at() ? 0 : -1; });
    complain();
  }
  group.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    const hit = field.options.find((option) => option.key === event.key.toLowerCase());
    if (step) {
      const here = buttons.indexOf(event.target);
      buttons[(here + step + buttons.length) % buttons.length].focus();
    } else if (hit && !event.repeat) {
      choose(hit.value);
      done();
    } else return;
    event.preventDefault();
  });
  choose(field.start ?? null);
  return {
    node, complain, field, input: group,
    read: () => {
      if (chosen === null && field.required) throw new Wrong("press one of the keys");
      return chosen;
    },
    text: () => chosen ?? "",
    set: choose,
    clear: () => choose(field.start ?? null),
    focus: () => buttons[at()].focus(),
  };
}

function makeList(field, done) {
  const options = field.options.map((o) => el("option", { value: o.value }, o.label));
  const select = el("select", { id: `in${made++}`, "data-field": field.name }, el("option", { value: "" }, "choose …"), options);
  const { node, complain } = framed(field, select);
  select.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !select.value) return;
    event.preventDefault();
    done();
  });
  select.addEventListener("change", () => complain());
  const set = (value) => { select.value = value ?? ""; complain(); };
  set(field.start);
  return {
    node, complain, field, input: select, set,
    read: () => {
      if (!select.value && field.required) throw new Wrong("choose one");
      return select.value || null;
    },
    text: () => select.value,
    clear: () => set(field.start),
    focus: () => select.focus(),
  };
}

function makeSeveral(field, done) {
  const boxes = field.options.map((option) => {
    const box = el("input", { type: "checkbox", id: `in${made++}`, value: option.value });
    return [box, el("label", { htmlFor: box.id, class: "tick" }, box, option.label)];
  });
  const error = el("p", { class: "wrong", role: "alert" });
  const group = el("div", { role: "group", "aria-label": field.label, class: "ticks", "data-field": field.name }, boxes.map(([, label]) => label));
  const node = el("div", { class: "field several" }, el("span", { class: "label" }, field.label), group, error);
  group.addEventListener("keydown", (event) => {
    if (event.key === "Enter") { event.preventDefault(); done(); }
  });
  const set = (values) => boxes.forEach(([box]) => { box.checked = (values ?? []).includes(box.value); });
  const picked = () => boxes.filter(([box]) => box.checked).map(([box]) => box.value);
  set(field.start);
  return {
    node, field, set, input: group,
    complain: (words) => { error.textContent = words ?? ""; },
    read: () => {
      if (!picked().length) throw new Wrong("tick at least one");
      return picked();
    },
    text: picked,
    clear: () => set(field.start),
    focus: () => boxes[0][0].focus(),
  };
}
