// What a person must know beside the verdict: how much is unsent, a clock that is off, a gauge
// that is due. Each kind has one line.

import { el } from "./dom.js";

const CLOCK_OFF_MS = 120000;

export function makeBanners() {
  const lines = new Map();
  const node = el("div", { class: "banners", role: "alert" });
  const count = el("output", { class: "unsent", "aria-live": "polite", "data-unsent": "0" }, "✓ all sent");

  function say(kind, words) {
    if (words) lines.set(kind, words);
    else lines.delete(kind);
    const wanted = [...lines.values()].join("\n");
    if (node.dataset.words === wanted) return; // read aloud once
    node.dataset.words = wanted;
    node.replaceChildren(...[...lines.values()].map((line) => el("p", {}, line)));
  }
  function unsent({ unsent: left, trouble, kept, others }) {
    count.dataset.unsent = left;
    count.textContent = left ? `◌ ${left} not sent yet` : "✓ all sent";
    count.classList.toggle("is-waiting", left > 0);
    say("away", left && ["away", "fault"].includes(trouble) ? "No answer from the server. Go on: everything is kept on this tablet and sent later." : "");
    say("signed-out", trouble === "signed-out" ? "You are signed out. Sign in again (reload this page): what is kept on this tablet is sent then." : "");
    say("another", trouble === "another" ? "Somebody else is signed in by now. Reload this page." : "");
    say("others", others.length ? `Entered here by ${others.join(", ")} and not sent yet: it is sent when they sign in on this tablet.` : "");
    say("memory", kept ? "" : "This browser keeps nothing. Do not close or reload this page until all is sent.");
  }
  function clock(at) {
    const off = at ? Date.now() - Date.parse(at) : 0;
    const minutes = Math.round(Math.abs(off) / 60000);
    say("clock", Math.abs(off) > CLOCK_OFF_MS ? `This tablet's clock is ${minutes} min ${off > 0 ? "ahead of" : "behind"} the server's. Set it right: records carry its time.` : "");
  }
  const gauges = (words) => say("gauges", words.join(" "));
  return { node, count, say, unsent, clock, gauges };
}
