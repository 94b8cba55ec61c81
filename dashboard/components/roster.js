// Who of a batch is left in this pass.

import { el } from "./dom.js";

export function makeRoster(base) {
  const count = el("p", { class: "count", "aria-live": "polite" });
  const list = el("ul", { class: "serials" });
  const node = el("section", { class: "roster", "aria-label": "Who is left", hidden: true }, count, list);
  let parts = [];
  let pass = null;
  let batch = null;
  let quantity = 0;
  let mass = null;

  async function load(code, stage, named, planned) {
    [batch, pass, quantity] = [code, named, planned];
    node.hidden = !code || named === "part";
    if (!code) return;
    try {
      const answer = await fetch(`${base}/batch?${new URLSearchParams({ batch: code, stage })}`, { credentials: "same-origin" });
      if (!answer.ok || batch !== code) return;
      const said = await answer.json();
      parts = said.parts;
      mass = said.mass;
    } catch {
      count.textContent = "The list cannot be read now; entering goes on.";
      return;
    }
    show();
  }
  function show() {
    const left = parts.filter((part) => part.waits_for.includes(pass));
    const unseen = pass === "weigh" ? Math.max(0, quantity - parts.length) : 0;
    const more = unseen ? ` ${unseen} of the batch's ${quantity} not received yet.` : "";
    count.textContent = left.length || unseen
      ? `${left.length} received and left in this pass.${more}` : "All done in this pass.";
    list.replaceChildren(...left.slice(0, 60).map((part) => el("li", {}, part.serial)));
    if (left.length > 60) list.append(el("li", { class: "aside" }, `and ${left.length - 60} more`));
  }
  function done(serial, step) {
    const passes = { weigh: "weigh", lateral: "lateral", radial: "radial", look: "look" };
    let part = parts.find((one) => one.serial === serial);
    if (!part) parts.push(part = { serial, waits_for: ["weigh", "spin", "look"] });
    part.seen = { ...part.seen, [passes[step]]: true };
    const spun = part.seen.lateral && part.seen.radial ? "spin" : null;
    part.waits_for = part.waits_for.filter((name) => name !== step && name !== spun);
    show();
  }
  return { node, load, done, mass: () => mass, learn: (now) => { mass = now; } };
}
