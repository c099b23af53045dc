// What stands under More: the device, the overview, a pause, unblinding, pairing, training and drills.
import { entryNow, request, send, state, tap, utc } from "/log.js";
import { button, choices, cues, h, row, sentence } from "/parts.js";
import { mixingFor } from "/mixing.js";
import { pinButtons, pinScreen as setPin } from "/pin.js";
import { training } from "/training.js";
import { drill } from "/drill.js";
import { at, backRow, current, drawIf, drawMixing, go, home } from "/at_hand.js";
import { notIncluded } from "/case_screens.js";
import { question } from "/words.js";

export function moreScreen() {
  const { setup, may } = at, to = (text, name) => button(text, () => go(name), { "data-stay": name });
  return [
    h("h1", {}, setup.title),
    setup.practising ? h("p", { class: "mark" }, "Practice: invented patients, kept apart.") : null,
    row(
      to("Overview", "overview"),
      may.study ? to("Pause, unblinding", "study") : null,
      setup.practising ? to("Train whoever tests", "training") : null,
      setup.practising && may.mixing ? to("Mixing drill", "drill") : null,
      setup.paired_roles?.length ? to("Pair a tablet", "pair") : null,
      button("Assessed, not included", notIncluded, { "data-stay": "screening" }),
      may.mixing ? to("What is prepared", "mixing") : null),
    h("h2", {}, "When a test is due"),
    row(toggle("colour", "Warm paper"), toggle("sound", "Knock"), toggle("vibration", "Vibration")),
    h("h2", {}, "This device"),
    deviceRow(),
    h("p", { class: "second" }, "Keys: F felt, N not felt, Enter the main button, 1 to 9 a choice, Escape back."),
    backRow(),
  ];
}

function toggle(name, text) {
  const turn = () => {
    cues.toggle(name);
    at.draw();
  };
  return button(text, turn, { "aria-pressed": String(cues[name]), "data-stay": name });
}

function deviceRow() {
  const root = document.documentElement.dataset;
  const put = (name, value) => {
    localStorage[name] = root[name] = value;
    at.draw();
  };
  const [hand, other] = root.hand === "left" ? ["Left hand", "right"] : ["Right hand", "left"];
  const paper = root.theme === "dark" ? "light" : "dark";
  return row(
    button(hand, () => put("hand", other), { "data-stay": "hand" }),
    button(`Paper: ${root.theme ?? "as the device"}`, () => put("theme", paper), { "data-stay": "theme" }),
    ...pinButtons(() => go("pin")));
}

// The overview -----------------------------------------------------------------------------------

export function overviewScreen() {
  const { screen, may } = at;
  if (!screen.told) {
    request("/api/overview").then((told) => {
      if (!told || at.screen.name !== "overview") return;
      at.screen.told = told;
      at.draw();
    });
    return [h("h1", {}, "One moment."), backRow()];
  }
  const o = screen.told;
  const called = (id) => {
    tap("followed_up", {}, id);
    send().then(() => go("overview"));
  };
  return [
    h("h1", {}, `${o.injected} case${o.injected === 1 ? "" : "s"} recorded`),
    h("table", {}, h("tbody", {}, overviewRows(o).map(([name, value]) =>
      h("tr", {}, h("th", { scope: "row" }, name), h("td", {}, value))))),
    may.study && o.follow_up_due.length ? choices(o.follow_up_due.map((id) => [id, `Call made: ${id}`]), called) : null,
    o.decides.length
      ? [h("h2", {}, "What will decide"), h("ul", { id: "decides" }, o.decides.map((text) => h("li", {}, text)))]
      : null,
    h("p", { class: "second" }, "Results are not shown while the study runs."),
    backRow(),
  ].flat();
}

