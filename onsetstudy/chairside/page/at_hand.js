// What the page of the chair has at hand: the protocol, the cases, the one that is shown, and the screen.
import { since, state, tap } from "/log.js";
import { nextTest } from "/flow.js";
import { $, button, row, unlessPressed } from "/parts.js";
import { freshMixing } from "/mixing.js";

/** `setup` is what the computer tells of the protocol; `draw` draws all anew, by whoever draws. */
export const at = {
  setup: null,
  may: { study: false, mixing: false },
  screen: { name: "case" },
  selected: sessionStorage.selected ?? "",
  cases: [],
  draw: () => {},
};

export const go = (name, more = {}) => {
  at.screen = { name, ...more };
  at.draw();
  $("task").focus({ preventScroll: true });
  if (name === "mixing") freshMixing();
};
export const home = () => go("case");
/** Draw anew, where one of these screens is still the one that is shown. */
export const drawIf = (...names) => unlessPressed(() => { if (names.includes(at.screen.name)) at.draw(); });
/** News of the mixing is drawn where it is shown; elsewhere a code is being typed, a score given or a word read. */
export const drawMixing = () => drawIf("case", "mixing");

export function select(id) {
  at.selected = id;
  sessionStorage.selected = id;
  home();
}

export const current = () => at.cases.find((c) => c.id === at.selected);
export const seconds = (c) => (c.zero ? since(c.zero) : 0);
export const upNext = (c) => nextTest(c, at.setup, seconds(c) / 60, state.jumped);

export const close = (c) => {
  tap("closed", {}, c.id);
  at.selected = "";
  home();
};

export const backRow = () => row(button("Back", home, { class: "quiet", "data-key": "Escape" }));
