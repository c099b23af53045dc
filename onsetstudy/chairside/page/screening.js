// The screening log: somebody was assessed and is not included. A reason from a list, and nothing that tells who it was.
import { tap } from "/log.js";
import { button, choices, h, row } from "/parts.js";

let noted = null;
export const beginScreening = () => { noted = null; };

/** The screening log, as elements; `again` draws it anew. */
export function screening(setup, again) {
  const note = (entry) => {
    noted = entry;
    again();
  };
  if (!noted) {
    return [
      h("h1", {}, "Why is this patient not included?"),
      h("p", { class: "second" }, "The log shows the day and the reason, and nothing that tells who it was."),
      choices(setup.screened, (reason) => note(tap("screened", { reason }))),
    ];
  }
  const words = setup.screened.find(([code]) => code === noted.payload.reason)[1];
  const wrong = () => {
    tap("correction", { reason: "tapped by mistake", instead: null }, null, noted.id);
    note(null);
  };
  return [
    h("h1", {}, `Noted: ${words.toLowerCase()}.`),
    row(button("Another patient", () => note(null)), button("That was wrong", wrong, { class: "quiet" })),
  ];
}
