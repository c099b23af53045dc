// The clock line: planned tests along the minutes since the injection, what became of each, and the minute that it is.
import { marks } from "/flow.js";
import { $, h } from "/parts.js";
import { at, seconds } from "/at_hand.js";

const apart = (text) => Math.max(36, 10 * text.length + 10); // px between two minutes that are written
const lineWidth = () => Math.max(300, Math.min(1076, innerWidth - 24));
const lastMinute = () => at.setup.schedule.tests_min.at(-1) + 1;
const place = (minute) => 20 + ((lineWidth() - 40) * Math.min(minute, lastMinute())) / lastMinute();
const keyOf = (own) => own.map((m) => m.mark).join();

export function line(c) {
  const own = marks(c, at.setup, seconds(c) / 60);
  const told = own.filter((m) => m.mark === "done").length;
  const drawn = { id: "line", class: "line", viewBox: `0 0 ${lineWidth()} 64`, role: "img", "data-marks": keyOf(own) };
  return h("svg", drawn,
    h("title", {}, `${told} of ${own.length} planned tests answered`),
    h("line", { class: "axis", x1: 20, x2: lineWidth() - 20, y1: 30, y2: 30 }),
    own.map((m) => h("circle", { class: `tick ${m.mark}`, cx: place(m.planned), cy: 30, r: m.mark === "next" ? 10 : 6 })),
    labelled(own).map((planned) => h("text", { x: place(planned), y: 61 }, String(planned))),
    h("line", { class: "now", id: "now", x1: 20, x2: 20, y1: 8, y2: 44 }));
}

/** Minutes that can be written without touching each other. */
function labelled(own) {
  const shown = [];
  for (const { planned } of own) {
    if (!shown.length || place(planned) - place(shown.at(-1)) >= apart(String(planned))) shown.push(planned);
  }
  return shown;
}

/** The minute moves on; what became of a test is drawn where it changed. */
export function tickLine(c) {
  const minute = seconds(c) / 60;
  moveMark(minute);
  if (keyOf(marks(c, at.setup, minute)) !== $("line")?.dataset.marks) {
    $("line")?.replaceWith(line(c));
    moveMark(minute);
  }
}

function moveMark(minute) {
  const x = place(minute).toFixed(1), mark = $("now");
  if (mark && mark.getAttribute("x1") !== x) {
    mark.setAttribute("x1", x);
    mark.setAttribute("x2", x);
  }
}
