// Start of the page: who it is for, and what to say when something is in the way.
import { anchor, keep, keepUp, kept, onChange, request, start, state, watchClock } from "/log.js";
import { $, button, h, row, sentence } from "/parts.js";
import { refresh, startChair } from "/chair.js";
import { drawMixing as drawChairMixing } from "/at_hand.js";
import { pinButtons, pinScreen, watchAlone } from "/pin.js";
import { mixingFor, startMixing } from "/mixing.js";
import { drill } from "/drill.js";
import { startSetUp } from "/set_up.js";

let worker = false, running = false, pinning = false, drilling = false;

const NO_SESSION = "This page has no session. Open the address shown on the computer; what is kept here will be sent then.";
const KEPT = "Kept on this device; will be written when the computer answers. Go on.";
const AWAY = "The computer does not answer. Go on; what is tapped is kept on this device.";
const JUMPED = "This device's clock stood still or was changed while the computer was away: "
  + "times of this case are kept, and marked as wider.";

const APART = "This device's date or time of day is not that of the computer. Set the wrong one right: "
  + "cases get the computer's, and a note of it.";

function trouble() {
  const said = [];
  if (!state.session) said.push(NO_SESSION);
  else if (state.away) {
    said.push(state.waiting ? KEPT : AWAY);
    if (!worker) said.push("Do not reload this page until the computer is back.");
  } else if (state.waiting && state.why) said.push(`${state.why} It is kept on this device and sent again.`);
  if (state.jumped) said.push(JUMPED);
  if (Math.abs(state.apart) > 60) said.push(APART);
  if (state.paused) said.push(`${sentence(state.paused)} No new cases; those that are open go on.`);
  const bar = $("trouble"), parts = said.map((s) => h("span", {}, s, " "));
  for (const { kind, why } of state.refused) {
    parts.push(h("span", {}, `An entry (${kind.replaceAll("_", " ")}) was refused: ${why}. `));
  }
  if (state.refused.length) parts.push(button("Seen", () => { state.refused.length = 0; trouble(); }));
  const text = parts.map((p) => p.textContent).join("");
  if (bar.textContent !== text) bar.replaceChildren(...parts);
  bar.hidden = !text;
}

function pair() {
  const input = h("input", { type: "text", id: "code", autocomplete: "off", autocapitalize: "characters", maxlength: 12 });
  const take = async () => {
    if (await request("/api/pair", { code: input.value })) location.reload();
    else $("heard").textContent = state.why;
  };
  $("task").replaceChildren(
    h("h1", {}, "Open the address shown on the computer."),
    h("p", {}, "Each address lets one browser in, once. A tablet may be paired with the code on the computer's screen:"),
    h("label", { for: "code" }, "Pairing code"),
    row(input, button("Pair", take, { class: "full" })));
}

function drawMixer(setup) {
  if (document.activeElement?.matches("input")) return;
  const again = () => { document.activeElement?.blur?.(); drawMixer(setup); };
  const pin = (open) => { pinning = open; again(); };
  const practise = (open) => { drilling = open; again(); };
  if (pinning) $("task").replaceChildren(...pinScreen(() => pin(false)).filter(Boolean));
  else if (drilling) {
    $("task").replaceChildren(...drill(again), row(button("Back", () => practise(false), { class: "quiet" })));
  } else {
    const more = setup.practising ? [button("Mixing drill", () => practise(true), { class: "quiet" })] : [];
    $("task").replaceChildren(...mixingFor(again), row(more, pinButtons(() => pin(true))));
  }
}

async function main() {
  for (const name of ["hand", "theme"]) if (localStorage[name]) document.documentElement.dataset[name] = localStorage[name];
  if ("serviceWorker" in navigator) {
    try {
      await navigator.serviceWorker.register("/sw.js");
      navigator.serviceWorker.ready.then(() => { worker = true; trouble(); });
    } catch { worker = false; }
  }
  await start();
  let setup = await request("/api/setup");
  if (setup?.role === "set_up") return startSetUp(setup);
  if (setup) keep("setup", setup);
  else if (!state.session) return pair();
  else setup = await kept("setup");
  if (!setup) { $("task").replaceChildren(h("h1", {}, "The computer does not answer.")); return setTimeout(() => location.reload(), 3000); }
  document.title = setup.practising ? "Practice at the chair" : "At the chair";
  const chair = setup.role !== "mixer";
  if (chair) {
    const rights = { study: ["treating", "alone"].includes(setup.role), mixing: setup.role === "alone" };
    startChair(setup, rights);
    onChange(() => { refresh(); trouble(); });
  } else {
    addEventListener("keydown", (e) => {
      if (e.key === "Enter" && !e.target.matches("input, button")) document.querySelector('[data-key="Enter"]')?.click();
    });
    onChange(trouble);
  }
  if (!chair || setup.role === "alone") startMixing(chair ? drawChairMixing : () => drawMixer(setup));
  if (!chair) drawMixer(setup);
  watchAlone();
  trouble();
  await keepUp(chair);
  setInterval(() => { running = !!document.querySelector(".strip"); watchClock(running); }, 500);
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") anchor(); });
  addEventListener("pageshow", (e) => { if (e.persisted) anchor(); });
}

main();
