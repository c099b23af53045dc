// The screening log: somebody was assessed and is not included. A reason from a list, and nothing that tells who it was.
import { tap } from "/log.js";
import { button, choices, h } from "/parts.js";

let noted = null;
export const beginScreening = () => { noted = null; };

/** The screening log, as elements; `again` draws it anew. */
export function screening(setup, again) {
  if (!noted) {
    return [h("h1", {}, "Why is this patient not included?"), h("p", { class: "second" }, "The log shows the day and the reason, and nothing that tells who it was."),
      choices(setup.screened, (reason) => { noted = tap("screened", { reason }); again(); })];
  }
  const words = setup.screened.find(([code]) => code === noted.payload.reason)[1];
  return [h("h1", {}, `Noted: ${words.toLowerCase()}.`), h("div", { class: "row" },
    button("Another patient", () => { noted = null; again(); }),
    button("That was wrong", () => { tap("correction", { reason: "tapped by mistake", instead: null }, null, noted.id); noted = null; again(); }, { class: "quiet" }))];
}
