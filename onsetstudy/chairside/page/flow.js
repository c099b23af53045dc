// How far a case is, from its entries alone. No arm is in them.

export const LATE_S = 10;
const EARLY_MIN = 0.25;

/** Entries in force: corrected ones as corrected, withdrawn ones left out. */
export function inForce(entries) {
  const last = new Map(entries.filter((e) => e.kind === "correction").map((e) => [e.corrects, e]));
  return entries.filter((e) => e.kind !== "correction").flatMap((e) => {
    const correction = last.get(e.id);
    if (!correction) return [e];
    return correction.payload.instead ? [{ ...e, payload: correction.payload.instead }] : [];
  });
}

/** `since` tells how many seconds ago an entry was made, by whichever page's clock. */
export function foldCases(entries, setup, since) {
  const cases = new Map();
  for (const entry of inForce(entries)) {
    if (!entry.case_id) continue;
    if (!cases.has(entry.case_id)) cases.set(entry.case_id, []);
    cases.get(entry.case_id).push(entry);
  }
  return [...cases].map(([id, own]) => foldCase(id, own, setup, since)).filter((c) => c.first.case_opened);
}

function foldCase(id, entries, setup, since) {
  const told = {}, first = {}, baseline = {}, tests = new Map();
  for (const entry of entries) {
    first[entry.kind] ??= entry;
    if (entry.kind === "case_opened" || entry.kind === "recorded") Object.assign(told, entry.payload);
    if (entry.kind === "baseline") baseline[entry.payload.tooth_role] = entry.payload.response;
    if (entry.kind === "test") {
      const { planned_min, tooth_role } = entry.payload, key = planned_min ?? entry.id;
      if (!tests.has(key)) tests.set(key, {});
      const answered = tests.get(key);
      // Two pages may answer one test: as in the records, what was written first counts, if it was done.
      if ((answered[tooth_role]?.payload.response ?? "not_done") === "not_done") answered[tooth_role] = entry;
    }
  }
  const roles = setup.schedule.control_tooth === "none" ? ["target"] : ["target", "control"];
  const found = { id, entries, told, first, baseline, tests, roles, zero: first[setup.schedule.clock_zero] };
  found.confirmed = confirmed(found, setup, since);
  found.phase = phase(found, setup);
  return found;
}

function phase(c, setup) {
  const { first, baseline } = c;
  if (first.closed) return "closed";
  if (first.withdrawn) return "withdrawn";
  if (first.treatment_start) return "treated";
  if (first.injection_end) return c.confirmed || first.supplement ? "complete" : "testing";
  if (first.injection_start) return "injecting";
  if (first.prepared) return "prepared";
  if (setup.schedule.baseline_response !== "none" && c.roles.some((r) => !baseline[r]) && baseline.target !== "not_felt") return "baseline";
  return setup.schedule.baseline_response === "required" && baseline.target === "not_felt" ? "not_testable" : "waiting";
}

/**
 * Whether the records will show onset: so many tests in a row that count were not felt. As in the records, the control
 * test nearest in time decides whether a test counts, of two alike the earlier; the last one's own is waited for.
 */
function confirmed(c, setup, since) {
  if (!c.zero) return false;
  const minute = (e) => (since(c.zero) - since(e)) / 60;
  const tests = [...c.tests.values()].flatMap((answered) => Object.values(answered))
    .map((e) => ({ ...e.payload, minute: minute(e) })).filter((t) => t.minute >= 0 && t.response !== "not_done")
    .sort((a, b) => a.minute - b.minute);
  const of = (role) => tests.filter((t) => t.tooth_role === role);
  const controls = of("control"), targets = of("target");
  if (setup.schedule.control_tooth === "required" && !c.tests.get(targets.at(-1)?.planned_min)?.control) return false;
  let run = 0;
  return targets.some((target) => {
    const apart = (t) => Math.abs(t.minute - target.minute);
    const nearest = controls.reduce((best, t) => (best && apart(best) <= apart(t) ? best : t), null);
    const other = nearest && apart(nearest) <= setup.schedule.control_window_min ? nearest.response : setup.schedule.control_tooth;
    if (other === "required" || (other === "not_felt" && setup.schedule.control_tooth !== "none")) return false;
    run = target.response === "not_felt" ? run + 1 : 0;
    return run >= setup.confirmations;
  });
}

/**
 * Which test is due next, at a minute: { planned, role, due, late_s, wait_s }, or null when all are over.
 * Where the clocks are in doubt the last test stays open: what was seen can always be entered.
 */
export function nextTest(c, setup, minute, doubtful = false) {
  const plan = setup.schedule.tests_min;
  for (let k = 0; k < plan.length; k += 1) {
    const over = k + 1 < plan.length ? (plan[k] + plan[k + 1]) / 2 : plan[k] + 1;
    const answered = c.tests.get(plan[k]) ?? {};
    const role = c.roles.find((r) => !answered[r]);
    if (!role || minute >= over) continue;
    const wait_s = (plan[k] - minute) * 60;
    return { planned: plan[k], role, wait_s, due: wait_s <= 0, open: wait_s <= EARLY_MIN * 60, late_s: -wait_s };
  }
  const last = plan.at(-1), role = c.roles.find((r) => !c.tests.get(last)?.[r]);
  return doubtful && role ? { planned: last, role, wait_s: 0, due: true, open: true, late_s: 0 } : null;
}

/** done, missed, next or later, for each planned test. */
export function marks(c, setup, minute) {
  const next = nextTest(c, setup, minute);
  return setup.schedule.tests_min.map((planned) => {
    const answered = c.tests.get(planned) ?? {};
    const done = c.roles.every((r) => answered[r] && answered[r].payload.response !== "not_done");
    if (done) return { planned, mark: "done" };
    if (next && planned === next.planned) return { planned, mark: "next" };
    return { planned, mark: !next || planned < next.planned ? "missed" : "later" };
  });
}

export function clockText(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  return `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`;
}
export const minuteText = (minute) => clockText(Math.round(minute * 60));
