"""Sections of a plan: the answer, what it rests on, sizes, schedules, interim analyses."""

from __future__ import annotations

from onsetstudy.design.interim.results import LookPlan
from onsetstudy.design.size_results import SizeTable
from onsetstudy.report.document import Cautions, Pairs, Section, Table, note
from onsetstudy.report.figures import power
from onsetstudy.report.numbers import THIN, capital, decimal, level, tidy, uncapital
from onsetstudy.report.sections.before import plan_words as words
from onsetstudy.study.planning.results import PlanningResults

NOT_RANDOMISED = (
    "Arms are not allocated at random here, and sizes take equal numbers in both: as many cases guard against chance, "
    "but not against arms that differ in other ways."
)


def plan_cautions(results: PlanningResults) -> Section:
    """Every caution, and what a study without allocation at random cannot guard against."""
    texts = [tidy(c.text) for c in results.caution]
    texts += [] if results.protocol.study.randomised else [NOT_RANDOMISED]
    return Section.of("cautions", "Cautions", Cautions(texts=tuple(texts)))


def plan_answer(results: PlanningResults) -> Section:
    """The size of the main outcome, what it is of, and the power of its test by size."""
    # A plan that contradicts itself says so where its numbers stand, not only at the end.
    loud = [tidy(c.text) for c in results.caution if c.code == "spread_contradicts_curve"]
    if results.schedules is not None:
        loud += [f"Your schedule: {tidy(c.text)}" for c in results.schedules.lines[0].caution]
    title = "How many cases for which effect?"
    return Section.of(
        "answer",
        "",
        words.headline(results),
        power.draw_figure(results).titled("power", title, _caption(results)) if results.curve else None,
        (words.difference(results), words.planned_size(results), words.how_narrow(results)),
        Cautions(texts=tuple(loud)) if loud else None,
    )


def _caption(results: PlanningResults) -> str:
    test, size = results.curve[0].test, words.main_question(results)
    method = "" if size is None else f" ({size.size.method})"
    by_formula = f"power of the {test}, by formula{method}"
    lines = capital(by_formula)
    if results.planned is not None and results.needed is None:
        lines = (
            f"Dots with two errors of the simulation: {results.trials} simulated trials each, decided by the "
            f"{results.planned.test}. Lines: {by_formula}, which takes every value as known exactly"
        )
    elif results.planned is not None:
        lines = (
            f"Power of the {test}. Dots with two errors of the simulation: {results.trials} simulated trials each, "
            "through your schedule, missed tests and onset rule, decided by this test. Lines without dots: its "
            f"formula. The dots of {results.planned_effect:g} lie where the formula has another ratio, for the reason "
            "told below"
        )
    once = f"All of a study that is analysed once{words.looks_take(results, '; {}')}."
    return f"{lines}. Dotted: the planned power. {once}"


def plan_assumptions(results: PlanningResults) -> Section:
    """What was assumed, and where from."""
    assumed, share = results.protocol.planning, words.share_of
    assert assumed is not None, "nothing is planned without assumptions"
    stated = "" if assumed.wait_sd_min is None else f"{assumed.wait_sd_min:g} min stated; "
    spread = f"Standard deviation of the time to onset, up to {results.protocol.onset.tau_min:g} minutes"
    rows = words.expected_rows(assumed, results.protocol.study)
    if results.schedules is not None:
        found = results.schedules.lines[0].power
        rows.append(("Seen to become numb in the end", share(found.onset_share)))
        rows.append(("Already numb at the first test", share(found.numb_at_first)))
    rows += [
        words.lost_row(assumed),
        ("Spread of operators, log scale of time", f"{assumed.operator_spread:g}"),
        (spread, f"{stated}{decimal(results.wait.sd_min)} min by the curves above"),
    ]
    if assumed.within_patient_correlation is not None:
        rows.append(("Correlation within patients", f"{assumed.within_patient_correlation:g}"))
    rows += [(f"Source {k}", text) for k, text in enumerate(assumed.sources, start=1)]
    return Section.of("assumptions", "What this rests on", Pairs(rows=tuple(rows)))


def plan_sizes(results: PlanningResults) -> Section:
    """Every size by formula, and the sizes of the rate by effect."""
    main = words.main_question(results)
    rows = [
        (
            words.outcome_name(q) + (" (main outcome)" if q is main else ""),
            tidy(q.size.effect_text),
            q.size.test,
            f"{q.size.total}",
            f"{q.pace.quarters} ({q.pace.low} to {q.pace.high})",
        )
        for q in results.questions
    ]
    rows += [(words.named(n.outcome), n.reason, "—", "—", "—") for n in results.not_sized]
    methods = dict.fromkeys(q.size.method for q in results.questions)
    needed, looks = results.needed, words.looks_take(results, "; {}")
    who, planned = words.who_of(results), words.share_of(results.protocol.plan.planned_power)
    table = Table.of(
        f"{who.capitalize()} to include for {planned} power by formula, losses added",
        ("outcome", "effect", "test", who, "quarters (likely)"),
        rows,
        f"Every power is that of the test in its own line, for a study that is analysed once{looks}. Quarters at the "
        "stated pace, known to within a coefficient of variation of a quarter.",
        f"Your main outcome takes {needed.included} by simulation of the {needed.test}; the first page says why."
        if needed is not None
        else "",
        f"Formulas: {'; '.join(methods)}." if methods else "",
        align="lllrr",
    )
    return Section.of("sizes", "Sizes", table, None if results.table is None else _grid(results.table))


