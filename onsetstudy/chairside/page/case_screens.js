// Screens that belong to a case: opening it, its questions, what happened, a supplement, and what was wrong.
import { tap } from "/log.js";
import { $, button, choices, h, RESPONSES, row, scoreField } from "/parts.js";
import { draft, dropDraft, wizard } from "/new_case.js";
import { beginScreening, screening } from "/screening.js";
import { at, backRow, close, current, drawIf, go, home, select } from "/at_hand.js";
import { caseScreen } from "/phases.js";
import { said } from "/words.js";

export function newScreen() {
  if (!draft()) {
    at.screen = { name: "case" };
    return caseScreen();
  }
  const first = !draft().asked.length;
  const again = () => {
    at.draw();
    $("task").focus({ preventScroll: true });
  };
  const leaveOut = () => {
    dropDraft();
    notIncluded();
  };
  return [
    ...wizard(at.setup, again, (id) => queueMicrotask(() => select(id))),
    first ? row(button("Assessed, not included", leaveOut, { class: "quiet" })) : null,
  ];
}

export const notIncluded = () => {
  beginScreening();
  go("screening");
};
export const screeningScreen = () => [...screening(at.setup, () => drawIf("screening")), backRow()];

export function askScreen() {
  const { field: f } = at.screen, c = current();
  const take = (code) => {
    if (f.kind !== "confirm") tap("recorded", { [f.name]: code }, c.id);
    else if (code === "yes") tap("withdrawn", {}, c.id);
    home();
  };
  return [h("h1", {}, f.question), choices(f.answers, take), backRow()];
}

export function scaleScreen() {
  const { field: f } = at.screen, c = current();
  const scale = f.kind === "pain" ? at.setup.pain_scale : at.setup.anxiety_scale;
  const take = (value) => {
    tap("recorded", { [f.name]: value }, c.id);
    home();
  };
  return [h("h1", {}, f.question), scoreField(f, scale, take), backRow()];
}

export function eventScreen() {
  const { setup, screen } = at, c = current();
  if (!screen.kind) {
    return [h("h1", {}, "What happened?"), choices(setup.adverse_events, (kind) => go("event", { kind })), backRow()];
  }
  const take = (serious) => {
    tap("adverse_event", { kind: screen.kind, serious }, c.id);
    home();
  };
  return [
    h("h1", {}, "Was it serious?"),
    h("p", {}, "Death, danger to life, hospital, lasting harm, or medically important by your local rules."),
    choices(setup.serious, take),
    backRow(),
  ];
}

const USUAL_ML = [0.2, 0.45, 0.9, 1.7, 1.8, 2.2];

export function supplementScreen() {
  const { setup, screen: { technique } } = at, c = current();
  if (!technique) {
    const take = (chosen) => go("supplement", { technique: chosen });
    return [h("h1", {}, "Which supplemental injection?"), choices(setup.supplements, take), backRow()];
  }
  const take = (volume_ml) => {
    tap("supplement", { technique, volume_ml, ...(c.told.agent ? { agent: c.told.agent } : {}) }, c.id);
    if (setup.watching) close(c);
    else home();
  };
  return [h("h1", {}, "How much, mL?"), choices(USUAL_ML.map((v) => [v, `${v} mL`]), take), backRow()];
}

export function wrongScreen() {
  const { entry } = at.screen, c = current();
  const fix = (instead, reason) => {
    tap("correction", { reason, instead }, entry.case_id, entry.id);
    home();
  };
  const other = ["test", "baseline"].includes(entry.kind) ? RESPONSES.filter(([code]) => code !== entry.payload.response) : [];
  const ways = [...other.map(([code, text]) => [code, `It was: ${text.toLowerCase()}`]), ["", "It did not happen; take it out"]];
  const take = (code) => {
    if (code) fix({ ...entry.payload, response: code }, "tapped the other answer");
    else fix(null, "did not happen");
  };
  return [
    h("h1", {}, `“${said(entry, c)}” was wrong.`),
    h("p", {}, "The entry stays in the store; a correction takes its place."),
    choices(ways, take),
    backRow(),
  ];
}
