// A case, one task at a time: what is shown and tapped in each of its phases.
import { tap } from "/log.js";
import { clockText, LATE_S, minuteText } from "/flow.js";
import { $, button, h, responses, row, say } from "/parts.js";
import { preparedLast, prepareAsLast } from "/mixing.js";
import { at, close, current, drawIf, drawMixing, go, seconds, upNext } from "/at_hand.js";
import { line, tickLine } from "/clock_line.js";
import { felt, tooth } from "/words.js";

export function caseScreen() {
  const c = current();
  if (!c) return [h("h1", {}, "No case is running."), h("p", {}, "Open one with New case, once the patient has agreed.")];
  return (PHASES[c.phase] ?? PHASES.closed)(c);
}

const PHASES = {
  baseline(c) {
    const role = c.roles.find((r) => !c.baseline[r]);
    return [
      h("h1", {}, `Cold on ${tooth(c, role)}, before the injection.`),
      responses((response) => tap("baseline", { tooth_role: role, response }, c.id)),
      aside(c),
    ];
  },
  not_testable: (c) => [
    h("h1", {}, `Tooth ${c.told.tooth} does not feel the cold: it cannot be tested.`),
    h("p", {}, "Nothing is injected for the study. Treat as you would otherwise."),
    finish(c),
  ],
  waiting(c) {
    const { may, setup } = at;
    return [
      h("h1", {}, "Waiting for the cartridge."),
      h("p", {}, "Whoever mixes is told. This page will say when it is prepared."),
      may.mixing && setup.watching && preparedLast()
        ? big(`As last time: ${preparedLast()}`, () => prepareAsLast(c.id, drawMixing))
        : null,
      may.mixing
        ? row(button("Enter what is prepared", () => go("mixing"), { class: "full", "data-key": "Enter" }))
        : null,
      aside(c),
    ];
  },
  prepared(c) {
    const [words, name, kind] = at.setup.watching
      ? ["Tap when the injection has ended.", "Injected", "injection_end"]
      : ["Prepared. Tap as the needle goes in.", "Needle in", "injection_start"];
    return [h("h1", {}, words), big(name, () => tap(kind, {}, c.id)), aside(c)];
  },
  injecting: (c) => [
    h("h1", {}, "Tap when the last planned injection has ended."),
    big("Injection ended", () => tap("injection_end", {}, c.id)),
    aside(c),
  ],
  testing(c) {
    if (!upNext(c)) return PHASES.complete(c);
    return [
      line(c),
      h("h1", { id: "next" }, ""),
      responses((response) => answerTest(c.id, response)),
      row(button("Could not test", () => answerTest(c.id, "not_done"), { class: "quiet", id: "not-done" })),
      asked(c),
      aside(c),
    ];
  },
  complete(c) {
    if (at.setup.watching) return watched(c);
    return [
      line(c),
      h("h1", {}, COMPLETE),
      row(
        button("Treatment starts", () => tap("treatment_start", {}, c.id), { class: "full", "data-key": "Enter", "data-stay": "treat" }),
        button("Supplemental injection", () => go("supplement"), { "data-stay": "supplement" })),
      asked(c),
      aside(c),
    ];
  },
  treated: (c) => [
    h("h1", {}, missing(c).length ? "Still to ask" : "All is entered."),
    asked(c),
    c.first.treatment_end ? null : row(button("Treatment ended", () => tap("treatment_end", {}, c.id))),
    finish(c),
    aside(c),
  ],
  withdrawn: (c) => [h("h1", {}, "Broken off."), asked(c), finish(c)],
  closed: (c) => [
    h("h1", {}, `${c.id} is finished.`),
    h("p", {}, "Entries can still be corrected below; later events are entered under More."),
    aside(c),
  ],
};
const COMPLETE = "Tests complete. Test the tooth and ask before treating.";

/** The third of three taps. */
const watched = (c) => [
  h("h1", {}, COMPLETE),
  h("div", { class: "answers" },
    button("No supplement", () => close(c), { "data-key": "Enter", "data-stay": "none" }),
    button("Supplement", () => go("supplement"), { "data-stay": "supplement" })),
  aside(c),
];

const big = (text, onclick) => h("div", { class: "answers" },
  h("button", { type: "button", class: "full", "data-key": "Enter", "data-stay": "big", onclick }, text));

// Tests ------------------------------------------------------------------------------------------

function answerTest(id, response) {
  const c = at.cases.find((k) => k.id === id), next = upNext(c);
  if (!next?.open) { say("Not yet due."); return; }
  tap("test", { planned_min: next.planned, tooth_role: next.role, response }, id);
  say(`${tooth(c, next.role)} ${felt(response)}`);
}

/** What changes with the seconds while a case is tested. */
export function tickTests(c) {
  const next = upNext(c), head = $("next");
  if (!next || !head) {
    if (!next !== !head) drawIf("case");
    return;
  }
  const text = `Test ${which(c, next)} ${when(next)}.`;
  if (head.textContent !== text) head.textContent = text;
  for (const b of document.querySelectorAll("[data-answer], #not-done")) if (b.disabled === next.open) b.disabled = !next.open;
  tickLine(c);
}

function which(c, next) {
  if (c.roles.length === 1 || next.role !== "target") return tooth(c, next.role);
  return `${tooth(c, "target")}, then ${c.told.control_tooth ?? "the control tooth"},`;
}

function when(next) {
  const planned = minuteText(next.planned);
  if (!next.due) return `at ${planned}, in ${Math.ceil(next.wait_s)} s`;
  return next.late_s < LATE_S ? `now (${planned})` : `now, ${clockText(next.late_s)} after ${planned}`;
}

// What stands below the task ---------------------------------------------------------------------

/** What is still to be asked, now: nothing about the treatment before it began. */
function missing(c) {
  const lip = at.setup.lip_blocks.includes(c.told.technique);
  return at.setup.after.filter((f) => c.told[f.name] === undefined && (f.name !== "lip_numb" || lip));
}

function asked(c) {
  const open = missing(c).filter((f) => c.phase === "treated" || !f.late);
  const screen = (f) => (f.kind === "pain" || f.kind === "anxiety" ? "scale" : "ask");
  const ask = (f) => button(f.question, () => go(screen(f), { field: f }), { "data-stay": f.name, class: "quiet" });
  return open.length ? row(open.map(ask)) : null;
}

function finish(c) {
  const left = c.zero ? missing(c).length : 0;
  const words = left ? `Finish without ${left} answer${left > 1 ? "s" : ""}` : "Finish the case";
  return row(button(words, () => close(c), { class: left ? "quiet" : "full", "data-stay": "finish" }));
}

const BREAK_OFF = { question: "Break the case off?", kind: "confirm", answers: [["yes", "Yes, break off"], ["no", "No, go on"]] };

function aside(c) {
  const over = ["closed", "withdrawn"].includes(c.phase), testing = !!c.zero && c.phase === "testing" && !!upNext(c);
  const quiet = (text, onclick, stay) => button(text, onclick, { class: "quiet", "data-stay": stay });
  return row(
    testing ? quiet("Treatment starts", () => tap("treatment_start", {}, c.id), "treat") : null,
    testing || (c.zero && c.phase === "treated") ? quiet("Supplemental injection", () => go("supplement"), "supplement") : null,
    quiet("Something happened", () => go("event"), "event"),
    over ? null : quiet("Break off", () => go("ask", { field: BREAK_OFF }), "break"));
}
