// Training of those who test, in practice: one recorded sequence, the same for everybody, and how far two agree.
import { request, send, tap } from "/log.js";
import { button, choices, h, textField } from "/parts.js";

const MOMENTS = [
  "Raises a hand at once.", "No sign for five seconds.", "Raises a hand after three seconds.", "Says: cold, like before.",
  "Says: something, perhaps the touch.", "Flinches, then says no.", "No sign; asked, says: nothing.",
  "Raises a hand before the pellet touches the tooth.", "Says: dull, not cold.", "No sign; asked, says: yes, a little.",
  "Raises a hand and lets it sink at once.", "Says: much less than before, but cold.", "No sign; the control tooth was felt.",
  "Frowns, and raises no hand.", "Says: it begins to ache.", "No sign for five seconds, twice.",
];
let assessor = "", place = 0;

/** The training, as elements; `again` draws it anew. */
export function training(again) {
  if (!assessor) return [h("h1", {}, "Who trains?"), agreed(), textField("assessor", "Code of whoever tests, no name", "", (code) => { assessor = code; place = 0; again(); })];
  if (place < MOMENTS.length) {
    return [h("p", { class: "second" }, `The cold is on the tooth. Moment ${place + 1} of ${MOMENTS.length}.`), h("h1", {}, MOMENTS[place]),
      choices([["felt", "Felt"], ["not_felt", "Not felt"]], (response) => {
        place += 1;
        tap("trained", { assessor, moment: place, response });
        again();
      })];
  }
  return [h("h1", {}, "Done. Now somebody else."), agreed(), h("div", { class: "row" }, button("Next person", () => { assessor = ""; again(); }, { class: "full", "data-key": "Enter" }))];
}

/** A place that fills itself, so that nothing that is being typed is drawn over. */
function agreed() {
  const place = h("div", {}), per = (x) => Math.round(100 * x);
  send().then(() => request("/api/training")).then((told) => place.replaceChildren(...(told?.agreements ?? []).map((a) =>
    h("p", {}, `${a.first} and ${a.second}: ${a.alike} of ${a.n} alike (95 % interval ${per(a.low)} to ${per(a.high)} %).`))));
  return place;
}
