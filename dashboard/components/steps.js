// From what was typed to records, and the question that is asked once about an unlikely value.

import { uuid, moment } from "./ids.js";

const SPREADS = 5; // a weight this many batch standard deviations off is asked about
const LEAST_WEIGHED = 5; // below that a batch has no spread to speak of
const LEAST_SPREAD = 0.001; // of the mean: scales and habits scatter by as much
const SHARE_OF_CLAIM = 0.15; // without a batch to compare with
const LARGE_RUNOUT_MM = 5; // hundredths typed as millimetres

export function recordsOf(step, values, { serial, about, kept, who, receipt, more = {} }) {
  const head = () => ({
    record_id: uuid(), taken_at: moment(), station: kept.value("station"),
    inspector: who.code,
  });
  const records = [];
  if (receipt) records.push({ kind: "receipt", ...head(), serial, ...receipt });
  const record = { kind: step.kind, ...head(), [about]: serial, ...(step.fixed ?? {}) };
  for (const [field, from] of Object.entries(step.uses ?? {})) {
    const value = kept.value(from);
    if (value !== null) record[field] = value;
  }
  Object.assign(record, more);
  const findings = [];
  for (const [name, value] of Object.entries(values)) {
    if (value === null || value === undefined) continue;
    if (name === "turn") Object.assign(record, value);
    else if (name === "result") {
      record.result = value.result;
      findings.push(...value.findings);
    } else record[name] = value;
  }
  records.push(record);
  for (const finding of findings) records.push({ kind: "finding", ...head(), serial, ...finding });
  return records;
}

// A sentence where a value cannot be: it is not kept at all.
export function impossible(step, values, { kept, settings, part }) {
  if (step.kind === "shipment") return cannotLeave(part);
  if (step.kind !== "weighing") return null;
  const band = settings.weights[kept.value("stage")];
  const gross = Number(values.gross_g);
  if (!band || (gross >= band.least_g && gross <= band.most_g)) return null;
  return `${values.gross_g} g cannot be such a part (${band.least_g} to ${band.most_g} g). If you scanned the next serial, press Escape until the serial field, then scan it again.`;
}

// Without an answer about the part it is for the server to say.
function cannotLeave(part) {
  if (!part) return null;
  const reasons = part.known ? [...part.reasons, ...(part.status === "shipped" ? ["shipped already"] : [])] : ["not received"];
  return reasons.length ? `${part.serial} may not leave: ${reasons.join("; ")}.` : null;
}

// A sentence where a value is unlikely: a second Enter keeps it.
export function doubtful(step, values, { kept, settings, part, grams, batchMass }) {
  if (step.kind === "weighing") return doubtfulWeight(values, kept, settings, part, grams, batchMass);
  if (step.kind === "runout") {
    const readings = values.turn?.readings_mm?.map(Number);
    const tir = readings ? Math.max(...readings) - Math.min(...readings) : Number(values.turn?.tir_mm);
    if (tir > LARGE_RUNOUT_MM) return `${tir.toFixed(2)} mm of run-out is a great deal.`;
  }
  return null;
}

function doubtfulWeight(values, kept, settings, part, grams, batchMass) {
  const bare = Number(values.gross_g) - grams;
  const mass = part?.known && part.model ? part.batch_mass : batchMass;
  if (mass && mass.n >= LEAST_WEIGHED && mass.sd_g !== null) {
    const spread = Math.max(mass.sd_g, LEAST_SPREAD * mass.mean_g);
    const off = (bare - mass.mean_g) / spread;
    if (Math.abs(off) <= SPREADS) return null;
    const side = off > 0 ? "heavier" : "lighter";
    return `${bare.toFixed(1)} g bare is ${Math.abs(bare - mass.mean_g).toFixed(1)} g ${side} than its batch (${mass.mean_g.toFixed(1)} g, spread ${mass.sd_g.toFixed(1)} g).`;
  }
  const model = part?.model ?? settings.batches.find((b) => b.code === kept.value("batch"))?.model;
  const claim = settings.claims.find((c) => c.model === model && c.stage === kept.value("stage"));
  if (!claim || Math.abs(bare - claim.claimed_g) <= SHARE_OF_CLAIM * claim.claimed_g) return null;
  return `${bare.toFixed(1)} g bare is far from the claim of ${claim.claimed_g} g.`;
}

// What takes an entry back: each of its records is made void, the newest first.
export function voidsOf(records, { kept, who }) {
  return [...records].reverse().map((record) => ({
    kind: "correction", record_id: uuid(), taken_at: moment(), station: kept.value("station"),
    inspector: who.code, of: record.record_id, void: true,
    reason: "undone at entry",
  }));
}
