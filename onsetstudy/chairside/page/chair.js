// The page of whoever tests and treats: drawn from the entries, anew with each of them and with the seconds.
import { all, since, state } from "/log.js";
import { clockText, foldCases, inForce } from "/flow.js";
import { $, button, cues, h, keepAwake, knock, unlessPressed } from "/parts.js";
import { begin, draft } from "/new_case.js";
import { at, current, drawIf, go, seconds, select, upNext } from "/at_hand.js";
import { caseScreen, tickTests } from "/phases.js";
import * as ofCase from "/case_screens.js";
import * as more from "/more.js";
import { isSaid, said } from "/words.js";

const SCREENS = {
  case: caseScreen, new: ofCase.newScreen, ask: ofCase.askScreen, scale: ofCase.scaleScreen, event: ofCase.eventScreen,
  supplement: ofCase.supplementScreen, wrong: ofCase.wrongScreen, screening: ofCase.screeningScreen,
  more: more.moreScreen, overview: more.overviewScreen, study: more.studyScreen, told: more.toldScreen, pair: more.pairScreen,
  pin: more.pinScreen, training: more.trainingScreen, drill: more.drillScreen, mixing: more.mixingScreen,
};
const RUNNING = ["baseline", "waiting", "prepared", "injecting", "testing", "complete", "treated"];
let drawn = -1, knocked = "";

export function startChair(setup, may) {
  Object.assign(at, { setup, may, draw });
  addEventListener("keydown", key);
  addEventListener("resize", () => drawIf("case"));
  setInterval(tick, 200);
  draw();
}

/** Entries may have come: draw what they change, and nothing under a finger or a pen. */
export const refresh = () => unlessPressed(drawNews);

function drawNews() {
  if (!at.setup || drawn === state.version) return;
  if (at.screen.name === "case") { draw(); return; }
  drawStrips(fold());
}

/** Cases from the entries as they are now; returns those that run. */
function fold() {
  drawn = state.version;
  at.cases = foldCases(all(), at.setup, since);
  return at.cases.filter((c) => RUNNING.includes(c.phase));
}

/** All is drawn anew from the entries; which element had the focus is kept. */
function draw() {
  const running = fold();
  if (!current() && running.length) at.selected = running[0].id;
  const focus = document.activeElement?.getAttribute?.("data-stay");
  drawStrips(running);
  document.body.classList.toggle("turned", at.screen.name === "scale");
  $("task").replaceChildren(...(SCREENS[at.screen.name] ?? caseScreen)().filter(Boolean));
  drawRecent();
  if (focus) document.querySelector(`[data-stay="${focus}"]`)?.focus();
  keepAwake(running.some((c) => c.zero && c.phase !== "treated"));
  tick();
}

// Strips, one a case -----------------------------------------------------------------------------

function drawStrips(running) {
  const order = [...running].sort((a, b) => dueIn(a) - dueIn(b));
  const open = () => {
    if (!draft()) begin(at.setup);
    go("new");
  };
  $("strips").replaceChildren(
    ...order.map(strip),
    button("New case", open, { class: running.length ? "quiet" : "full", "data-stay": "new" }),
    button("More", () => go("more"), { class: "quiet", "data-stay": "more" }));
}

function strip(c) {
  const shown = c.id === at.selected ? "true" : "false";
  const told = { "data-stay": `strip-${c.id}`, "data-case": c.id, "aria-current": shown, onclick: () => select(c.id) };
  return h("button", { type: "button", class: "strip", ...told }, h("span", {}, c.id), h("b", {}, ""));
}

function dueIn(c) {
  if (c.phase !== "testing") return 1e9;
  return upNext(c)?.wait_s ?? 1e8;
}

const IN_SHORT = {
  baseline: "before", waiting: "waits for cartridge", prepared: "prepared", injecting: "injecting", complete: "tests complete",
  treated: "in treatment",
};

function stripText(c) {
  if (c.phase !== "testing") return IN_SHORT[c.phase] ?? "";
  const next = upNext(c);
  if (!next) return "tests over";
  return next.due ? "test now" : `test in ${clockText(Math.ceil(next.wait_s))}`;
}

// The last entries -------------------------------------------------------------------------------

function drawRecent() {
  const c = current();
  const own = c && at.screen.name === "case" ? inForce(all()).filter((e) => e.case_id === c.id && isSaid(e)) : [];
  const recent = own.slice(-3).reverse();
  $("recent").replaceChildren(recent.length ? h("ul", {}, recent.map((e) => lastEntry(e, c))) : "");
}

function lastEntry(e, c) {
  const fixed = ["case_opened", "prepared"].includes(e.kind);
  return h("li", {},
    h("span", {}, `${said(e, c)} · ${e.at_wall.slice(11, 19)}`),
    fixed ? null : button("That was wrong", () => go("wrong", { entry: e }), { "data-stay": `wrong-${e.id}` }));
}

// Seconds and keys -------------------------------------------------------------------------------

/** What changes with the seconds, and nothing else. */
function tick() {
  const c = current(), shown = at.screen.name === "case" && c?.phase === "testing";
  for (const one of document.querySelectorAll(".strip")) {
    const its = at.cases.find((k) => k.id === one.dataset.case), text = its ? stripText(its) : "";
    if (one.lastChild.textContent !== text) one.lastChild.textContent = text;
  }
  $("elapsed").textContent = c?.zero && !["closed", "withdrawn"].includes(c.phase) ? clockText(seconds(c)) : "";
  document.body.classList.toggle("due", cues.colour && shown && !!upNext(c)?.due);
  knockOnce();
  if (shown) tickTests(c);
}

/** A knock for each test that is due, of whichever case. */
function knockOnce() {
  let due = null;
  for (const one of at.cases) {
    if (one.phase !== "testing") continue;
    const next = upNext(one);
    if (next?.due && next.role === "target") due = `${one.id}/${next.planned}`;
  }
  if (!due || due === knocked) return;
  knocked = due;
  knock();
}

function key(event) {
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
  const typing = event.target.matches?.("input");
  if (typing && event.key !== "Escape") return;
  if (event.key === "Enter" && event.target.matches?.("button")) return;
  const named = CSS.escape(event.key.length === 1 ? event.key.toLowerCase() : event.key);
  const found = document.querySelector(`[data-key="${named}"]:not(:disabled)`);
  if (!found) return;
  event.preventDefault();
  found.click();
}
