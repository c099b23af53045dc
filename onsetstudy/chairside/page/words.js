// Entries of a case in words, as whoever tapped them reads them.
import { minuteText } from "/flow.js";
import { at } from "/at_hand.js";

const SAID = {
  case_opened: () => "Case opened",
  prepared: () => "Prepared",
  injection_start: () => "Needle in",
  injection_end: () => "Injection ended",
  treatment_start: () => "Treatment started",
  treatment_end: () => "Treatment ended",
  withdrawn: () => "Broken off",
  closed: () => "Case finished",
  baseline: (p, c) => `Before: ${tooth(c, p.tooth_role)} ${felt(p.response)}`,
  test: (p, c) => `${minuteText(p.planned_min)}: ${tooth(c, p.tooth_role)} ${felt(p.response)}`,
  supplement: (p) => `Supplemental injection, ${named(at.setup.supplements, p.technique)}`,
  adverse_event: (p) => `Event: ${named(at.setup.adverse_events, p.kind)}`,
  recorded: (p) => Object.keys(p).map((name) => question(name) ?? "Note").join(", "),
  unblinded: () => "Emergency unblinding",
  followed_up: () => "Follow-up call made",
};
export const isSaid = (entry) => SAID[entry.kind] !== undefined;
export const said = (entry, c) => SAID[entry.kind](entry.payload, c);

export const felt = (response) => ({ felt: "felt", not_felt: "not felt", not_done: "not done" })[response];
const named = (list, code) => list.find(([c]) => c === code)?.[1] ?? code;
/** The question of a field, where it has one. */
export const question = (name) => [...at.setup.after, ...at.setup.before].find((f) => f.name === name)?.question;

export function tooth(c, role) {
  if (role === "target") return `tooth ${c.told.tooth ?? "?"}`;
  return c.told.control_tooth ? `control tooth ${c.told.control_tooth}` : "control tooth";
}
