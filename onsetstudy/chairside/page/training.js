// Training of those who test, in practice: everybody answers one recorded sequence of invented moments, alone; then how
// far two agree, and on what they have to talk. The computer tells nobody another's answers before all own are given.
import { request, send, state, tap } from "/log.js";
import { $, button, h, responses, row, textField } from "/parts.js";

const WORD = { felt: "felt", not_felt: "not felt" };
let assessor = "", sequence = "", told = null, place = 0, asking = 0, refused = "", queue = Promise.resolve();

/** The training, as elements; `again` draws it anew, if it is still what is on the screen. */
export function training(again) {
  const turn = () => { again(); if (shown()) $("task").focus({ preventScroll: true }); };
  if (!told || (place >= told.moments.length && !told.finished)) {
    if (!asking) load(turn);
    return [title(told ? "Your answers are being written." : state.why || (state.away ? "The computer does not answer." : "One moment."))];
  }
  return (!assessor ? who : told.finished ? result : moment)(turn);
}

const shown = () => document.querySelector("[data-training]") !== null;
const title = (text) => h("h1", { "data-training": true }, text);

/** Ask for a sequence once all that was tapped is written; again in a second while it is not, or nobody answers. */
function load(turn) {
  asking += 1;
  queue = queue.then(async () => {
    await send();
    const fresh = await request(`/api/training?${new URLSearchParams({ assessor, sequence })}`);
    told = fresh ?? told;
    sequence = told?.sequence ?? sequence;
    if (!fresh && state.why && !place) [refused, assessor] = [state.why, ""];
    asking -= 1;
    if (fresh && (fresh.finished || place < fresh.moments.length)) turn();
    else setTimeout(() => shown() && turn(), 1000);
  });
  return queue;
}

function who(turn) {
  const about = `Sequence ${told.sequence}: ${told.moments.length} moments of an invented patient. `
    + "Whoever is compared answers the same one, alone, and without having talked about it.";
  return [title("Who trains?"),
    h("p", {}, about),
    textField("assessor", "Code of whoever tests, no name", "", (code) => {
      [assessor, refused] = [code.toUpperCase(), ""];
      begin(told.sequence, turn);
    }),
    refused ? h("p", { class: "mark" }, `${refused[0].toUpperCase()}${refused.slice(1)}.`) : null,
    row(button(`Take sequence ${told.following}`, () => begin(told.following, turn), { class: "quiet", "data-stay": "another" }))];
}

function moment(turn) {
  const answer = (response) => {
    place += 1;
    tap("trained", { assessor, sequence: told.sequence, moment: place, response });
    turn();
    if (place < told.moments.length) $("heard").textContent = `${WORD[response]}. ${told.moments[place]}`;
  };
  const back = () => {
    place -= 1;
    turn();
  };
  return [
    h("p", { class: "second moment" }, `Moment ${place + 1} of ${told.moments.length}. The cold is on the tooth.`),
    title(told.moments[place]),
    responses(answer),
    place ? row(button("The one before, again", back, { class: "quiet", "data-key": "Backspace" })) : null,
  ];
}

function result(turn) {
  const pairs = told.agreements, go = (name) => { assessor = ""; begin(name, turn); };
  const way = (first) => (first ? { class: "full", "data-key": "Enter" } : { class: "quiet" });
  return [title(pairs.length ? `Sequence ${told.sequence}: ${pairs.map((a) => `${a.alike} of ${a.n} alike`).join(", ")}` : "Done."),
    h("p", { id: "next-step" }, told.next_step), ...pairs.flatMap((a) => pair(a)),
    row(
      button("Next person", () => go(told.sequence), way(!pairs.length)),
      button(`Take sequence ${told.following}`, () => go(told.following), way(pairs.length)))];
}

function pair(a) {
  const per = (x) => Math.round(100 * x);
  const alike = `${a.alike} of ${a.n} alike: ${per(a.alike / a.n)}\u2009% `
    + `(95\u2009% interval ${per(a.low)} to ${per(a.high)}).`;
  return [
    h("h2", {}, `${a.first} and ${a.second}`), h("p", {}, alike), h("p", {}, beyondChance(a)),
    a.apart.length ? apart(a) : null,
  ];
}

function beyondChance(a) {
  const two = (x) => x.toFixed(2).replace("-", "\u2212"), k = a.beyond_chance;
  if (!k) return `Beyond chance: not told. ${a.why_not[0].toUpperCase()}${a.why_not.slice(1)}.`;
  return `Beyond chance: ${two(k.kappa)} (${two(k.interval.low)} to ${two(k.interval.high)}), Cohen’s kappa; `
    + "0 is what chance gives, 1 is always alike.";
}

/** Moments that two answered differently. */
function apart(a) {
  const meant = (m) => (m.kind === "doubtful" ? "" : " (meant to be clear)");
  return h("table", {},
    h("caption", {}, "To talk about"),
    h("thead", {}, h("tr", {}, ["Moment", a.first, a.second].map((name) => h("th", { scope: "col" }, name)))),
    h("tbody", {}, a.apart.map((m) => h("tr", {},
      h("th", { scope: "row" }, `${m.moment}. ${m.shown}${meant(m)}`),
      h("td", {}, WORD[m.first]),
      h("td", {}, WORD[m.second])))));
}

function begin(name, turn) {
  [sequence, told, place] = [name, null, 0];
  load(turn);
  turn();
}
