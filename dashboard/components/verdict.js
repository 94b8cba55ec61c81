// What the server made of a part, in words, number and shape. Read at two metres and read aloud.

import { el } from "./dom.js";

const WORDS = {
  "conforms": ["✓", "within"],
  "undecided": ["?", "undecided"],
  "does-not-conform": ["✕", "outside"],
  "": ["–", "not judged"],
};
const WORST = ["does-not-conform", "undecided", "", "conforms"];
const NAMES = {
  "bare-mass": "Bare mass", "tir-lateral": "Lateral run-out", "tir-radial": "Radial run-out",
  "form-lateral": "Lateral form", "form-radial": "Radial form", "unbalance": "Unbalance",
  "findings-per-part": "Findings",
};
const DIGITS = { g: 1, mm: 2, "g·mm": 0 };

export const mark = (verdict) => WORDS[verdict ?? ""] ?? WORDS[""];

export function number(value, unit) {
  if (value === null || value === undefined) return "–";
  const digits = DIGITS[unit] ?? 3;
  return unit === "findings" ? String(value) : Number(value).toFixed(digits);
}

// A part wears what is worst about it.
export function worst(readings) {
  return WORST.find((verdict) => readings.some((r) => r.verdict === verdict)) ?? "";
}

function limitInWords(r) {
  const n = (value) => number(value, r.unit);
  if (r.claimed !== undefined) return `claim ${n(r.claimed)} g, band ${n(r.lower)} to ${n(r.upper)} g`;
  const { lower = null, upper = null } = r;
  if (lower !== null && upper !== null) return `limits ${n(lower)} to ${n(upper)} ${r.unit}`;
  if (upper !== null) return `limit ${n(upper)} ${r.unit}`;
  if (lower !== null) return `at least ${n(lower)} ${r.unit}`;
  return r.what === "findings-per-part" ? "" : "no claim or limit covers it";
}

function sentence(r) {
  const [, word] = mark(r.verdict);
  if (r.what === "findings-per-part" && !r.verdict) return r.value ? "noted" : "clean";
  if (r.verdict !== "undecided" && !(r.verdict && r.side)) return word;
  const chance = Math.round(100 * (r.chance_beyond ?? 0));
  const side = r.side === "over" ? "above" : "below";
  if (r.verdict === "undecided") return `undecided: ${chance} % chance it lies ${side} the band`;
  if (r.verdict === "does-not-conform") return `${side} its band`;
  return word;
}

export function readingLine(r) {
  const unit = r.unit === "findings" ? "" : ` ${r.unit}`;
  const u = r.u ? ` ± ${number(2 * r.u, r.unit)}` : "";
  const shape = r.what === "findings-per-part" && !r.verdict ? (r.value ? "–" : "✓") : mark(r.verdict)[0];
  return el("li", { class: `reading is-${r.verdict || "open"}` },
    el("span", { class: "shape", "aria-hidden": "true" }, shape),
    el("span", { class: "what" }, NAMES[r.what] ?? r.what.replaceAll("-", " ")),
    el("span", { class: "value" }, `${number(r.value, r.unit)}${unit}`, el("span", { class: "aside" }, u ? `${u}${unit} (k = 2)` : "")),
    el("span", { class: "word" }, sentence(r)),
    el("span", { class: "limit" }, limitInWords(r), r.in_doubt ? " In doubt: the gauge was found off." : ""));
}

const STATUS = {
  "may-leave": "complete", "incomplete": "not complete yet", "held": "held", "in-rework": "in rework",
  "scrapped": "scrapped", "struck": "struck: it can never be released", "shipped": "shipped",
  "returned-by-customer": "returned by a customer", "returned-to-supplier": "returned to the supplier",
  "not-received": "not received",
};
const ITEMS = { "weighing": "weight", "runout-lateral": "lateral run-out", "runout-radial": "radial run-out", "inspection": "a look" };
const SHAPES = { critical: "◆", major: "▲", minor: "●" };
const lacking = (items) => items.map((item) => ITEMS[item] ?? item.replaceAll("-", " ")).join(", ");

