// One turn of a rim, reading by reading from the indicator: the space bar (or a foot pedal that
// presses it) takes what the indicator shows, or each reading is taken as it comes to rest. The
// readings stand in the field as text, so that they can be mended and survive a reload.

import { el } from "./dom.js";
import { readNumber, Wrong } from "./inputs.js";
import { inWords, watchGauge } from "./live.js";

const LEAST = 8; // readings of a turn
const PATIENCE_MS = 3000;
const AGAIN_MS = 60;

// TIR: largest less smallest. Form: the same of what is left when the mean and the once-per-turn
// part are taken out; with equal steps least squares are plain sums.
export function tirAndForm(values) {
  const n = values.length;
  const angle = (i) => (2 * Math.PI * i) / n;
  const mean = values.reduce((sum, y) => sum + y, 0) / n;
  const a = (2 / n) * values.reduce((sum, y, i) => sum + y * Math.cos(angle(i)), 0);
  const b = (2 / n) * values.reduce((sum, y, i) => sum + y * Math.sin(angle(i)), 0);
  const left = values.map((y, i) => y - mean - a * Math.cos(angle(i)) - b * Math.sin(angle(i)));
  const span = (of) => Math.max(...of) - Math.min(...of);
  return { tir: span(values), form: span(left) };
}

const words = (text) => text.trim().split(/[\s;]+/).filter(Boolean);

// `input` is the turn's field; its `read` refuses a turn that was begun and not brought round.
export function makeTurn(base, input, gauge) {
  const shown = el("p", { class: "live" });
  const count = el("p", { class: "turn", role: "status" });
  const hold = (event) => event.preventDefault(); // the field keeps the focus, and is listened to
  const button = (text, act, more) => el("button", { type: "button", class: "plain", onmousedown: hold, onclick: act, ...more }, text);
  const byItself = button("Take each at rest", () => { setByItself(!automatic); }, { "aria-pressed": "false" });
  const buttons = el("div", { class: "line" }, button("Take (space)", take), byItself, button("One back", back));
  const told = el("p", { class: "aside" }, `One turn from the valve hole, ${LEAST} readings or more, equally spaced; the start is not read twice.`);
  const device = el("div", { hidden: true }, shown, buttons, told);
  const node = el("div", {}, count, device);
  let begun = false; // by the indicator: a single one of its readings is no TIR
  let automatic = false;
  let rests = null;
  let taking = false;

  const watch = watchGauge(base, input, gauge, (reading) => {
    device.hidden = false;
    shown.textContent = inWords(reading, gauge().code);
    if (!reading) return;
    const come = rests === null ? 0 : reading.rests - rests;
    rests = reading.rests;
    if (!automatic || !come) return;
    if (come > 1 || come < 0) return stopped("The indicator came to rest more than once between two looks: take this turn again, more slowly.");
    add(reading);
  });

  function add(reading) {
    begun = true;
    input.set(`${input.text().trim()} ${reading.value}`.trim());
    input.input.dispatchEvent(new Event("input", { bubbles: true, composed: true }));
  }
  // what the indicator shows after the key, not what it showed before the rim was turned
  async function take() {
    if (taking) return;
    taking = true;
    const pressed = performance.now();
    let why = "The indicator says nothing: nothing was taken.";
    while (performance.now() - pressed < PATIENCE_MS) {
      const reading = await watch.ask();
      const age = reading ? 1000 * reading.age_s : Infinity;
      if (reading?.stable === false) why = "The indicator is still moving: nothing was taken.";
      else if (performance.now() - pressed >= age) {
        taking = false;
        rests = reading.rests;
        return add(reading);
      }
      await new Promise((go) => { setTimeout(go, AGAIN_MS); });
    }
    taking = false;
    input.complain(why);
  }
  function back() {
    input.set(words(input.text()).slice(0, -1).join(" "));
    input.input.dispatchEvent(new Event("input", { bubbles: true, composed: true }));
  }
  function setByItself(now) {
    automatic = now;
    byItself.setAttribute("aria-pressed", String(now));
  }
  function stopped(why) {
    setByItself(false);
    input.complain(why);
  }
  function summary() {
    const text = words(input.text());
    if (!text.length) begun = false;
    let values = [];
    try {
      values = text.map((word) => Number(readNumber(word)));
    } catch { /* the field says it on Enter */ }
    if (values.length >= LEAST) {
      const { tir, form } = tirAndForm(values);
      count.textContent = `${values.length} readings: TIR ${tir.toFixed(3)} mm, form ${form.toFixed(3)} mm. Enter keeps the turn.`;
    } else count.textContent = begun ? `${values.length} taken, ${LEAST - values.length} more at least` : "";
  }
  input.input.addEventListener("input", summary);
  input.input.addEventListener("keydown", (event) => {
    if (event.key !== " " || device.hidden) return;
    event.preventDefault();
    if (!event.repeat) take();
  });
  input.input.addEventListener("blur", () => { watch.stop(); device.hidden = true; rests = null; });
  const { read, set, clear } = input;
  return Object.assign(input, {
    turn: { node, stop: watch.stop },
    read() {
      if (begun && words(input.text()).length < LEAST) throw new Wrong(`${words(input.text()).length} taken: a turn wants ${LEAST} or more`);
      return read();
    },
    set: (value) => { set(value); summary(); },
    clear: () => { begun = false; clear(); summary(); },
  });
}
