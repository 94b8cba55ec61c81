// The panel at the rig: energy and multiple of the next drop, the rim's circle with the position to
// strike, how far the test has come and what is still needed.

import { el, svg } from "./dom.js";

const GRAVITY = 9.80665; // m/s², standard
const DAMAGED = "✕";

const n = (value, digits = 2) => Number(value).toFixed(digits).replace(/\.?0+$/, "");

export function makeStrike() {
  const energy = el("p", { class: "energy", "aria-live": "polite" });
  const circle = svg("svg", { viewBox: "-120 -120 240 240", class: "circle", role: "img" });
  const next = el("p", { class: "next", "aria-live": "polite" });
  const running = el("p", { class: "running" });
  const state = el("p", { class: "struckline" });
  const caution = el("p", { class: "caution" },
    "Guard the rig: keep hands and faces out while the striker is raised. Hidden damage in carbon can be invisible: “no damage” means none was seen.");
  const node = el("section", { class: "strike", "aria-label": "Impact test" },
    state, next, circle, running, energy, caution);
  let protocol = null;
  let test = null;
  let blow = { striker_kg: null, height_mm: null };

  const load = () => {
    const joules = (Number(blow.striker_kg) * GRAVITY * Number(blow.height_mm)) / 1000;
    const multiple = joules / protocol.standard_energy_j;
    return { joules, multiple, standard: Math.abs(multiple - 1) <= protocol.energy_tolerance };
  };

  function draw() {
    node.hidden = !protocol;
    if (!protocol) return;
    drawEnergy();
    drawTest();
  }
  function drawEnergy() {
    if (!blow.striker_kg || !blow.height_mm) {
      energy.textContent = "Give the striker's mass and the height: the energy follows.";
      return;
    }
    const { joules, multiple, standard } = load();
    const heavy = standard ? "✓ the standard impact" : protocol.method === "repeat"
      ? (multiple < 1 ? "✕ weaker than the standard impact: it will count for nothing"
        : "▲ more than the standard impact: counts as one, and a failure by it has no multiple")
      : "a rung of the ladder";
    energy.replaceChildren(el("strong", {}, `${n(joules, 1)} J`), ` = ${n(standard ? 1 : multiple)} × ${n(protocol.standard_energy_j)} J: ${heavy}`);
  }
  function drawTest() {
    if (!test) {
      state.textContent = "";
      next.textContent = "Scan the part that lies in the rig.";
      running.textContent = "";
      drawCircle(null);
      return;
    }
    state.textContent = test.struck
      ? "✕ STRUCK: this part can never be released" : "With the first drop this part is struck for ever: it can never be released.";
    state.classList.toggle("is-struck", test.struck);
    const ended = test.damaged;
    next.replaceChildren(ended ? "Test ended. " : `Drop ${test.drop_no}: strike at `, el("strong", {}, ended ? "Do not strike again." : `${n(test.next_deg)}°`));
    drawRunning();
    drawCircle(ended ? null : test.next_deg);
  }
  function drawRunning() {
    const required = `${n(protocol.required_multiple)} × required`;
    const lines = [];
    if (test.damaged) {
      const by = test.failed === null ? "then" : `by ${n(test.failed)} ×`;
      lines.push(`Survived ${n(test.survived)} ×, damaged ${by}; ${required}.`);
    } else if (test.survived >= protocol.required_multiple) {
      lines.push(`Survived ${n(test.survived)} ×: ✓ ${required}. You may go on to find where it fails.`);
    } else if (test.still_needed !== null) {
      lines.push(`Survived ${n(test.survived)} × so far; ${required}. Still needed: ${test.still_needed} ${test.still_needed === 1 ? "drop" : "drops"}.`);
    } else {
      const rung = blow.striker_kg && blow.height_mm ? load() : null;
      const at = rung ? (rung.standard ? 1 : rung.multiple) : null;
      const done = at === null ? 0 : test.loads.filter((l) => l.some((x) => Math.abs(x - at) <= protocol.energy_tolerance * at)).length;
      lines.push(`Survived ${n(test.survived)} × so far; ${required}.`);
      if (at !== null) lines.push(`This rung, ${n(at)} ×: ${done} of ${protocol.positions_deg.length} positions struck.`);
    }
    if (!test.counts) lines.push("▲ This test does not count: the part was struck, repaired or returned before.");
    if (test.marks.length) lines.push(`Marked: ${test.marks.join(", ").replaceAll("-", " ")}.`);
    running.replaceChildren(...lines.map((line) => el("span", {}, line)));
  }
  // degrees from the valve hole, clockwise: the valve hole stands at the bottom, as a rim hangs
  const at = (deg, radius) => {
    const turn = ((deg + 180) * Math.PI) / 180;
    return [radius * Math.sin(turn), -radius * Math.cos(turn)];
  };
  function drawCircle(nextDeg) {
    const drops = test?.drops ?? [];
    circle.setAttribute("aria-label", nextDeg === null || !protocol ? "Rim" : `Rim: strike at ${n(nextDeg)} degrees from the valve hole`);
    const parts = [svg("circle", { r: 88, class: "rim" }), svg("circle", { r: 76, class: "rim" })];
    const [vx, vy] = at(0, 82);
    const valve = svg("text", { x: 0, y: 62, class: "small" });
    valve.textContent = "valve hole";
    parts.push(svg("circle", { cx: vx, cy: vy, r: 4, class: "valve" }), valve);
    protocol?.positions_deg.forEach((deg, i) => {
      const isNext = nextDeg !== null && Math.abs(deg - nextDeg) < 1e-6;
      const [x, y] = at(deg, 82);
      const here = drops.filter((d) => d.on_deg === deg);
      const broken = here.some((d) => d.damaged);
      parts.push(svg("circle", { cx: x, cy: y, r: isNext ? 15 : 11, class: `place${isNext ? " is-next" : ""}` }));
      const inside = svg("text", { x, y: y + 5, class: isNext ? "in-next" : "" });
      inside.textContent = broken ? DAMAGED : String(test?.hits[i] ?? 0);
      parts.push(inside);
      const [lx, ly] = at(deg, 108);
      const outside = svg("text", { x: lx, y: ly + 4, class: "small" });
      outside.textContent = `${n(deg)}°`;
      parts.push(outside);
    });
    const middle = svg("text", { x: 0, y: 8, class: "middle" });
    middle.textContent = nextDeg === null || !test ? "" : `${n(nextDeg)}°`;
    parts.push(middle);
    circle.replaceChildren(...parts);
  }

  return {
    node,
    choose(chosen, given) {
      protocol = chosen ?? null;
      blow = given;
      draw();
    },
    show(now) {
      test = now;
      draw();
    },
    // until the server has answered, the next position in the protocol's order is the likely one
    guess() {
      if (!test || !protocol) return;
      const order = protocol.positions_deg;
      const i = order.findIndex((deg) => Math.abs(deg - test.next_deg) < 1e-6);
      test = { ...test, struck: true, began: true, drop_no: test.drop_no + 1, next_deg: order[(i + 1) % order.length] };
      draw();
    },
    test: () => test,
    protocol: () => protocol,
  };
}
