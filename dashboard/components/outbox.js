// What was entered and has no answer yet. An entry is kept on this tablet before anything else
// happens, sent until the server has answered, and only then let go.

import { memory } from "./dom.js";

const WAITS_MS = [300, 700, 1500, 3000, 6000, 12000];
const MOST_AT_ONCE = 40;
const PATIENCE_MS = 15000;

// Within one second of two tabs the names stay apart by the random end.
let count = 0;
function nameFor() {
  const order = `${Date.now().toString(36).padStart(9, "0")}${(count++ % 46656).toString(36).padStart(3, "0")}`;
  return `unsent.${order}${Math.random().toString(36).slice(2, 6)}`;
}

// `who` is the code of the person signed in: what another entered here waits until they are.
export function makeOutbox({ base, who, changed, answered, refused }) {
  const inMemory = new Map(); // where the browser keeps nothing
  const behind = new Set(); // what the server choked on by itself goes last, so as to hold up nobody
  let failures = 0;
  let timer = null;
  let sending = false;
  let trouble = "";

  const all = () => {
    const kept = memory.names("unsent.").map((name) => [name, memory.get(name)]);
    return [...kept.filter(([, entry]) => entry), ...inMemory].sort(([a], [b]) => (a < b ? -1 : 1));
  };
  const waiting = () => {
    const mine = all().filter(([, entry]) => entry.who === who);
    return [...mine.filter(([name]) => !behind.has(name)), ...mine.filter(([name]) => behind.has(name))];
  };
  const letGo = (name) => {
    memory.drop(name);
    inMemory.delete(name);
  };
  const tell = () => changed({
    unsent: waiting().length, trouble, kept: inMemory.size === 0,
    others: [...new Set(all().map(([, entry]) => entry.who))].filter((code) => code !== who),
  });

  function add(entry) {
    const name = nameFor();
    const owned = { ...entry, who };
    if (!memory.set(name, owned)) inMemory.set(name, owned);
    tell();
    send();
  }

  async function send() {
    if (sending) return;
    clearTimeout(timer);
    const mine = waiting();
    if (!mine.length) return tell();
    // entries of one form go together; after a body that was refused whole, one by one
    const form = mine[0][1].form;
    const most = ["refused", "fault"].includes(trouble) ? 1 : MOST_AT_ONCE;
    const other = mine.findIndex(([, entry]) => entry.form !== form);
    const now = mine.slice(0, Math.min(most, other < 0 ? mine.length : other));
    sending = true;
    let wait = null;
    try {
      wait = await post(now);
    } catch {
      trouble = "away";
      wait = WAITS_MS[Math.min(failures++, WAITS_MS.length - 1)];
    }
    sending = false;
    tell();
    if (wait !== null || waiting().length) timer = setTimeout(send, wait ?? 0);
  }

  // Sends some entries; gives how long to wait before the next attempt, null where all is well.
  async function post(now) {
    const records = now.flatMap(([, entry]) => entry.records);
    const last = now[now.length - 1][1];
    const answer = await fetch(`${base}/records`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ form: last.form, about: last.about, records }),
      signal: AbortSignal.timeout ? AbortSignal.timeout(PATIENCE_MS) : undefined,
      credentials: "same-origin",
    });
    if ([401, 403, 409].includes(answer.status) || answer.redirected) {
      trouble = answer.status === 409 ? "another" : "signed-out";
      return WAITS_MS[4];
    }
    if (answer.status === 400 || answer.status === 413 || answer.status === 422) {
      if (now.length > 1) {
        trouble = "refused";
        return 0;
      }
      const said = await answer.json().catch(() => ({}));
      setAside(now[0], [{ field: null, value: null, reason: said.error ?? `answer ${answer.status}` }]);
      trouble = "";
      return null;
    }
    if (answer.status >= 500) {
      trouble = "fault";
      if (now.length === 1) behind.add(now[0][0]);
      return WAITS_MS[Math.min(failures++, WAITS_MS.length - 1)];
    }
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    const said = await answer.json();
    failures = 0;
    trouble = "";
    let first = 0;
    for (const item of now) {
      const after = first + item[1].records.length;
      const own = said.refusals.filter((r) => r.line > first && r.line <= after);
      if (own.length) setAside(item, own, first);
      else letGo(item[0]);
      first = after;
    }
    answered(said, now.map(([, entry]) => entry));
    return null;
  }

  // The server said no: the entry stays here, in view, until a person has decided.
  function setAside([name, entry], refusals, first = 0) {
    const lines = refusals.map(({ line, field, value, reason }) => ({
      record: entry.records[line ? line - first - 1 : 0], field, value, reason,
    }));
    memory.set(name.replace("unsent.", "refused."), { ...entry, refusals: lines });
    letGo(name);
    refused();
  }

  addEventListener("online", send);
  send();
  return {
    add,
    send,
    unsent: () => waiting().length,
    refused: () => memory.names("refused.").sort().map((name) => [name, memory.get(name)]),
    forget(name) {
      memory.drop(name);
      refused();
    },
    stop() {
      clearTimeout(timer);
      removeEventListener("online", send);
    },
  };
}
