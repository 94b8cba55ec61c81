// What stays the same from record to record, remembered on this tablet: batch, stage, gauges.

import { el, memory } from "./dom.js";
import { makeInput } from "./inputs.js";

const EVERYWHERE = ["station"]; // shared by all forms of a tablet
const STATES = { due: "✕ calibration ran out", off: "✕ found off", undated: "no due date", good: "" };

function gaugeLabel(gauge) {
  const state = STATES[gauge.state];
  const due = gauge.due && gauge.state === "good" ? `due ${gauge.due}` : "";
  return [gauge.code, state, gauge.state === "due" ? `on ${gauge.due}` : due].filter(Boolean).join(" · ");
}

// A field whose choices the catalog gives.
function filled(field, settings) {
  const listed = (rows, words) => ({
    ...field, type: "choice", list: true,
    options: rows.map((row) => ({ value: row.code, label: words(row) })),
    start: rows.length === 1 ? rows[0].code : undefined,
  });
  switch (field.type) {
    case "batch":
      return listed(settings.batches, (b) => `${b.code} · ${b.model} · made ${b.made_on}${b.received === null ? "" : ` · ${b.received} of ${b.quantity} in`}`);
    case "gauge":
      return listed(settings.gauges.filter((g) => !field.measures || g.measures === field.measures), gaugeLabel);
    case "protocol":
      return listed(settings.protocols, (p) => `${p.code} · ${p.required_multiple} × ${p.standard_energy_j} J`);
    case "characteristic":
      return listed(settings.characteristics, (c) => `${c.name} (${c.unit})`);
    case "place":
      return settings.stations.length
        ? listed(settings.stations, (s) => `${s.code} · ${s.name}`) : { ...field, type: "code" };
    default:
      return field;
  }
}

export function makeKept(form, settings, who, changed) {
  const station = { name: "station", label: "Station", type: "place", required: true };
  const fields = [...(who.station ? [] : [station]), ...form.kept].map((field) => filled(field, settings));
  const store = (name) => (EVERYWHERE.includes(name) ? `kept.${name}` : `kept.${form.name}.${name}`);
  const inputs = fields.map((field) => {
    const input = makeInput(field, () => keep(input, true));
    const before = memory.get(store(field.name));
    if (before !== null) input.set(before);
    input.node.addEventListener("change", () => keep(input));
    return input;
  });
  const summary = el("summary", {});
  const node = el("details", { class: "kept" }, summary, el("div", { class: "grid" }, inputs.map((input) => input.node)));

  function keep(input, onwards = false) {
    try {
      memory.set(store(input.field.name), input.read());
    } catch (fault) {
      return input.complain(fault.message);
    }
    input.complain();
    show();
    changed(input.field.name);
    if (!onwards) return;
    const lacking = firstLacking();
    if (lacking) lacking.focus();
    else node.open = false, changed(null);
  }
  function value(name) {
    if (name === "station" && who.station) return who.station;
    const input = inputs.find((one) => one.field.name === name);
    try {
      return input ? input.read() : null;
    } catch {
      return null;
    }
  }
  const firstLacking = () => inputs.find((input) => input.field.required && value(input.field.name) === null);
  function show() {
    const words = inputs.map((input) => [input.field, value(input.field.name)]).filter(([, v]) => v !== null);
    const me = el("span", { class: "chip" }, el("span", { class: "aside" }, "Entered by "), who.name);
    summary.replaceChildren(el("span", { class: "said" }, me, ...words.map(([field, v]) => el("span", { class: "chip" },
      el("span", { class: "aside" }, `${field.label} `), shown(field, v)))), el("span", { class: "change" }, "change"));
  }
  const shown = (field, v) => {
    if (Array.isArray(v)) return v.length === field.options.length ? "all" : `${v.length} of ${field.options.length}`;
    const option = field.options?.find((o) => o.value === v);
    return (field.list ? v : option?.label ?? v) + (field.unit ? ` ${field.unit}` : "");
  };
  // a gauge that ought not to be used, in words; measuring goes on, the flag comes by itself
  function warnings() {
    return form.kept.filter((f) => f.type === "gauge").flatMap((f) => {
      const gauge = settings.gauges.find((g) => g.code === value(f.name));
      if (gauge?.state === "due") return [`${f.label} ${gauge.code}: its calibration ran out on ${gauge.due}. Calibrate it before you go on.`];
      if (gauge?.state === "off") return [`${f.label} ${gauge.code} was found off. What it measures is in doubt.`];
      return [];
    });
  }
  show();
  node.open = Boolean(firstLacking());
  return {
    node, value, warnings,
    set: (name, v) => { inputs.find((one) => one.field.name === name)?.set(v); memory.set(store(name), v); show(); },
    // false, and the field in focus, where something is still to be chosen
    complete() {
      const lacking = firstLacking();
      if (!lacking) return true;
      node.open = true;
      lacking.complain("choose this first");
      lacking.focus();
      return false;
    },
  };
}
