// The scale's own reading, while its field has the focus. Enter on the empty field takes it once it
// stands still.

import { el } from "./dom.js";

const EVERY_MS = 300;

export function liveScale(base, input, gauge) {
  const node = el("p", { class: "live", hidden: true });
  let timer = null;
  let reading = null;
  let asking = false;

  async function ask() {
    const chosen = gauge();
    if (asking || !chosen?.live) return;
    asking = true;
    try {
      const answer = await fetch(`${base}/reading?${new URLSearchParams({ gauge: chosen.code })}`, { credentials: "same-origin" });
      reading = answer.status === 200 ? await answer.json() : null;
      if (reading?.value === undefined || reading?.value === null) reading = null;
    } catch {
      reading = null;
    }
    asking = false;
    show(chosen);
  }
  function show(chosen) {
    node.hidden = false;
    if (!reading) node.textContent = `◌ ${chosen.code} says nothing`;
    else node.textContent = reading.stable === false
      ? `◌ ${reading.value} ${reading.unit} moving` : `✓ ${reading.value} ${reading.unit} still: Enter takes it`;
  }
  function stop() {
    clearInterval(timer);
    timer = null;
    reading = null;
    node.hidden = true;
  }
  input.input.addEventListener("focus", () => { if (!timer && gauge()?.live) timer = setInterval(ask, EVERY_MS); });
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
