// The entry screen: scan, type, Enter, next. The same for every form; a form says what is asked.

import { el, memory } from "./dom.js";
import { keepFocus } from "./focus.js";
import { makeInput } from "./inputs.js";
import { makeKept } from "./kept.js";
import { makeOutbox } from "./outbox.js";
import { makeRefused } from "./refused.js";
import { makeRoster } from "./roster.js";
import { makeStep } from "./step.js";
import { doubtful, impossible, recordsOf, voidsOf } from "./steps.js";
import { makeStrike } from "./strike.js";
import { makeBanners } from "./trouble.js";
import { makeVerdict } from "./verdict.js";
import { makeWays } from "./ways.js";

const MOST_UNDONE = 20;
const PATIENCE_MS = 400;

export function makeDesk({ form, settings, who, base }) {
  const about = form.about.name;
  const draftName = `draft.${form.name}`;
  const pastName = `past.${form.name}`;
  let now = null; // the part in hand: { serial, part, done, asked, lookup }
  let answers = 0; // answers to records so far: a lookup from before the last one is stale

  const banners = makeBanners();
  const verdict = makeVerdict();
  const roster = makeRoster(base);
  const panel = form.panel === "strike" ? makeStrike() : null;
  const refused = makeRefused(() => outbox, putRight);
  const kept = makeKept(form, settings, who, keptChanged);
  const ways = makeWays(form, wayChanged);
  const first = makeInput(form.about, begin);
  const on = {
    field: fieldDone, commit, skip: advance,
    leave: (step) => (step.optional ? advance(step) : finish()),
    open: (step) => (now ? enter(step) : first.focus()),
  };
  const steps = form.steps.map((step) => makeStep(step, { form, settings, base, kept, sendPhoto, on }));
  const undoButton = el("button", { type: "button", class: "plain", onclick: undo }, "Undo the last record");
  const nextButton = form.stays ? el("button", { type: "button", class: "plain", onclick: finish }, "Another part") : null;
  const outbox = makeOutbox({ base, who: who.code, changed: banners.unsent, answered, refused: refused.show });

  const node = el("div", { class: `desk form-${form.name}` },
    el("div", { class: "bar" }, ways.node, el("div", { class: "line right" }, banners.count, nextButton, undoButton)),
    banners.node, refused.node, kept.node,
    el("div", { class: "table" },
      el("div", { class: "first" }, first.node),
      el("div", { class: "told" }, panel?.node, verdict.node, roster.node),
      el("div", { class: "steps" }, steps.map((step) => step.node))));

  const inWay = () => steps.filter((step) => ways.steps().includes(step.key));
  const context = () => ({
    serial: now.serial, about, kept, who, settings, part: now.part, batchMass: roster.mass(),
  });

  // --- one part -------------------------------------------------------------------------------

  function begin() {
    if (!kept.complete()) return;
    let serial;
    try {
      serial = first.read();
    } catch (fault) {
      first.complain(fault.message);
      return first.focus();
    }
    const listed = form.about.known ? settings[form.about.known].map((row) => row.code) : null;
    if (listed && !listed.includes(serial)) {
      first.complain(`${serial} is not in the catalog`);
      return first.focus();
    }
    now = { serial, part: null, done: {}, asked: "" };
    steps.forEach((step) => step.wipe());
    lookUp();
    enter(inWay()[0]);
    draft();
  }
  function enter(step) {
    const shown = step ?? inWay()[0];
    steps.forEach((one) => one.node.classList.toggle("is-now", one === shown));
    if (!step) return;
    required(step);
    step.order[0].focus();
  }
  // under a protocol that limits the change of run-out, one of the two is demanded of an examined part
  function required(step) {
    const limit = panel?.protocol()?.change_limit_mm;
    if (!panel) return;
    const named = (name) => step.inputs.find((input) => input.field.name === name);
    const examined = named("damage").text() !== "not-examined";
    named("radial_change_mm").field.required = Boolean(limit) && examined && !named("lateral_change_mm").text();
  }
  function fieldDone(step, i) {
    const input = step.inputs[i];
    if (!now) return first.focus();
    required(step);
    if (step.optional && input === step.order[0] && input.text() === "" && !step.scale?.take()) return advance(step);
    try {
      input.read();
    } catch (fault) {
      input.complain(fault.message);
      return input.focus();
    }
    const after = step.order[step.order.indexOf(input) + 1];
    if (after && !(input.field.name === "damage" && input.text() === "not-examined")) after.focus();
    else commit(step);
  }
  function commit(step) {
    if (!now) return first.focus();
    required(step);
    if (!kept.complete()) return;
    const values = {};
    for (const input of step.inputs) {
      try {
        values[input.field.name] = input.read();
      } catch (fault) {
        input.complain(fault.message);
        return input.focus();
      }
    }
    const silent = step.inputs.filter((input) => input.field.silent).map((input) => input.field.name);
    const around = { ...context(), grams: step.fitted?.grams() ?? 0 };
    const cannot = impossible(step, values, around);
    const question = cannot ? null : doubtful(step, values, around);
    const key = JSON.stringify([now.serial, step.key, values]);
    if (cannot || (question && now.asked !== key)) {
      now.asked = key;
      const input = step.order[0];
      input.complain(cannot ?? `${question} Enter once more keeps it.`);
      return input.focus();
    }
    silent.forEach((name) => delete values[name]);
    const more = panel ? drop(values) : {};
    const records = recordsOf(step, values, { ...around, more, receipt: receipt() });
    outbox.add({ form: form.name, about: now.serial, step: step.key, records });
    remember({ serial: now.serial, step: step.key, records, typed: step.typed() });
    now.done[step.key] = true;
    step.fitted?.remember();
    step.sent(values);
    panel?.guess();
    patience(now.serial);
    advance(step);
  }
  function receipt() {
    const received = now.part?.model || Object.keys(now.done).length;
    if (!form.receives || (received && !now.again)) return null;
    now.again = false;
    const code = kept.value("batch");
    return { batch: code, model: settings.batches.find((batch) => batch.code === code)?.model };
  }
  function drop(values) {
    const test = panel.test() ?? { test: `${now.serial.slice(0, 58)}-T1`, drop_no: 1, next_deg: panel.protocol().positions_deg[0] };
    return { test: test.test, drop_no: test.drop_no, position_deg: values.position_deg ?? String(test.next_deg) };
  }
  function advance(step) {
    const after = inWay()[inWay().indexOf(step) + 1];
    if (after) enter(after);
    else if (form.stays) {
      step.wipe();
      enter(step);
    } else finish();
    draft();
  }
  function finish() {
    now = null;
    memory.drop(draftName);
    first.clear();
    steps.forEach((step) => step.wipe());
    enter(null);
    panel?.show(null);
    first.focus();
  }

  // --- what the server says -------------------------------------------------------------------

  async function lookUp() {
    const asked = { now, answers };
    const query = new URLSearchParams({ serial: now.serial });
    if (panel?.protocol()) query.set("protocol", panel.protocol().code);
    if (kept.value("stage")) query.set("stage", kept.value("stage"));
    if (about !== "serial") return verdict.quiet(now.serial);
    try {
      const answer = await fetch(`${base}/part?${query}`, { credentials: "same-origin" });
      if (!answer.ok || now !== asked.now || answers !== asked.answers) return;
      told(await answer.json());
    } catch { /* entering goes on without it */ }
  }
  function told(said) {
    if (now && said.part.serial === now.serial) {
      now.part = said.part;
      const other = form.receives && said.part.batch && kept.value("batch") !== said.part.batch;
      banners.say("batch", other ? `${now.serial} is of batch ${said.part.batch}, model ${said.part.model}, not of ${kept.value("batch")}.` : "");
      if (said.test) panel?.show(said.test);
    }
    verdict.show(said.part, panel ? null : kept.value("stage"), form.name === "shipment");
  }
  function answered(said, entries) {
    answers += 1;
    banners.clock(said.at);
    const last = entries[entries.length - 1];
    for (const entry of entries) if (entry.step && !entry.undone) roster.done(entry.about, entry.step);
    if (last.form !== form.name) return;
    if (said.gauge) verdict.gauge(said.gauge);
    if (!said.part) return;
    if (said.part.batch_mass && said.part.batch === kept.value("batch")) roster.learn(said.part.batch_mass);
    // once the next part is in view, an answer about the one before comes too late to be shown
    if (!now || said.part.serial === now.serial || !now.part) told(said);
  }
  function patience(serial) {
    const before = answers;
    setTimeout(() => { if (answers === before) verdict.waiting(serial, "not sent yet"); }, PATIENCE_MS);
  }
  async function sendPhoto(file) {
    const answer = await fetch(`${base}/photo?${new URLSearchParams({ name: file.name, serial: now?.serial ?? "" })}`, {
      method: "POST", body: file, headers: { "Content-Type": "application/octet-stream" }, credentials: "same-origin",
    });
    const said = await answer.json().catch(() => ({}));
    if (!answer.ok) throw new Error(said.error ?? `answer ${answer.status}`);
    return said.photo;
  }

  // --- taking back ----------------------------------------------------------------------------

  function remember(entry) {
    memory.set(pastName, [...memory.get(pastName, []), entry].slice(-MOST_UNDONE));
  }
  function undo() {
    const past = memory.get(pastName, []);
    const last = past.pop();
    if (!last) return banners.say("undo", "There is nothing to undo.");
    memory.set(pastName, past);
    outbox.add({ form: form.name, about: last.serial, step: last.step, undone: true, records: voidsOf(last.records, { kept, who }) });
    banners.say("undo", `Undone: ${last.step} of ${last.serial}. It stays readable, struck through.`);
    takeUp(last.serial, last.step, last.typed);
    // the receipt went with it, whatever the server still says of the part
    now.again = last.records.some((record) => record.kind === "receipt");
  }
  function takeUp(serial, key, given) {
    const step = steps.find((one) => one.key === key) ?? steps[0];
    if (now?.serial !== serial) {
      finish();
      first.set(serial);
      now = { serial, part: null, done: {}, asked: "" };
    }
    delete now.done[key];
    step.wipe();
    step.set(given);
    if (!ways.steps().includes(step.key)) ways.set("part");
    enter(step);
    lookUp();
    draft();
  }
  function putRight(entry) {
    takeUp(entry.about, entry.step, memory.get(pastName, []).find((one) => one.serial === entry.about && one.step === entry.step)?.typed);
  }

  // --- what is half typed survives a reload -----------------------------------------------------

  function draft() {
    if (!now) return memory.drop(draftName);
    memory.set(draftName, { serial: now.serial, done: now.done, typed: Object.fromEntries(steps.map((step) => [step.key, step.typed()])),
      step: steps.find((step) => step.node.classList.contains("is-now"))?.key });
  }
  function restore() {
    const before = memory.get(draftName);
    if (!before) return first.focus();
    first.set(before.serial);
    now = { serial: before.serial, part: null, done: before.done, asked: "" };
    for (const step of steps) {
      step.set(before.typed[step.key]);
      step.node.classList.toggle("is-sent", Boolean(before.done[step.key]));
    }
    enter(steps.find((step) => step.key === before.step) ?? inWay()[0]);
    lookUp();
  }

  function keptChanged(name) {
    banners.gauges(kept.warnings());
    panel?.choose(settings.protocols.find((p) => p.code === kept.value("protocol")), { striker_kg: kept.value("striker_kg"), height_mm: kept.value("height_mm") });
    if (["batch", "stage"].includes(name)) loadRoster();
    if (now && ["protocol", "stage"].includes(name)) lookUp();
    if (name === null && !now) first.focus();
  }
  function loadRoster() {
    const batch = settings.batches.find((one) => one.code === kept.value("batch"));
    if (form.receives && batch) roster.load(batch.code, kept.value("stage"), ways.now(), batch.quantity);
  }
  function wayChanged() {
    showSteps();
    loadRoster();
    finish();
  }

  function showSteps() {
    steps.forEach((step) => { step.node.hidden = !ways.steps().includes(step.key); });
    enter(null);
  }

  node.addEventListener("input", draft);
  node.addEventListener("keydown", (event) => {
    // the page has keys of its own, and a letter meant for a button here must not reach them
    event.stopPropagation();
    if (event.key === "z" && (event.ctrlKey || event.metaKey) && !event.target.value) {
      event.preventDefault();
      undo();
    }
  });

  let letFocusGo = null;
  return {
    node,
    start() {
      letFocusGo = keepFocus(node);
      keptChanged("");
      showSteps();
      loadRoster();
      refused.show();
      verdict.quiet(about === "serial" ? "Scan the first part." : "Scan the gauge.");
      if (kept.complete()) restore();
    },
    stop() {
      letFocusGo?.();
      outbox.stop();
      steps.forEach((step) => step.stop());
    },
  };
}