def _grid(sizes: SizeTable) -> Table:
    frame = sizes.to_frame()
    return Table.of(
        "Cases to include by effect for the log-rank test of the rate of becoming numb, both arms together",
        ("hazard ratio", *(f"power {words.share_of(float(p))}" for p in frame.columns)),
        [(f"{effect:g}", *map(str, row)) for effect, row in zip(frame.index, frame.to_numpy(), strict=True)],
        "Power of the log-rank test by Schoenfeld's formula, which asks for too few where some teeth never become "
        "numb. Never one number alone: look at the line above and below your guess.",
    )


def plan_schedules(results: PlanningResults) -> Section | None:
    """Power stands here only where the primary outcome is tested by the test that is simulated."""
    compared = results.schedules
    if compared is None:
        return None
    shown = results.planned is not None and results.planned.test == compared.lines[0].power.test
    rows = []
    for line in compared.lines:
        more = f"{decimal(100 * line.more_cases)} (± {decimal(200 * line.more_cases_error)})"
        tests = ", ".join(f"{t:g}" for t in line.tests_min[:5]) + (" …" if len(line.tests_min) > 5 else "")
        of_test = (words.share_of(line.power.power), "—" if line is compared.lines[0] else more) if shown else ()
        rows.append((line.name, tests, f"{len(line.tests_min)}", *of_test, words.share_of(line.power.numb_at_first)))
    costs = ("power", "more cases, %") if shown else ()
    table = Table.of(
        "The same teeth under other schedules of tests",
        ("schedule", "first tests, min", "tests", *costs, "numb at the first test"),
        rows,
        f"Power of the {compared.lines[0].power.test} at the planned size, analysed once; ± two Monte Carlo errors. "
        "The log-rank test loses little with fewer tests while hazards stay proportional; proportions and times at "
        "early minutes lose all before the first test."
        if shown
        else "Proportions and times at early minutes lose all before the first test. What a schedule costs in cases is "
        "not told: it is simulated for the log-rank test, which is not the test of your main outcome.",
        align="ll" + "r" * (2 + len(costs)),
    )
    texts = dict.fromkeys(
        f"{capital(row.name)}: {tidy(uncapital(c.text))}" for row in compared.lines for c in row.caution
    )
    return Section.of("schedules", "What other schedules would cost", table, map(note, texts))


def plan_looks(results: PlanningResults) -> Section | None:
    """Boundaries, and what stops where: as simulated, or for a study that the planned information would suffice for."""
    plan = results.looks
    if plan is None:
        return None
    simulated = () if results.planned is None else results.planned.by_look
    crossed = simulated or tuple(p.cross_design for p in plan.looks)
    rows = [
        (
            f"{p.number}",
            f"{round(p.fraction * plan.planned_information)}",
            decimal(p.upper, 2),
            "—" if p.futility is None else decimal(p.futility, 2),
            f"{100 * p.alpha_spent:.2f}",
            f"{100 * stops:.0f}",
        )
        for p, stops in zip(plan.looks, crossed, strict=True)
    ]
    stop = (
        f"in simulated trials decided by the {results.planned.test}."
        if results.planned is not None
        else "under an effect that the planned information has "
        f"{words.share_of(results.protocol.plan.planned_power)} power for, whatever it is; not the power for the "
        f"effect of your main outcome. {results.not_simulated}"
    )
    table = Table.of(
        f"Interim analyses, if quarters bring equal numbers of {plan.unit}",
        ("interim analysis", plan.unit, "boundary", "futility", "alpha spent, %", "stops there, %"),
        rows,
        f"Stops there: {stop} {capital(plan.method)}. {plan.source}.",
    )
    return Section.of(
        "looks",
        "Interim analyses every quarter",
        f"Analysing {len(plan.looks)} times with the limits of a single analysis would be wrong in "
        f"{words.share_of(plan.naive_error)} of studies without a difference. With these boundaries it is "
        f"{level(plan.alpha)}, for {decimal(100 * (plan.inflation - 1))}{THIN}% more information than a single "
        "analysis.",
        _information(results, plan),
        table,
    )


def _information(results: PlanningResults, plan: LookPlan) -> str:
    """The planned information beside the size of the main outcome: two numbers in two units, and what each is of."""
    lead, found = results.claims[0], results.planned
    if lead.value is None:
        return ""
    planned = f"The protocol plans the analyses for {plan.planned_information:g} {plan.unit}"
    takes, paired = f"your main outcome takes {lead.value:.0f} {lead.unit} to include", results.protocol.study.paired
    brings = plan.planned_information / (2 if paired else 1) if found is None else found.scenario.cases
    if results.needed is None and (lead.cases or 0) <= brings:
        # What a single analysis takes is less than planned, and the power may be, too.
        takes += words.looks_take(results, " in a study that is analysed once ({})")
    if found is not None:
        text = (
            f"{planned}, in the simulation {found.scenario.cases} analysed {words.who_of(results)}: power of "
            f"{words.share_of(found.power)} by the {found.test}. For "
            f"{words.share_of(results.protocol.plan.planned_power)} power {takes}."
        )
    elif paired and plan.unit == "cases":
        text = f"{planned}, which are of {brings:g} patients with both arms; {takes}."
    else:
        text = f"{planned}; {takes}."
    return f"{text} {words.TOO_LITTLE}" if results.short else text
