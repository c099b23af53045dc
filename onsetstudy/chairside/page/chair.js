// The page of whoever tests and treats: one task at a time.
import { all, entryNow, request, send, since, state, tap, utc } from "/log.js";
import { clockText, foldCases, inForce, LATE_S, marks, minuteText, nextTest } from "/flow.js";
import { $, button, choices, cues, h, keepAwake, knock, RESPONSES, responses, say, scoreField } from "/parts.js";
import { begin, draft, dropDraft, wizard } from "/setup.js";
import { freshMixing, mixingFor, preparedLast, prepareAsLast } from "/mixing.js";
import { pinButtons, pinScreen } from "/pin.js";
import { training } from "/training.js";
import { beginScreening, screening } from "/screening.js";
import { drill } from "/drill.js";

let setup, screen = { name: "case" }, selected = sessionStorage.selected ?? "";
let cases = [], knocked = "";
const may = { study: false, mixing: false };
const RUNNING = ["baseline", "waiting", "prepared", "injecting", "testing", "complete", "treated"];
const SAID = {
  case_opened: () => "Case opened", prepared: () => "Prepared", injection_start: () => "Needle in", injection_end: () => "Injection ended",
  treatment_start: () => "Treatment started", treatment_end: () => "Treatment ended", withdrawn: () => "Broken off", closed: () => "Case finished",
  baseline: (p, c) => `Before: ${tooth(c, p.tooth_role)} ${words(p.response)}`,
  test: (p, c) => `${minuteText(p.planned_min)}: ${tooth(c, p.tooth_role)} ${words(p.response)}`,
  supplement: (p) => `Supplemental injection, ${named(setup.supplements, p.technique)}`,
  adverse_event: (p) => `Event: ${named(setup.adverse_events, p.kind)}`,
  recorded: (p) => Object.keys(p).map((name) => field(name)?.question ?? "Note").join(", "),
  unblinded: () => "Emergency unblinding", followed_up: () => "Follow-up call made",
};
const words = (response) => ({ felt: "felt", not_felt: "not felt", not_done: "not done" })[response];
const named = (list, code) => list.find(([c]) => c === code)?.[1] ?? code;
const field = (name) => [...setup.after, ...setup.before].find((f) => f.name === name);
const tooth = (c, role) => (role === "target" ? `tooth ${c.told.tooth ?? "?"}` : c.told.control_tooth ? `control tooth ${c.told.control_tooth}` : "control tooth");
const go = (name, more = {}) => {
  screen = { name, ...more };
  draw();
  $("task").focus({ preventScroll: true });
  if (name === "mixing") freshMixing();
};
const home = () => go("case");
const current = () => cases.find((c) => c.id === selected);
const seconds = (c) => (c.zero ? since(c.zero) : 0);
const upNext = (c) => nextTest(c, setup, seconds(c) / 60, state.jumped);

export function startChair(told, rights) {
  setup = told;
  Object.assign(may, rights);
  addEventListener("keydown", key);
  addEventListener("resize", () => { if (screen.name === "case") draw(); });
  setInterval(tick, 200);
  draw();
}

function select(id) {
  selected = id;
  sessionStorage.selected = id;
  home();
}

let drawn = -1;

/** Entries may have come: draw what they change, and nothing under a finger or a pen. */
export function refresh() {
  if (!setup || drawn === state.version) return;
  if (screen.name === "case") { draw(); return; }
  drawn = state.version;
  cases = foldCases(all(), setup);
  drawStrips(cases.filter((c) => RUNNING.includes(c.phase)));
}

/** News of the mixing is drawn where it is shown; elsewhere a code is being typed, a score given or a word read. */
export function drawMixing() {
  if (["case", "mixing"].includes(screen.name)) draw();
}

/** All is drawn anew from the entries; which element had the focus is kept. */
function draw() {
  drawn = state.version;
  cases = foldCases(all(), setup);
  const running = cases.filter((c) => RUNNING.includes(c.phase));
  if (!current() && running.length) selected = running[0].id;
  const focus = document.activeElement?.getAttribute?.("data-stay");
  drawStrips(running);
  document.body.classList.toggle("turned", screen.name === "scale");
  $("task").replaceChildren(...(SCREENS[screen.name] ?? SCREENS.case)().filter(Boolean));
  drawRecent();
  if (focus) document.querySelector(`[data-stay="${focus}"]`)?.focus();
  keepAwake(running.some((c) => c.zero && c.phase !== "treated"));
  tick();
}

