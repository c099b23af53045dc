// The mixer's page: the slip, and what was mixed. It is kept with the opening and never reaches the page of a tester.
import { entryNow, now, request, send, state, utc, written } from "/log.js";
import { button, choices, h, row, sentence, textField, unlessPressed } from "/parts.js";

let told = null, work = null, correcting = false, redraw = () => {}, note = "";
const STEPS = [
  "Take a cartridge, a syringe and the bicarbonate, whichever arm it is.",
  "Move alike and take the same minutes for either arm, out of sight of whoever tests.",
  "Wipe the cartridge, load it, and hand it over without a mark.",
];

/** What is sent of a cartridge: what was mixed, to be kept apart, and that it is prepared. */
const handed = (payload, case_id) => ({
  preparation: entryNow("preparation", payload, case_id, { at_wall: utc() }),
  prepared: entryNow("prepared", {}, case_id, { at_wall: utc() }),
});

export async function pullMixing() {
  const fresh = await request("/api/mixing");
  if (!fresh || JSON.stringify(fresh) === JSON.stringify(told)) return;
  const asked = asksWho();
  told = fresh;
  // News takes no code away that is just being typed.
  if (!work && !(asked && asksWho())) unlessPressed(() => redraw());
}

/** Cases to prepare: while the study stands still, only those whose slip was opened before. */
const open = () => told.waiting.filter((w) => !told.paused || w.opened_slip);
const halted = () => told.paused && !open().length && !work;
const asksWho = () => !!told && !halted() && told.sealed && !localStorage.mixer;

/** What waits, with what was tapped here a moment ago. */
export const freshMixing = () => send().then(pullMixing);

/** What the mixer sees, as elements. */
export function mixingFor(again) {
  redraw = again;
  if (!told) { pullMixing(); return [h("h1", {}, "One moment.")]; }
  const said = note ? h("p", { class: "mark", role: "alert" }, note) : null;
  if (halted()) return [h("h1", {}, sentence(told.paused))];
  if (asksWho()) {
    return [
      h("h1", {}, "Who prepares?"),
      h("p", {}, "Your code stands in the opening log; no name."),
      textField("mixer", "Code", "", (code) => { localStorage.mixer = code; redraw(); }),
    ];
  }
  if (!work) {
    const turn = () => { correcting = !correcting; redraw(); };
    const words = correcting ? "Back" : "Correct what was prepared";
    const correct = told.prepared.length ? row(button(words, turn, { class: "quiet" })) : null;
    if (correcting && correct) {
      const chosen = (w) => { work = { w, began: now(), asks: true, corrects: true }; correcting = false; note = ""; redraw(); };
      return [h("h1", {}, "Correct what was prepared for"), choices(told.prepared.map((w) => [w, w.case_id]), chosen), correct];
    }
    if (!open().length) return [h("h1", {}, "Nothing waits to be prepared."), said, correct].filter(Boolean);
    const waiting = open().map((w) => [w, `${w.case_id}, ${w.technique}`]);
    const take = (w) => {
      work = { w, began: now() };
      note = "";
      redraw();
    };
    return [h("h1", {}, "Prepare a cartridge for"), said, choices(waiting, take), correct].filter(Boolean);
  }
  const leave = row(button("Not this case", () => { work = null; redraw(); }, { class: "quiet" }));
  if (!work.arm) return [h("h1", {}, work.w.case_id), said, ...source(), leave].filter(Boolean);
  return [...recipe(), said, leave].filter(Boolean);
}

function source() {
  const arms = (slip) => choices(told.arms.map(([code, label]) => [code, label]), (arm) => take({ arm, slip }));
  if (work.asks) return [h("p", {}, "What was prepared?"), arms(work.w.opened_slip)];
  if (!told.randomised) return [h("p", {}, "What will be injected?"), arms("")];
  const paper = work.paper
    ? [
      textField("slip", "Number on the paper slip", "", (slip) => { work.slip = slip; redraw(); }),
      work.slip ? h("div", {}, h("p", {}, `Slip ${work.slip} says`), arms(work.slip)) : null,
    ]
    : [button("From the paper envelope", () => { work.paper = true; redraw(); })];
  if (!told.sealed) return [h("p", {}, "Open the next envelope of this practice and kind of injection."), ...paper];
  const inside = h("input", { type: "text", id: "passphrase", autocomplete: "off", maxlength: 120 });
  const open = async () => {
    const asked = { case_id: work.w.case_id, by: localStorage.mixer, passphrase: inside.value.trim() };
    const slip = await request("/api/mixing/slip", asked);
    if (slip) take({ arm: slip.arm, slip: slip.slip, side: slip.side });
    else { note = state.why || "The computer does not answer."; redraw(); }
  };
  return [
    h("p", {}, "A slip that was opened stays used."),
    h("label", { for: "passphrase" }, "Passphrase inside its envelope, if it has one"),
    row(inside),
    row(button("Open the next slip", open, { class: "full", "data-key": "Enter" }), ...paper),
  ];
}

