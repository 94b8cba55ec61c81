// What the server would not take stays in view until a person has put it right or dropped it.

import { el } from "./dom.js";

function inWords(record) {
  const leave = ["record_id", "taken_at", "station", "inspector", "kind", "zones", "method"];
  const said = Object.entries(record).filter(([name]) => !leave.includes(name))
    .map(([name, value]) => `${name.replaceAll("_", " ")} ${typeof value === "object" ? JSON.stringify(value) : value}`);
  return `${record.kind}: ${said.join(", ")}`;
}

export function makeRefused(outbox, putRight) {
  const list = el("ul", {});
  const node = el("section", { class: "refused", role: "alert", hidden: true, "aria-label": "Not kept" },
    el("h3", {}, "✕ Not kept: the server refused this"), list);
  function show() {
    const all = outbox().refused().filter(([, entry]) => entry);
    node.hidden = !all.length;
    list.replaceChildren(...all.map(([name, entry]) => el("li", {},
      ...entry.refusals.map((r) => el("p", {}, el("strong", {}, inWords(r.record)), ` ${r.field ?? ""} ${r.reason}`)),
      el("button", { type: "button", class: "plain", onclick: () => { putRight(entry); outbox().forget(name); } }, "Put it right"),
      el("button", { type: "button", class: "plain", onclick: () => outbox().forget(name) }, "Drop it"))));
  }
  return { node, show };
}