function drawStrips(running) {
  const order = [...running].sort((a, b) => dueIn(a) - dueIn(b));
  $("strips").replaceChildren(
    ...order.map((c) => h("button", {
      type: "button", class: "strip", "data-stay": `strip-${c.id}`, "data-case": c.id, "aria-current": c.id === selected ? "true" : "false", onclick: () => select(c.id),
    }, h("span", {}, c.id), h("b", {}, ""))),
    button("New case", () => { if (!draft()) begin(setup); go("new"); }, { class: running.length ? "quiet" : "full", "data-stay": "new" }),
    button("More", () => go("more"), { class: "quiet", "data-stay": "more" }));
}

function dueIn(c) {
  if (c.phase !== "testing") return 1e9;
  return upNext(c)?.wait_s ?? 1e8;
}

function stripText(c) {
  if (c.phase === "testing") {
    const next = upNext(c);
    if (!next) return "tests over";
    return next.due ? "test now" : `test in ${clockText(Math.ceil(next.wait_s))}`;
  }
  return { baseline: "before", waiting: "waits for cartridge", prepared: "prepared", injecting: "injecting", complete: "tests complete", treated: "in treatment" }[c.phase] ?? "";
}

function drawRecent() {
  const c = current();
  const recent = c && screen.name === "case" ? inForce(all()).filter((e) => e.case_id === c.id && SAID[e.kind]).slice(-3).reverse() : [];
  $("recent").replaceChildren(recent.length ? h("ul", {}, recent.map((e) => h("li", {},
    h("span", {}, `${SAID[e.kind](e.payload, c)} · ${e.at_wall.slice(11, 19)}`),
    ["case_opened", "prepared"].includes(e.kind) ? null : button("That was wrong", () => go("wrong", { entry: e }), { "data-stay": `wrong-${e.id}` })))) : "");
}

/** What changes with the seconds, and nothing else. */
function tick() {
  const c = current();
  for (const strip of document.querySelectorAll(".strip")) {
    const one = cases.find((k) => k.id === strip.dataset.case);
    const text = one ? stripText(one) : "";
    if (strip.lastChild.textContent !== text) strip.lastChild.textContent = text;
  }
  $("elapsed").textContent = c?.zero && !["closed", "withdrawn"].includes(c.phase) ? clockText(seconds(c)) : "";
  let due = null;
  for (const one of cases) {
    if (one.phase !== "testing") continue;
    const next = upNext(one);
    if (next?.due && next.role === "target") due = `${one.id}/${next.planned}`;
  }
  document.body.classList.toggle("due", cues.colour && screen.name === "case" && c?.phase === "testing" && !!upNext(c)?.due);
  if (due && due !== knocked) { knocked = due; knock(); }
  if (screen.name === "case" && c?.phase === "testing") tickTests(c);
}

// The case ---------------------------------------------------------------------------------------

const SCREENS = {
  case: caseScreen, new: newScreen, more: moreScreen, overview: overviewScreen, wrong: wrongScreen, scale: scaleScreen, ask: askScreen,
  event: eventScreen, supplement: supplementScreen, study: studyScreen, training: trainingScreen, told: toldScreen, mixing: mixingScreen, screening: screeningScreen, pair: pairScreen, drill: drillScreen, pin: () => pinScreen(() => go("more")),
};

function caseScreen() {
  const c = current();
  if (!c) return [h("h1", {}, "No case is running."), h("p", {}, "Open one with New case, once the patient has agreed.")];
  return (PHASES[c.phase] ?? PHASES.closed)(c);
}

