// A look at a part: clean with one key, or findings by zone, defect, angle, size, and a photo.

import { el } from "./dom.js";
import { makeInput, Wrong } from "./inputs.js";

export function makeLook(field, done, sendPhoto) {
  let findings = [];
  let photo = null;
  const list = el("ol", { class: "findings" });
  const result = makeInput({ ...field, type: "choice" }, chosen);
  const inputs = field.finding.map((sub, i) => makeInput({ ...sub, required: true }, () => step(i)));
  const error = el("p", { class: "wrong", role: "alert" });
  const said = el("span", { class: "aside", role: "status" });
  const camera = el("input", { type: "file", accept: "image/*", class: "unseen", id: "camera", onchange: taken });
  camera.setAttribute("capture", "environment");
  const shoot = el("button", { type: "button", class: "plain", onclick: () => camera.click() }, "Photo");
  const add = el("button", { type: "button", class: "plain", onclick: keep }, "Add this finding");
  const finish = el("button", { type: "button", class: "main", onclick: end }, "All findings noted");
  const form = el("div", { class: "finding", hidden: true },
    el("p", { class: "aside" }, "Enter on an empty size, or the button, ends the list."),
    inputs.map((input) => input.node), el("div", { class: "line" }, shoot, camera, said, add, finish), error);
  const node = el("div", { class: "field look", "data-field": field.name }, result.node, list, form);

  function chosen() {
    const found = result.read() === "findings";
    form.hidden = !found;
    if (found) inputs[0].focus();
    else {
      findings = [];
      show();
      done();
    }
  }
  function step(i) {
    if (i === inputs.length - 1) {
      if (!String(inputs[i].text()).trim() && findings.length) return end();
      return keep();
    }
    try {
      inputs[i].read();
      inputs[i + 1].focus();
    } catch (fault) {
      inputs[i].complain(fault.message);
      inputs[i].focus();
    }
  }
  function keep() {
    const made = {};
    for (const input of inputs) {
      try {
        made[input.field.name] = input.read();
      } catch (fault) {
        input.complain(fault.message);
        return input.focus();
      }
    }
    if (photo) made.photo = photo;
    findings.push(made);
    inputs.forEach((input) => input.clear());
    photo = null;
    said.textContent = "";
    show();
    inputs[0].focus();
  }
  function end() {
    // a half-filled finding is not dropped in silence
    if (inputs.some((input) => String(input.text()).trim())) return keep();
    if (!findings.length) {
      error.textContent = "note at least one finding, or choose clean";
      return inputs[0].focus();
    }
    error.textContent = "";
    done();
  }
  function show() {
    list.replaceChildren(...findings.map((f, i) => el("li", {},
      `${f.defect}, ${f.size_mm} mm, ${f.zone} at ${f.angle_deg}°${f.photo ? ", with photo" : ""} `,
      el("button", { type: "button", class: "plain", onclick: () => { findings.splice(i, 1); show(); } }, "take off"))));
  }
  async function taken() {
    const [file] = camera.files;
    camera.value = "";
    if (!file) return;
    said.textContent = "keeping the photo …";
    try {
      photo = await sendPhoto(file);
      said.textContent = `photo kept: ${photo}`;
    } catch (fault) {
      said.textContent = `the photo was not kept: ${fault.message}`;
    }
    inputs.find((input) => !String(input.text()).trim())?.focus();
  }
  return {
    node, field,
    read: () => {
      const word = result.read();
      if (word === null) throw new Wrong("press C for clean or F for findings");
      if (word === "findings" && !findings.length) throw new Wrong("note at least one finding");
      return { result: word, findings: word === "clean" ? [] : findings };
    },
    text: () => ({ result: result.text(), findings }),
    set: (value) => {
      result.set(value?.result || null);
      findings = value?.findings ?? [];
      form.hidden = value?.result !== "findings";
      show();
    },
    clear: () => {
      result.clear();
      findings = [];
      photo = null;
      inputs.forEach((input) => input.clear());
      form.hidden = true;
      show();
    },
    complain: (words) => { error.textContent = words ?? ""; result.complain(words); },
    focus: () => result.focus(),
  };
}