function take(found) {
  Object.assign(work, found, { began: now() });
  redraw();
}

/** How the protocol's own words say that it is mixed; a tap chooses the other way. */
function promisedWay(preparation) {
  return !/in place of|replac/i.test(preparation) && /\badd(ed)?\b|on top/i.test(preparation) ? "add" : "replace";
}

function recipe() {
  const [, label, preparation, planned] = told.arms.find(([code]) => code === work.arm);
  const mixed = work.arm !== told.arms[0][0], last = JSON.parse(localStorage.mix ?? "{}");
  work.way ??= planned || last.way || promisedWay(preparation);
  const slip = `Slip ${work.slip}${work.side ? `, ${work.side} side` : ""}`;
  return [
    h("h1", {}, `${work.w.case_id}: ${label}`),
    work.slip ? h("p", {}, slip) : null,
    h("p", { class: "mark" }, `${preparation}.`),
    work.corrects ? null : h("ol", {}, STEPS.map((s) => h("li", {}, s))),
    ...(mixed ? mixture(last) : []),
    ...input("volume", "Volume to be injected, buffer included, mL", volume(mixed, last)),
    ...(work.asks ? reasonField() : []),
    row(button(work.corrects ? "Correct" : "Prepared", () => prepared(label, mixed), { class: "full" })),
  ].filter(Boolean);
}

const input = (name, text, value) => [
  h("label", { for: name }, text),
  h("input", { type: "number", id: name, step: "any", min: 0, value: typedBefore(name) ?? value, inputmode: "decimal", oninput }),
];
// What was typed stands again where the computer asks for a reason, and the page is drawn anew.
const typedBefore = (name) => work.typed?.[name];
const oninput = ({ target }) => { (work.typed ??= {})[target.id] = target.value; };

function typedNumber(name) {
  const v = document.getElementById(name)?.value ?? "";
  return v === "" ? null : Number(v);
}

/** Why it is another cartridge than the slip or an earlier entry says; the computer keeps it. */
const reasonField = () => [
  h("label", { for: "reason" }, "Why? It is kept; no names"),
  h("input", { type: "text", id: "reason", maxlength: 120, value: typedBefore("reason"), oninput }),
];

const WAYS = [["replace", "in place of the same volume"], ["add", "on top"]];

/** What is asked of a mixture beside its volume: which way, how much and of which strength. */
function mixture(last) {
  const way = ([code, text]) =>
    button(text, () => { work.way = code; redraw(); }, { "aria-pressed": String(work.way === code) });
  return [
    row(WAYS.map(way)),
    ...input("bicarbonate", "Bicarbonate per cartridge, mL", last.bicarbonate ?? "0.18"),
    ...input("percent", "Its concentration, %", last.percent ?? "8.4"),
  ];
}

function volume(mixed, last) {
  const size = work.w.cartridge_ml ?? 1.8;
  return mixed && work.way === "add" ? (size + Number(last.bicarbonate ?? 0.18)).toFixed(2) : size;
}

function prepared(label, mixed) {
  const payload = { arm: work.arm, volume_ml: typedNumber("volume"), mix_mode: mixed ? work.way : "none" };
  if (work.slip) payload.allocation_slip = work.slip;
  if (typedBefore("reason")?.trim()) payload.reason = typedBefore("reason").trim();
  if (mixed) {
    const bicarbonate = typedNumber("bicarbonate"), percent = typedNumber("percent");
    const mixing_min = Math.round((now() - work.began) / 0.6) / 100;
    Object.assign(payload, { bicarbonate_ml: bicarbonate, bicarbonate_percent: percent, mixing_min });
    localStorage.mix = JSON.stringify({ way: work.way, bicarbonate, percent });
  }
  localStorage.prepared = JSON.stringify({ label, payload });
  work.sent = handed(payload, work.w.case_id);
  hand();
}

/** What was prepared last, in words; empty if nothing was. */
export const preparedLast = () => (localStorage.prepared ? JSON.parse(localStorage.prepared).label : "");

/** Hand over the same again, where only what was adopted is watched. */
export function prepareAsLast(case_id, again) {
  redraw = again;
  const { allocation_slip, mixing_min, reason, ...payload } = JSON.parse(localStorage.prepared).payload;
  work = { sent: handed(payload, case_id), w: { case_id } };
  return hand();
}

async function hand() {
  const answer = await request("/api/mixing/prepared", work.sent);
  const wrong = answer?.entries.find((a) => a.state === "refused");
  if (answer && !wrong) {
    written(work.sent.prepared);
    note = work.corrects ? "Corrected." : "Handed on as prepared.";
    work = null;
    await pullMixing();
  } else {
    work.asks = !!wrong;
    note = wrong?.why ?? `${state.why || "The computer does not answer."} Nothing was handed on. Tap again.`;
  }
  redraw();
}

export function startMixing(draw) {
  redraw = draw;
  setInterval(pullMixing, 2000);
  pullMixing();
}