const PHASES = {
  baseline(c) {
    const role = c.roles.find((r) => !c.baseline[r]);
    return [h("h1", {}, `Cold on ${tooth(c, role)}, before the injection.`), responses((response) => tap("baseline", { tooth_role: role, response }, c.id)), aside(c)];
  },
  not_testable: (c) => [h("h1", {}, `Tooth ${c.told.tooth} does not feel the cold: it cannot be tested.`), h("p", {}, "Nothing is injected for the study. Treat as you would otherwise."), finish(c)],
  waiting: (c) => [h("h1", {}, "Waiting for the cartridge."), h("p", {}, "Whoever mixes is told. This page will say when it is prepared."),
    may.mixing && setup.watching && preparedLast() ? big(`As last time: ${preparedLast()}`, () => prepareAsLast(c.id, drawMixing)) : null,
    may.mixing ? h("div", { class: "row" }, button("Enter what is prepared", () => go("mixing"), { class: "full", "data-key": "Enter" })) : null, aside(c)],
  prepared: (c) => setup.watching ? [h("h1", {}, "Tap when the injection has ended."), big("Injected", () => tap("injection_end", {}, c.id)), aside(c)] : [h("h1", {}, "Prepared. Tap as the needle goes in."), big("Needle in", () => tap("injection_start", {}, c.id)), aside(c)],
  injecting: (c) => [h("h1", {}, "Tap when the last planned injection has ended."), big("Injection ended", () => tap("injection_end", {}, c.id)), aside(c)],
  testing: testing,
  complete: (c) => setup.watching ? watched(c) : [line(c), h("h1", {}, "Tests complete. Test the tooth and ask before treating."), h("div", { class: "row" },
    button("Treatment starts", () => tap("treatment_start", {}, c.id), { class: "full", "data-key": "Enter", "data-stay": "treat" }),
    button("Supplemental injection", () => go("supplement"), { "data-stay": "supplement" })), asked(c), aside(c)],
  treated: (c) => [h("h1", {}, missing(c).length ? "Still to ask" : "All is entered."), asked(c), c.first.treatment_end ? null : h("div", { class: "row" }, button("Treatment ended", () => tap("treatment_end", {}, c.id))), finish(c), aside(c)],
  withdrawn: (c) => [h("h1", {}, "Broken off."), asked(c), finish(c)],
  closed: (c) => [h("h1", {}, `${c.id} is finished.`), h("p", {}, "Entries can still be corrected below; later events are entered under More."), aside(c)],
};

/** The third of three taps. */
const watched = (c) => [h("h1", {}, "Tests complete. Test the tooth and ask before treating."), h("div", { class: "answers" },
  button("No supplement", () => close(c), { "data-key": "Enter", "data-stay": "none" }), button("Supplement", () => go("supplement"), { "data-stay": "supplement" })), aside(c)];
const close = (c) => { tap("closed", {}, c.id); selected = ""; home(); };

const big = (text, onclick) => h("div", { class: "answers" }, h("button", { type: "button", class: "full", "data-key": "Enter", "data-stay": "big", onclick }, text));

function testing(c) {
  const next = upNext(c);
  if (!next) return PHASES.complete(c);
  return [line(c), h("h1", { id: "next" }, ""), responses((response) => answerTest(c.id, response)),
    h("div", { class: "row" }, button("Could not test", () => answerTest(c.id, "not_done"), { class: "quiet", id: "not-done" })), asked(c), aside(c)];
}

function answerTest(id, response) {
  const c = cases.find((k) => k.id === id), next = upNext(c);
  if (!next?.open) { say("Not yet due."); return; }
  tap("test", { planned_min: next.planned, tooth_role: next.role, response }, id);
  say(`${tooth(c, next.role)} ${words(response)}`);
}

function tickTests(c) {
  const minute = seconds(c) / 60, next = upNext(c), head = $("next");
  if (!next || !head) { if (!next !== !head) draw(); return; }
  const both = c.roles.length > 1 && next.role === "target" ? `${tooth(c, "target")}, then ${c.told.control_tooth ?? "the control tooth"},` : `${tooth(c, next.role)}`;
  const when = !next.due ? `at ${minuteText(next.planned)}, in ${Math.ceil(next.wait_s)} s` : next.late_s < LATE_S ? `now (${minuteText(next.planned)})` : `now, ${clockText(next.late_s)} after ${minuteText(next.planned)}`;
  const text = `Test ${both} ${when}.`;
  if (head.textContent !== text) head.textContent = text;
  for (const b of document.querySelectorAll("[data-answer], #not-done")) if (b.disabled === next.open) b.disabled = !next.open;
  moveMark(c, minute);
  const key = marks(c, setup, minute).map((m) => m.mark).join();
  if (key !== $("line")?.dataset.marks) { $("line")?.replaceWith(line(c)); moveMark(c, minute); }
}

const lineWidth = () => Math.max(300, Math.min(1076, innerWidth - 24));
const place = (minute) => 20 + ((lineWidth() - 40) * Math.min(minute, lastMinute())) / lastMinute();
const lastMinute = () => setup.tests_min.at(-1) + 1;

