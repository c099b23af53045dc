// Opening a case: one question at a time, what the protocol asks and nothing else.
import { asMade, isCode, newCode } from "/codes.js";
import { request, tap } from "/log.js";
import { button, choices, h, numberField, row, say, scoreField, textField, toothChart } from "/parts.js";

const USUAL = { agent_percent: [2, 4, 3, 0.5], vasoconstrictor_dilution: [100000, 200000, 80000, 50000], cartridge_ml: [1.7, 1.8, 2.2] };
const REMEMBERED = ["agent", "agent_percent", "vasoconstrictor", "vasoconstrictor_dilution", "cartridge_ml", "clinician_id"];

/** The draft of a new case; kept for this tab, so that a reload goes on where it was. */
export function draft() {
  return sessionStorage.draft ? JSON.parse(sessionStorage.draft) : null;
}
const save = (d) => { sessionStorage.draft = JSON.stringify(d); };
export const dropDraft = () => { delete sessionStorage.draft; };

export function begin(setup) {
  const d = { case_id: newCode(setup.practice), patient_id: newCode(setup.practice), told: {}, asked: [], primary: false };
  if (setup.watching) asLittleAsCanBe(d, setup);
  save(d);
}

/** While only watching, what was used last time is used again, and nothing is asked that need not be. */
function asLittleAsCanBe(d, setup) {
  d.told.patient_id = d.patient_id;
  d.asked.push("patient_id");
  for (const f of setup.before) {
    const last = localStorage[`last_${f.name}`];
    if (REMEMBERED.includes(f.name) && last) d.told[f.name] = JSON.parse(last);
    else if (f.required || REMEMBERED.includes(f.name)) continue;
    else if (f.name === "period") d.told.period = "1";
    d.asked.push(f.name);
  }
}

function needed(field, told) {
  if (field.name === "vasoconstrictor_dilution") return told.vasoconstrictor && !["none", "felypressin"].includes(told.vasoconstrictor);
  return true;
}

function next(d, setup) {
  for (const field of setup.before) {
    if (d.asked.includes(field.name) || !needed(field, d.told)) continue;
    if (field.answers.length === 1) { d.told[field.name] = field.answers[0][0]; d.asked.push(field.name); continue; }
    return field;
  }
  return null;
}

/** The question of the draft; `again` draws the page anew, `opened` is told the code of the case. */
export function wizard(setup, again, opened) {
  const d = draft();
  const field = next(d, setup);
  const answer = (value) => {
    d.told[field.name] = value; // null: it was asked, and skipped
    d.asked.push(field.name);
    save(d);
    again();
  };
  const back = button("Back", () => {
    const gone = d.asked.pop();
    if (!gone) dropDraft();
    else { delete d.told[gone]; save(d); }
    again();
  }, { class: "quiet", "data-key": "Escape" });
  if (!field) {
    dropDraft();
    tap("case_opened", d.told, d.case_id);
    for (const name of REMEMBERED) if (d.told[name] != null) localStorage[`last_${name}`] = JSON.stringify(d.told[name]);
    opened(d.case_id);
    return [];
  }
  const remembered = REMEMBERED.includes(field.name) ? asLastTime(d, setup) : null;
  if (remembered) {
    return [
      h("h1", {}, "As last time?"),
      h("p", {}, remembered.map(([f, v]) => label(f, v)).join(", ")),
      row(
        button("Yes, as last time", () => {
          for (const [f, v] of remembered) { d.told[f.name] = v; d.asked.push(f.name); }
          save(d);
          again();
        }, { class: "full", "data-key": "Enter" }),
        button("No, ask me", () => { d.change = true; save(d); again(); }), back),
    ];
  }
  const skip = field.required || field.name === "patient_id" ? null : button("Skip", () => answer(null), { class: "quiet" });
  return [
    h("h1", { id: "question" }, field.question),
    h("p", { id: "hint", class: "second" }, ""),
    body(field, d, setup, answer, again),
    row(skip, back),
  ];
}

function asLastTime(d, setup) {
  if (d.change) return null;
  const fields = setup.before.filter((f) => REMEMBERED.includes(f.name) && !d.asked.includes(f.name) && f.answers.length !== 1);
  const found = fields.map((f) => [f, localStorage[`last_${f.name}`] && JSON.parse(localStorage[`last_${f.name}`])]);
  const known = found.filter(([f, v]) => v !== undefined && (!f.answers.length || f.answers.some(([code]) => code === v)));
  return known.length && fields.every((f) => !f.required || known.some(([k]) => k === f)) ? known : null;
}

function label(field, value) {
  const words = field.answers.find(([code]) => code === value)?.[1] ?? String(value);
  const labels = {
    agent_percent: `${words} %`, vasoconstrictor_dilution: `1:${words}`, cartridge_ml: `${words} mL`, clinician_id: `operator ${words}`,
  };
  return labels[field.name] ?? words;
}

/** Which injection of the patient it is: known, or to be asked. */
function injection(d, setup, period) {
  d.asked = d.asked.filter((name) => name !== "period");
  delete d.told.period;
  if (period && setup.before.some((f) => f.name === "period")) { d.told.period = period; d.asked.push("period"); }
}

/** A second visit: the computer knows the washout and which injection it is; where it does not answer, the page asks. */
async function byCard(d, setup, code, answer) {
  const told = await request("/api/card", { code });
  if (!document.getElementById("card") || draft()?.case_id !== d.case_id) return;
  if (told?.why) { say(`No case today: ${told.why}.`); document.getElementById("hint").className = "mark"; return; }
  injection(d, setup, told?.period);
  answer(code);
}

function body(field, d, setup, answer, again) {
  if (field.name === "patient_id") {
    return h("div", {},
      row(button(`New patient: ${d.patient_id}`, () => {
        injection(d, setup, "1");
        answer(d.patient_id);
      }, { class: "full", "data-key": "Enter" })),
      h("p", { class: "second" }, "Write this code on the patient's card. No name is needed, or wanted."),
      textField("card", "Or the code on the card, for a patient who was here before", "", (text) => {
        const code = asMade(text, setup.practice);
        if (isCode(code)) byCard(d, setup, code, answer);
        else say("This code is mistyped: its last sign does not fit.");
      }));
  }
  if (field.kind === "tooth") {
    return h("div", {}, toothChart(setup, d.primary, answer),
      button(d.primary ? "Permanent teeth" : "Primary teeth", () => { d.primary = !d.primary; save(d); again(); }, { class: "quiet" }));
  }
  if (field.answers.length) return choices(field.answers, answer);
  if (field.kind === "pain" || field.kind === "anxiety") {
    return scoreField(field, field.kind === "pain" ? setup.pain_scale : setup.anxiety_scale, answer);
  }
  if (field.kind === "number") return numberField(field, USUAL[field.name] ?? [], answer);
  return textField(field.name, field.question, "", (text) => answer(text));
}