export function makeVerdict() {
  const head = el("p", { class: "head" });
  const list = el("ul", { class: "readings" });
  const rest = el("div", { class: "rest" });
  const node = el("section", { class: "verdict", role: "status", "aria-live": "polite", "aria-atomic": "true", "aria-label": "Verdict" }, head, list, rest);

  // `stage`: older readings of a wheel's rim are no news here; `leaving`: whether it may matters most
  function show(part, stage, leaving = false) {
    const readings = part.known ? part.readings.filter((r) => !stage || r.stage === stage) : [];
    const shown = readings.filter((r) => !(r.what.startsWith("tir-") && readings.some((o) => o.what === r.what.replace("tir-", "form-") && o.upper !== undefined && r.upper === undefined)));
    const word = part.struck ? "does-not-conform" : worst(shown.filter((r) => r.what !== "findings-per-part" || r.verdict));
    node.dataset.verdict = shown.length || part.struck ? word || "open" : "none";
    node.dataset.serial = part.serial;
    const overall = part.struck ? "struck" : shown.length ? mark(word)[1] : part.known ? "nothing measured yet" : "new part";
    head.replaceChildren(
      el("span", { class: "shape", "aria-hidden": "true" }, part.struck ? "✕" : shown.length ? mark(word)[0] : "·"),
      el("span", { class: "overall" }, overall),
      el("span", { class: "of" }, part.serial, part.model ? el("span", { class: "aside" }, ` ${part.model}, batch ${part.batch}`) : ""));
    list.replaceChildren(...shown.map(readingLine));
    rest.replaceChildren(...words(part));
    if (leaving && part.known) {
      node.dataset.verdict = part.reasons.length ? "does-not-conform" : "conforms";
      head.querySelector(".shape").textContent = part.reasons.length ? "✕" : "✓";
      head.querySelector(".overall").textContent = part.reasons.length ? "may not leave" : part.status === "shipped" ? "shipped" : "may leave";
    }
  }
  function words(part) {
    if (!part.known) {
      const near = part.near?.length ? ` Known ones like it: ${part.near.join(", ")}.` : "";
      return [el("p", {}, `No record of this serial yet.${near}`)];
    }
    const lines = [el("p", {}, `Status: ${STATUS[part.status] ?? part.status}.`)];
    if (part.missing.length) lines.push(el("p", {}, `Still missing: ${lacking(part.missing)}.`));
    const other = part.reasons.filter((r) => !r.startsWith("missing:"));
    if (other.length) lines.push(el("p", { class: "stop" }, `✕ May not leave: ${other.join("; ")}.`));
    for (const flag of part.flags) lines.push(el("p", { class: `flag is-${flag.severity}` }, `${SHAPES[flag.severity] ?? "●"} ${flag.severity}: ${flag.message}`));
    return lines;
  }
  function waiting(serial, words) {
    node.dataset.verdict = "waiting";
    node.dataset.serial = serial;
    head.replaceChildren(el("span", { class: "shape", "aria-hidden": "true" }, "◌"), el("span", { class: "overall" }, words), el("span", { class: "of" }, serial));
    list.replaceChildren();
    rest.replaceChildren(el("p", {}, "Kept on this tablet. It is sent as soon as the server answers."));
  }
  function quiet(words) {
    node.dataset.verdict = "none";
    node.dataset.serial = "";
    head.replaceChildren(el("span", { class: "of" }, words));
    list.replaceChildren();
    rest.replaceChildren();
  }
  // a gauge after its check: whether it passed, and what is in doubt since the last good one
  function gauge(said) {
    node.dataset.verdict = said.passes ? "conforms" : "does-not-conform";
    node.dataset.serial = said.gauge;
    head.replaceChildren(
      el("span", { class: "shape", "aria-hidden": "true" }, said.passes ? "✓" : "✕"),
      el("span", { class: "overall" }, said.passes ? "passes" : "fails"), el("span", { class: "of" }, said.gauge));
    list.replaceChildren();
    const doubt = said.in_doubt.length ? [el("p", { class: "stop" }, `✕ In doubt until measured again or accepted with a reason: ${said.in_doubt.slice(0, 30).join(", ")}${said.in_doubt.length > 30 ? ` and ${said.in_doubt.length - 30} more` : ""}.`)] : [];
    rest.replaceChildren(el("p", {}, `Off by ${said.error} ${said.unit}, ${said.limit} ${said.unit} allowed.`), ...doubt);
  }
  return { node, show, waiting, quiet, gauge };
}