function line(c) {
  const minute = seconds(c) / 60, own = marks(c, setup, minute);
  const told = own.filter((m) => m.mark === "done").length;
  return h("svg", { id: "line", class: "line", viewBox: `0 0 ${lineWidth()} 64`, role: "img", "data-marks": own.map((m) => m.mark).join() },
    h("title", {}, `${told} of ${own.length} planned tests answered`),
    h("line", { class: "axis", x1: 20, x2: lineWidth() - 20, y1: 30, y2: 30 }),
    own.map((m) => h("circle", { class: `tick ${m.mark}`, cx: place(m.planned), cy: 30, r: m.mark === "next" ? 10 : 6 })),
    labelled(own).map((planned) => h("text", { x: place(planned), y: 61 }, String(planned))),
    h("line", { class: "now", id: "now", x1: 20, x2: 20, y1: 8, y2: 44 }));
}

/** Minutes that can be written without touching each other. */
function labelled(own) {
  const shown = [];
  for (const { planned } of own) if (!shown.length || place(planned) - place(shown.at(-1)) >= 36) shown.push(planned);
  return shown;
}

function moveMark(c, minute) {
  const x = place(minute).toFixed(1), mark = $("now");
  if (mark && mark.getAttribute("x1") !== x) { mark.setAttribute("x1", x); mark.setAttribute("x2", x); }
}

/** What is still to be asked, now: nothing about the treatment before it began. */
function missing(c) {
  return setup.after.filter((f) => c.told[f.name] === undefined && (f.name !== "lip_numb" || setup.lip_blocks.includes(c.told.technique)));
}

function asked(c) {
  const open = missing(c).filter((f) => c.phase === "treated" || !f.late);
  return open.length ? h("div", { class: "row" }, open.map((f) => button(f.question, () => go(f.kind === "pain" || f.kind === "anxiety" ? "scale" : "ask", { field: f }), { "data-stay": f.name, class: "quiet" }))) : null;
}

function finish(c) {
  const left = c.zero ? missing(c).length : 0;
  return h("div", { class: "row" }, button(left ? `Finish without ${left} answer${left > 1 ? "s" : ""}` : "Finish the case", () => close(c), { class: left ? "quiet" : "full", "data-stay": "finish" }));
}

function aside(c) {
  const over = ["closed", "withdrawn"].includes(c.phase), testing = !!c.zero && c.phase === "testing" && !!upNext(c);
  return h("div", { class: "row" },
    testing ? button("Treatment starts", () => tap("treatment_start", {}, c.id), { class: "quiet", "data-stay": "treat" }) : null,
    testing || (c.zero && c.phase === "treated") ? button("Supplemental injection", () => go("supplement"), { class: "quiet", "data-stay": "supplement" }) : null,
    button("Something happened", () => go("event"), { class: "quiet", "data-stay": "event" }),
    over ? null : button("Break off", () => go("ask", { field: { question: "Break the case off?", kind: "confirm", answers: [["yes", "Yes, break off"], ["no", "No, go on"]] } }), { class: "quiet", "data-stay": "break" }));
}

// Other screens ----------------------------------------------------------------------------------

