// Entries: kept in this browser until the computer has written them, sent again until it says so.
// Clocks: every page load has its own; anchors tie it to the computer's.

const TOLERANCE_S = 0.25;
const ANCHOR_EVERY_S = 30;
const RETRY_S = 2;

const clock = crypto.randomUUID();
const device = localStorage.device ??= crypto.randomUUID();
export const state = { waiting: 0, away: false, session: true, why: "", refused: [], paused: "", jumped: false, apart: 0, version: 0 };

const entries = new Map(); // id -> { entry, n }
let clocks = {};
let ownAnchors = []; // { page_s, offset }
let jumps = []; // the wall clock ran on by more than ours: asleep, or set
const pending = new Set(); // tapped on this page, and not yet known to be written
let last = 0;
let listeners = [];
let database;
const others = new BroadcastChannel("onset");

export const onChange = (f) => listeners.push(f);
const changed = () => listeners.forEach((f) => f());
export const now = () => performance.now() / 1000;

function wall(ms = Date.now()) {
  const d = new Date(ms), offset = -d.getTimezoneOffset(), two = (n) => String(Math.floor(n)).padStart(2, "0");
  const local = new Date(ms + offset * 60000).toISOString().slice(0, -1);
  return `${local}${offset < 0 ? "-" : "+"}${two(Math.abs(offset) / 60)}:${two(Math.abs(offset) % 60)}`;
}

/** An entry of this moment; `more` takes the place of what it would hold. */
export const entryNow = (kind, payload, case_id, more) => ({
  id: crypto.randomUUID(), kind, clock, at_monotonic: now(), at_wall: wall(), device, payload, case_id, corrects: null, ...more,
});
export const utc = () => new Date().toISOString().replace("Z", "+00:00");

// The browser's own store ------------------------------------------------------------------------

const asked = (request) => new Promise((yes, no) => {
  request.onsuccess = () => yes(request.result);
  request.onerror = () => no(request.error);
});

async function openDatabase() {
  const request = indexedDB.open("onset", 1);
  request.onupgradeneeded = () => {
    request.result.createObjectStore("entries", { keyPath: "n", autoIncrement: true });
    request.result.createObjectStore("kept");
  };
  database = await asked(request);
}

const store = (name, mode) => database.transaction(name, mode, { durability: "strict" }).objectStore(name);
export const keep = (key, value) => asked(store("kept", "readwrite").put(value, key));
export const kept = (key) => asked(store("kept", "readonly").get(key));

// Entries ----------------------------------------------------------------------------------------

// The browser's store answers later; a page that is reloaded in between would lose the entry. This is written at once.
const HELD = "held-";

/** Make an entry of this moment, keep it, and send it. Returns it at once; it is on screen before it is sent. */
export function tap(kind, payload = {}, case_id = null, corrects = null) {
  const entry = entryNow(kind, payload, case_id, { corrects });
  add(entry);
  return entry;
}

function add(entry) {
  entries.set(entry.id, { entry, n: Infinity });
  pending.add(entry.id);
  state.waiting += 1;
  if (entry.kind !== "anchor") state.version += 1;
  localStorage[HELD + entry.id] = JSON.stringify(entry);
  changed();
  putAway(entry).then((n) => {
    const held = entries.get(entry.id);
    if (held && held.n === Infinity) held.n = n + 1e12;
    others.postMessage({ entry, n: n + 1e12 });
    send();
  });
}

/** Into the browser's store; held beside it until the store says that it is on the disk. */
async function putAway(entry) {
  const rows = store("entries", "readwrite"), n = await asked(rows.add({ entry, state: "waiting" }));
  await complete(rows.transaction);
  delete localStorage[HELD + entry.id];
  return n;
}

const complete = (transaction) => new Promise((yes, no) => {
  transaction.oncomplete = yes;
  transaction.onabort = transaction.onerror = () => no(transaction.error);
});

/** An entry that the computer has written already, on another road. */
export function written(entry) {
  entries.set(entry.id, { entry, n: 1e12 });
  state.version += 1;
}

others.onmessage = ({ data }) => {
  if (!entries.has(data.entry.id)) {
    entries.set(data.entry.id, data);
    if (data.entry.kind !== "anchor") state.version += 1;
  }
  changed();
};

/** Entries in order: those that the computer has written, then ours that it has not. */
export function all() {
  return [...entries.values()].sort((a, b) => a.n - b.n).map((held) => held.entry);
}

let sending = null, again = false;

export function send() {
  again = true;
  sending ??= navigator.locks.request("send", async () => {
    while (again) { again = false; await pass(); }
  }).finally(() => {
    sending = null;
    if (again) send();
  });
  return sending;
}

/** One tab at a time sends what all tabs have kept, in the order in which it was tapped. */
async function pass() {
  for (;;) {
    const own = await asked(store("entries", "readonly").getAll()), rows = own.filter((row) => row.state === "waiting");
    for (const row of own) if (row.state !== "waiting") pending.delete(row.entry.id);
    const waiting = new Set([...pending, ...rows.map((row) => row.entry.id)]);
    state.waiting = waiting.size;
    if (!rows.length) break;
    const some = rows.slice(0, 50);
    const answer = await request("/api/entries", { entries: some.map((row) => row.entry) });
    if (!answer) break;
    const write = store("entries", "readwrite");
    const states = Object.fromEntries(answer.entries.map((a) => [a.id, a]));
    for (const row of some) {
      const told = states[row.entry.id];
      if (!told) continue;
      pending.delete(row.entry.id);
      waiting.delete(row.entry.id);
      if (told.state === "refused") {
        state.refused.push({ kind: row.entry.kind, why: told.why });
        entries.delete(row.entry.id);
        state.version += 1;
      }
      write.put({ ...row, state: told.state });
    }
    await complete(write.transaction);
    state.waiting = new Set([...pending, ...waiting]).size;
  }
  changed();
}