function overviewRows(o) {
  const expected = `${o.injected_quarter}; about ${o.planned_quarter} were expected in a quarter`;
  const why = o.not_included.map(([reason, n]) => `${n} × ${reason.toLowerCase()}`).join(", ");
  const asked = (names) => names.map((name) => question(name) ?? name).join(" · ");
  return [
    [`Injected in ${o.quarter}`, o.planned_quarter ? expected : String(o.injected_quarter)],
    ["Assessed", `${o.assessed}; not included: ${why || "nobody"}`],
    ["Planned tests", `${o.tests_answered} answered, ${o.tests_not_done} missed`],
    ["Not finished", o.not_closed.join(", ") || "none"],
    [
      "Something is missing",
      o.incomplete.length ? o.incomplete.map(([id, names]) => h("div", {}, `${id}: ${asked(names)}`)) : "none",
    ],
    ["Follow-up call due", o.follow_up_due.join(", ") || "none"],
  ];
}

// The study --------------------------------------------------------------------------------------

const REASONS = [
  ["serious event", "A serious event"], ["records doubtful", "The records are doubtful"], ["supply", "No supply"],
  ["other", "Another reason"],
];
const UNBLINDED_FOR = [["care depends on it", "Care depends on it"], ["authority asks", "An authority asks"]];

export function studyScreen() {
  const { screen, setup } = at, c = current();
  if (screen.ask === "pause") return [h("h1", {}, "Why is the study paused?"), choices(REASONS, pause), backRow()];
  if (screen.ask === "unblind") {
    return [
      h("h1", {}, "Unblind ", h("span", { class: "whole" }, `${c.id}?`)),
      h("p", {}, "Only where the patient's care depends on it. It is logged, with the reason, before it is told."),
      choices(UNBLINDED_FOR, (reason) => unblind(reason, c)),
      backRow(),
    ];
  }
  const closed = state.paused.startsWith("the study is closed");
  return [
    h("h1", {}, state.paused ? sentence(state.paused) : "The study is running."),
    row(
      closed ? null : state.paused ? button("Go on", goOn) : button("Pause: no new cases", () => go("study", { ask: "pause" })),
      c && setup.role !== "alone" ? button("Emergency unblinding", () => go("study", { ask: "unblind" })) : null),
    backRow(),
  ];
}

function pause(reason) {
  tap("paused", { reason });
  home();
}

function goOn() {
  tap("resumed", { reason: "reviewed" });
  home();
}

async function unblind(reason, c) {
  const entry = entryNow("unblinded", { reason }, c.id, { at_wall: utc() });
  go("told", { told: await request("/api/unblind", { entry }) });
}

export function toldScreen() {
  const t = at.screen.told;
  const away = "The computer does not answer, or nothing was prepared. Open the sealed envelope of the case.";
  return [
    h("h1", {}, t ? `${t.case_id}: ${t.label}` : "Nothing was told."),
    t?.differs ? h("p", { class: "mark" }, `${t.differs}.`) : null,
    h("p", {}, t ? `${t.preparation}. Do not tell whoever tests.` : state.why || away),
    backRow(),
  ];
}

// Tablets, and what is practised -----------------------------------------------------------------

const ROLES = { tester: "Whoever tests", treating: "Whoever treats", mixer: "Whoever mixes", alone: "One clinician, for everything" };

export function pairScreen() {
  const { asked } = at.screen;
  if (asked) {
    const made = asked === "made";
    const where = "It pairs one tablet, within ten minutes. Open the address beside it there, and type the code.";
    return [
      h("h1", {}, made ? "The code stands in the window of the recorder." : "No code was made."),
      h("p", {}, made ? where : state.why || "The computer does not answer."),
      backRow(),
    ];
  }
  const take = async (role) => go("pair", { asked: (await request("/api/pairing", { role })) ? "made" : "none" });
  const roles = at.setup.paired_roles.map((role) => [role, ROLES[role]]);
  return [h("h1", {}, "Who will use the tablet?"), choices(roles, take), backRow()];
}

export const pinScreen = () => setPin(() => go("more"));
export const trainingScreen = () => [...training(() => drawIf("training")), backRow()];
export const drillScreen = () => [...drill(() => drawIf("drill")), backRow()];
export const mixingScreen = () => [...mixingFor(drawMixing), backRow()];