const backRow = () => h("div", { class: "row" }, button("Back", home, { class: "quiet", "data-key": "Escape" }));
function newScreen() {
  if (!draft()) { screen = { name: "case" }; return caseScreen(); }
  const first = !draft().asked.length;
  return [...wizard(setup, () => { draw(); $("task").focus({ preventScroll: true }); }, (id) => queueMicrotask(() => select(id))),
    first ? h("div", { class: "row" }, button("Assessed, not included", () => { dropDraft(); notIncluded(); }, { class: "quiet" })) : null];
}
function askScreen() {
  const { field: f } = screen, c = current();
  const take = (code) => { if (f.kind === "confirm") { if (code === "yes") tap("withdrawn", {}, c.id); } else tap("recorded", { [f.name]: code }, c.id); home(); };
  return [h("h1", {}, f.question), choices(f.answers, take), backRow()];
}
function scaleScreen() {
  const { field: f } = screen, c = current();
  const scale = f.kind === "pain" ? setup.pain_scale : setup.anxiety_scale;
  return [h("h1", {}, f.question), scoreField(f, scale, (value) => { tap("recorded", { [f.name]: value }, c.id); home(); }), backRow()];
}
function eventScreen() {
  const c = current();
  if (!screen.kind) return [h("h1", {}, "What happened?"), choices(setup.adverse_events, (kind) => go("event", { kind })), backRow()];
  return [h("h1", {}, "Was it serious?"), h("p", {}, "Death, danger to life, hospital, lasting harm, or medically important by your local rules."),
    choices(setup.serious, (serious) => { tap("adverse_event", { kind: screen.kind, serious }, c.id); home(); }), backRow()];
}
function supplementScreen() {
  const c = current();
  if (!screen.technique) return [h("h1", {}, "Which supplemental injection?"), choices(setup.supplements, (technique) => go("supplement", { technique })), backRow()];
  return [h("h1", {}, "How much, mL?"), choices([0.2, 0.45, 0.9, 1.7, 1.8, 2.2].map((v) => [v, `${v} mL`]), (volume_ml) => {
    tap("supplement", { technique: screen.technique, volume_ml, ...(c.told.agent ? { agent: c.told.agent } : {}) }, c.id);
    if (setup.watching) close(c);
    else home();
  }), backRow()];
}
function wrongScreen() {
  const { entry } = screen, c = current();
  const fix = (instead, reason) => { tap("correction", instead ? { reason, instead } : { reason, instead: null }, entry.case_id, entry.id); home(); };
  const other = ["test", "baseline"].includes(entry.kind) ? RESPONSES.filter(([code]) => code !== entry.payload.response) : [];
  return [h("h1", {}, `“${SAID[entry.kind](entry.payload, c)}” was wrong.`), h("p", {}, "The entry stays in the store; a correction takes its place."),
    choices([...other.map(([code, text]) => [code, `It was: ${text.toLowerCase()}`]), ["", "It did not happen; take it out"]],
      (code) => (code ? fix({ ...entry.payload, response: code }, "tapped the other answer") : fix(null, "did not happen"))), backRow()];
}
function moreScreen() {
  const toggle = (name, text) => button(text, () => { cues.toggle(name); draw(); }, { "aria-pressed": String(cues[name]), "data-stay": name });
  const root = document.documentElement.dataset;
  const put = (name, value) => { localStorage[name] = root[name] = value; draw(); };
  return [h("h1", {}, setup.title), setup.practising ? h("p", { class: "mark" }, "Practice: invented patients, kept apart.") : null,
    h("div", { class: "row" }, button("Overview", () => go("overview"), { "data-stay": "overview" }), may.study ? button("Pause, unblinding", () => go("study"), { "data-stay": "study" }) : null,
      setup.practising ? button("Train whoever tests", () => go("training"), { "data-stay": "training" }) : null,
      setup.practising && may.mixing ? button("Mixing drill", () => go("drill"), { "data-stay": "drill" }) : null,
      setup.paired_roles?.length ? button("Pair a tablet", () => go("pair"), { "data-stay": "pair" }) : null,
      button("Assessed, not included", notIncluded, { "data-stay": "screening" }),
      may.mixing ? button("What is prepared", () => go("mixing"), { "data-stay": "mixing" }) : null),
    h("h2", {}, "When a test is due"), h("div", { class: "row" }, toggle("colour", "Warm paper"), toggle("sound", "Knock"), toggle("vibration", "Vibration")),
    h("h2", {}, "This device"), h("div", { class: "row" },
      button(root.hand === "left" ? "Left hand" : "Right hand", () => put("hand", root.hand === "left" ? "right" : "left"), { "data-stay": "hand" }),
      button(`Paper: ${root.theme ?? "as the device"}`, () => put("theme", root.theme === "dark" ? "light" : "dark"), { "data-stay": "theme" }),
      ...pinButtons(() => go("pin"))),
    h("p", { class: "second" }, "Keys: F felt, N not felt, Enter the main button, 1 to 9 a choice, Escape back."), backRow()];
}
function overviewScreen() {
  if (!screen.told) { request("/api/overview").then((told) => { if (told && screen.name === "overview") { screen.told = told; draw(); } }); return [h("h1", {}, "One moment."), backRow()]; }
  const o = screen.told, row = (name, value) => h("tr", {}, h("th", { scope: "row" }, name), h("td", {}, value));
  return [h("h1", {}, `${o.injected} case${o.injected === 1 ? "" : "s"} recorded`), h("table", {}, h("tbody", {},
    row(`Injected in ${o.quarter}`, o.planned_quarter ? `${o.injected_quarter}; about ${o.planned_quarter} were expected in a quarter` : String(o.injected_quarter)),
    row("Assessed", `${o.assessed}; not included: ${o.not_included.map(([why, n]) => `${n} × ${why.toLowerCase()}`).join(", ") || "nobody"}`),
    row("Planned tests", `${o.tests_answered} answered, ${o.tests_not_done} missed`),
    row("Not finished", o.not_closed.join(", ") || "none"),
    row("Something is missing", o.incomplete.length ? o.incomplete.map(([id, names]) => h("div", {}, `${id}: ${names.map((n) => field(n)?.question ?? n).join(" · ")}`)) : "none"),
    row("Follow-up call due", o.follow_up_due.join(", ") || "none"))),
  may.study && o.follow_up_due.length ? choices(o.follow_up_due.map((id) => [id, `Call made: ${id}`]), (id) => { tap("followed_up", {}, id); send().then(() => go("overview")); }) : null,
  o.decides.length ? [h("h2", {}, "What will decide"), h("ul", { id: "decides" }, o.decides.map((text) => h("li", {}, text)))] : null,
  h("p", { class: "second" }, "Results are not shown while the study runs."), backRow()].flat();
}
const ROLES = { tester: "Whoever tests", treating: "Whoever treats", mixer: "Whoever mixes", alone: "One clinician, for everything" };
const REASONS = [["serious event", "A serious event"], ["records doubtful", "The records are doubtful"], ["supply", "No supply"], ["other", "Another reason"]];
function studyScreen() {
  const c = current();
  if (screen.ask === "pause") return [h("h1", {}, "Why is the study paused?"), choices(REASONS, (reason) => { tap("paused", { reason }); home(); }), backRow()];
  if (screen.ask === "unblind") {
    return [h("h1", {}, "Unblind ", h("span", { class: "whole" }, `${c.id}?`)), h("p", {}, "Only where the patient's care depends on it. It is logged, with the reason, before it is told."),
      choices([["care depends on it", "Care depends on it"], ["authority asks", "An authority asks"]], async (reason) => {
        go("told", { told: await request("/api/unblind", { entry: entryNow("unblinded", { reason }, c.id, { at_wall: utc() }) }) });
      }), backRow()];
  }
  return [h("h1", {}, state.paused ? `Paused: ${state.paused}` : "The study is running."), h("div", { class: "row" },
    state.paused ? button("Go on", () => { tap("resumed", { reason: "reviewed" }); home(); }) : button("Pause: no new cases", () => go("study", { ask: "pause" })),
    c && setup.role !== "alone" ? button("Emergency unblinding", () => go("study", { ask: "unblind" })) : null), backRow()];
}
function toldScreen() {
  const t = screen.told;
  return [h("h1", {}, t ? `${t.case_id}: ${t.label}` : "Nothing was told."), h("p", {}, t ? `${t.preparation}. Do not tell whoever tests.` : state.why || "The computer does not answer, or nothing was prepared. Open the sealed envelope of the case."), backRow()];
}
function trainingScreen() { return [...training(() => { if (screen.name === "training") draw(); }), backRow()]; }
const notIncluded = () => { beginScreening(); go("screening"); };
function screeningScreen() { return [...screening(setup, () => { if (screen.name === "screening") draw(); }), backRow()]; }
function pairScreen() {
  if (screen.asked) return [h("h1", {}, screen.asked === "made" ? "The code stands in the window of the recorder." : "No code was made."), h("p", {}, screen.asked === "made" ? "It pairs one tablet, within ten minutes. Open the address beside it there, and type the code." : state.why || "The computer does not answer."), backRow()];
  return [h("h1", {}, "Who will use the tablet?"), choices(setup.paired_roles.map((role) => [role, ROLES[role]]), async (role) => go("pair", { asked: await request("/api/pairing", { role }) ? "made" : "none" })), backRow()];
}
function drillScreen() { return [...drill(() => { if (screen.name === "drill") draw(); }), backRow()]; }
function mixingScreen() { return [...mixingFor(setup, drawMixing), backRow()]; }

function key(event) {
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
  const typing = event.target.matches?.("input");
  if (typing && event.key !== "Escape") return;
  if (event.key === "Enter" && event.target.matches?.("button")) return;
  const found = document.querySelector(`[data-key="${CSS.escape(event.key.length === 1 ? event.key.toLowerCase() : event.key)}"]:not(:disabled)`);
  if (found) { event.preventDefault(); found.click(); }
}
