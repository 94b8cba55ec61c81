// What a gauge shows just now, while its field has the focus. Enter on the scale's empty field takes
// it once it stands still.

import { el } from "./dom.js";

const EVERY_MS = 300;

// Asks for the gauge's reading while `input` has the focus; `show` is told each answer, null where
// the gauge says nothing. `gauge` gives the one chosen now.
export function watchGauge(base, input, gauge, show) {
  let timer = null;
  let asking = false;
  async function ask() {
    const answer = await fetch(`${base}/reading?${new URLSearchParams({ gauge: gauge().code })}`, { credentials: "same-origin" }).catch(() => null);
    const said = answer?.status === 200 ? await answer.json().catch(() => null) : null;
    return said?.value === undefined || said?.value === null ? null : said;
  }
  async function tick() {
    if (asking || !gauge()?.live) return;
    asking = true;
    const reading = await ask();
    asking = false;
    if (timer) show(reading);
  }
  function stop() {
    clearInterval(timer);
    timer = null;
  }
  input.input.addEventListener("focus", () => {
    if (!timer && gauge()?.live) timer = setInterval(tick, EVERY_MS);
  });
  input.input.addEventListener("blur", stop);
  return { ask, stop };
}

export const inWords = (reading, code) => (reading
  ? `${reading.stable === false ? "◌" : "✓"} ${reading.value} ${reading.unit} ${reading.stable === false ? "moving" : "still"}`
  : `◌ ${code} says nothing`);

export function liveScale(base, input, gauge) {
  const node = el("p", { class: "live", hidden: true });
  let reading = null;
  const watch = watchGauge(base, input, gauge, (said) => {
    reading = said;
    node.hidden = false;
    node.textContent = inWords(said, gauge().code) + (said && said.stable !== false ? ": Enter takes it" : "");
  });
  function stop() {
    watch.stop();
    reading = null;
    node.hidden = true;
  }
  input.input.addEventListener("blur", stop);
  return {
    node, stop,
    // puts the reading into the field; false where there is none to take
    take() {
      if (!reading || reading.stable === false) return false;
      input.set(String(reading.value));
      return true;
    },
  };
}