/** Ask the computer; null where it does not answer, and the state says why. */
export async function request(path, body) {
  try {
    const sent = body === undefined ? {} : { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
    const answer = await fetch(path, { ...sent, signal: AbortSignal.timeout(8000) });
    state.session = answer.status !== 401;
    if (answer.ok) {
      state.away = false;
      state.why = "";
      return await answer.json();
    }
    state.away = answer.status >= 500 && answer.status !== 503;
    const told = answer.headers.get("content-type")?.includes("json") ? await answer.json() : {};
    state.why = told.why ?? (told.entries?.[0]?.why || "");
    return null;
  } catch {
    state.away = true;
    state.why = "";
    return null;
  } finally {
    changed();
  }
}

export async function pull() {
  // What is tapped while the computer answers is not in its answer, and not to be forgotten for that.
  const before = last === 0 ? await asked(store("entries", "readonly").getAll()) : [];
  const told = await request(`/api/chair?after=${last}`);
  if (!told) return;
  forget(before, new Set(told.entries.map((e) => e.id)));
  for (const { seq, ...entry } of told.entries) {
    if (!entries.has(entry.id)) state.version += 1;
    entries.set(entry.id, { entry, n: seq });
  }
  Object.assign(clocks, told.clocks);
  state.paused = told.paused;
  if (told.last !== last) {
    last = told.last;
    keep("clocks", clocks);
    changed();
  }
}

/** What is written and no longer running need not be kept here. */
function forget(rows, running) {
  const write = store("entries", "readwrite");
  for (const row of rows) {
    if (row.state === "waiting" || running.has(row.entry.id)) continue;
    write.delete(row.n);
    pending.delete(row.entry.id);
    entries.delete(row.entry.id);
    state.version += 1;
  }
}

// Clocks -----------------------------------------------------------------------------------------

let anchoredAt = -Infinity, triedAt = -Infinity;
let wallOffset = Date.now() / 1000 - now();

export async function anchor() {
  let best = null;
  for (let k = 0; k < 3 && !(best?.half < 0.02); k += 1) {
    const before = now(), told = await request("/api/clock", {}), after = now();
    if (!told) break;
    const half = (after - before) / 2;
    if (!best || half < best.half) best = { told, half, page_s: before + half, ms: Date.now() - (after - before - half) * 1000 };
  }
  if (!best || best.half > TOLERANCE_S / 2) return false;
  const { boot, server_s, server_wall_s, axis_s } = best.told;
  ownAnchors.push({ page_s: best.page_s, offset: axis_s - best.page_s });
  jumps = jumps.filter((j) => j.page_s > best.page_s);
  state.jumped = false;
  state.apart = best.ms / 1000 - server_wall_s;
  anchoredAt = now();
  const payload = { boot, server_s, server_wall_s, half_s: best.half };
  add(entryNow("anchor", payload, null, { at_monotonic: best.page_s, at_wall: wall(best.ms) }));
  return true;
}

/** Ours slept, or the wall clock was set: ask the computer, which knows. */
export async function watchClock(running) {
  const offset = Date.now() / 1000 - now();
  if (Math.abs(offset - wallOffset) > TOLERANCE_S) {
    jumps.push({ page_s: now(), by: offset - wallOffset });
    wallOffset = offset;
    state.jumped = !(await anchor());
    changed();
  } else if ((state.jumped || (running && now() - anchoredAt > ANCHOR_EVERY_S)) && now() - triedAt > RETRY_S) {
    triedAt = now();
    await anchor();
  }
}

const offsetAt = (page_s) => (ownAnchors.findLast((a) => a.page_s <= page_s) ?? ownAnchors[0])?.offset;

/** Seconds since an entry was made, whichever page it was made on. */
export function since(entry) {
  const here = now(), mine = offsetAt(here);
  if (entry.clock === clock) {
    const shift = (mine ?? 0) - (offsetAt(entry.at_monotonic) ?? 0);
    return here - entry.at_monotonic + shift + jumps.filter((j) => j.page_s > entry.at_monotonic && j.by > 0).reduce((s, j) => s + j.by, 0);
  }
  const theirs = clocks[entry.clock];
  if (mine === undefined || theirs === undefined) return Date.now() / 1000 - Date.parse(entry.at_wall) / 1000;
  return here + mine - entry.at_monotonic - theirs;
}

// Start ------------------------------------------------------------------------------------------

export async function start() {
  await openDatabase();
  clocks = (await kept("clocks")) ?? {};
  const rows = await asked(store("entries", "readonly").getAll()), there = new Set(rows.map((row) => row.entry.id));
  for (const name of Object.keys(localStorage).filter((k) => k.startsWith(HELD))) {
    if (there.has(name.slice(HELD.length))) delete localStorage[name];
    else await putAway(JSON.parse(localStorage[name]));
  }
  for (const row of await asked(store("entries", "readonly").getAll())) {
    if (row.state !== "refused") entries.set(row.entry.id, { entry: row.entry, n: row.n + 1e12 });
    if (row.state === "waiting") pending.add(row.entry.id);
  }
  state.waiting = pending.size;
}

export async function keepUp(chair) {
  await anchor();
  await send();
  if (chair) await pull();
  setInterval(() => { send(); if (chair) pull(); }, 2000);
  addEventListener("online", () => send());
}
