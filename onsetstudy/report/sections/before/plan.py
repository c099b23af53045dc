"""Sections of a plan: the answer, what it rests on, sizes, schedules, interim analyses."""

from __future__ import annotations

from onsetstudy.design.interim.results import LookPlan
from onsetstudy.report.document import Answer, Block, Cautions, Pairs, Paragraph, Section, Table, figure
from onsetstudy.report.figures import power
from onsetstudy.report.numbers import THIN, decimal, level, tidy
from onsetstudy.report.sections.before.plan_words import (
    headline,
    how_narrow,
    main_question,
    named,
    outcome_name,
    planned_size,
    share_of,
    tau_of,
    who_of,
)
from onsetstudy.study.planning.results import PlanningResults
from onsetstudy.study.planning_results import Question

__all__ = ["plan_answer", "plan_assumptions", "plan_cautions", "plan_looks", "plan_schedules", "plan_sizes"]

NOT_RANDOMISED = (
    "Arms are not allocated at random here, and sizes take equal numbers in both: as many cases guard against chance, "
    "but not against arms that differ in other ways."
)


def plan_cautions(results: PlanningResults) -> Section:
    """Every caution, and what a study without allocation at random cannot guard against."""
    texts = tuple(tidy(c.text) for c in results.caution)
    if not results.protocol.study.randomised:
        texts = (*texts, NOT_RANDOMISED)
    return Section(id="cautions", title="Cautions", blocks=(Cautions(texts=texts),))


def plan_answer(results: PlanningResults) -> Section:
    """The size of the main outcome, what it is of, and the power of its test by size."""
    said = headline(results)
    title = "How many cases for which effect?"
    blocks: list[Block] = [Answer(seen=said.seen, allows=said.allows)]
    if results.curve:
        drawn = power.draw_figure(results, name="power", title=title)
        blocks.append(figure("power", title, _caption(results), drawn))
    blocks += [Paragraph(text=text) for text in (said.difference, planned_size(results), how_narrow(results)) if text]
    # A plan that contradicts itself says so where its numbers stand, not only at the end.
    loud = tuple(tidy(c.text) for c in results.caution if c.code == "spread_contradicts_curve")
    if results.planned is not None:
        loud += tuple(f"Your schedule: {tidy(c.text)}" for c in results.planned.caution)
    if loud:
        blocks.append(Cautions(texts=loud))
    return Section(id="answer", title="", blocks=tuple(blocks))


def _caption(results: PlanningResults) -> str:
    test, looks = results.curve[0].test, results.looks
    size = main_question(results)
    method = "" if size is None else f" ({size.size.method})"
    once = "All of a study that is analysed once" + (
        "."
        if looks is None
        else f"; the planned interim analyses take {decimal(100 * (looks.inflation - 1))}{THIN}% more."
    )
    if results.planned is None:
        return f"Power of the {test}, by formula{method}. Dotted: the planned power. {once}"
    if results.needed is None:
        return (
            f"Dots with two errors of the simulation: {results.trials} simulated trials each, decided by the "
            f"{results.planned.test}. Lines: power of the {test}, by formula{method}, which takes every value as known "
            f"exactly. Dotted: the planned power. {once}"
        )
    return (
        f"Power of the {test}. Dots with two errors of the simulation: {results.trials} simulated trials each, through "
        "your schedule, missed tests and onset rule, decided by this test. Lines without dots: its formula. The dots "
        f"of {results.planned_effect:g} lie where the formula has another ratio, for the reason told below. Dotted: "
        f"the planned power. {once}"
    )


def plan_assumptions(results: PlanningResults) -> Section:
    """What was assumed, and where from."""
    assumed, e = results.protocol.planning, results.expected
    if assumed is None:
        return Section(id="assumptions", title="What this rests on", blocks=())
    rows = [
        ("Cases a month, all practices", f"{assumed.cases_per_month:g}"),
        ("Of them eligible and willing", share_of(assumed.eligible_share)),
        ("Median onset, reference arm, among teeth that become numb", f"{e.median_min:g} min"),
        ("Shape of the Weibull curve", f"{e.shape:g}"),
        (
            "Not numb to the end of testing, reference and other arm",
            f"{share_of(e.never_reference)} and {share_of(e.never_other)}",
        ),
        *_seen(results),
        ("Lost, and tests missed", f"{share_of(assumed.lost_share)} and {share_of(assumed.missed_share)}"),
        ("Spread of operators, log scale of time", f"{assumed.operator_spread:g}"),
        (
            f"Standard deviation of the time to onset, up to {tau_of(results)} minutes",
            ("" if assumed.wait_sd_min is None else f"{assumed.wait_sd_min:g} min stated; ")
            + f"{decimal(results.wait.sd_min)} min by the curves above",
        ),
    ]
    if assumed.within_patient_correlation is not None:
        rows.append(("Correlation within patients", f"{assumed.within_patient_correlation:g}"))
    rows += [(f"Source {k}", text) for k, text in enumerate(assumed.sources, start=1)]
    return Section(id="assumptions", title="What this rests on", blocks=(Pairs(rows=tuple(rows)),))


def _seen(results: PlanningResults) -> tuple[tuple[str, str], ...]:
    """What simulated teeth show under the planned schedule."""
    if results.schedules is None:
        return ()
    found = results.schedules.lines[0].power
    return (
        ("Seen to become numb in the end", share_of(found.onset_share)),
        ("Already numb at the first test", share_of(found.numb_at_first)),
    )


def plan_sizes(results: PlanningResults) -> Section:
    """Every size by formula, and the sizes of the rate by effect."""
    main = main_question(results)
    rows = tuple(_size_row(q, q is main) for q in results.questions)
    rows += tuple((named(n.outcome), n.reason, "—", "—", "—") for n in results.not_sized)
    methods = dict.fromkeys(q.size.method for q in results.questions)
    looks, needed = results.looks, results.needed
    notes = [
        "Every power is that of the test in its own line, for a study that is analysed once"
        + (
            ""
            if looks is None
            else f"; the planned interim analyses take {decimal(100 * (looks.inflation - 1))}{THIN}% more"
        )
        + ". Quarters at the stated pace, known to within a coefficient of variation of a quarter."
    ]
    if needed is not None:
        notes.append(
            f"Your main outcome takes {needed.included} by simulation of the {needed.test}; the first page says why."
        )
    if methods:
        notes.append(f"Formulas: {'; '.join(methods)}.")
    table = Table(
        caption=f"{who_of(results).capitalize()} to include for {share_of(results.protocol.plan.planned_power)} power "
        "by formula, losses added",
        columns=("outcome", "effect", "test", who_of(results), "quarters (likely)"),
        rows=rows,
        align="lllrr",
        notes=tuple(notes),
    )
    return Section(id="sizes", title="Sizes", blocks=(table, *_grid(results)))


def _grid(results: PlanningResults) -> tuple[Block, ...]:
    if results.table is None:
        return ()
    frame = results.table.to_frame()
    return (
        Table(
            caption="Cases to include by effect for the log-rank test of the rate of becoming numb, both arms together",
            columns=("hazard ratio", *(f"power {share_of(float(p))}" for p in frame.columns)),
            rows=tuple(
                (f"{effect:g}", *(f"{n}" for n in row))
                for effect, row in zip(frame.index, frame.to_numpy(), strict=True)
            ),
            align="l" + "r" * len(frame.columns),
            notes=(
                "Power of the log-rank test by Schoenfeld's formula, which asks for too few where some teeth never "
                "become numb. Never one number alone: look at the line above and below your guess.",
            ),
        ),
    )


def _size_row(question: Question, main: bool) -> tuple[str, ...]:
    return (
        outcome_name(question) + (" (main outcome)" if main else ""),
        tidy(question.size.effect_text),
        question.size.test,
        f"{question.size.total}",
        f"{question.pace.quarters} ({question.pace.low} to {question.pace.high})",
    )


def plan_schedules(results: PlanningResults) -> Section | None:
    """Power stands here only where the primary outcome is tested by the test that is simulated."""
    compared = results.schedules
    if compared is None:
        return None
    shown = results.planned is not None and results.planned.test == compared.lines[0].power.test
    rows = []
    for line in compared.lines:
        more = (
            "—"
            if line is compared.lines[0]
            else f"{decimal(100 * line.more_cases)} (± {decimal(200 * line.more_cases_error)})"
        )
        tests = ", ".join(f"{t:g}" for t in line.tests_min[:5]) + (" …" if len(line.tests_min) > 5 else "")
        of_test = (share_of(line.power.power), more) if shown else ()
        rows.append((line.name, tests, f"{len(line.tests_min)}", *of_test, share_of(line.power.numb_at_first)))
    note = (
        f"Power of the {compared.lines[0].power.test} at the planned size, analysed once; ± two Monte Carlo errors. "
        "The log-rank test loses little with fewer tests while hazards stay proportional; proportions and times at "
        "early minutes lose all before the first test."
        if shown
        else "Proportions and times at early minutes lose all before the first test. What a schedule costs in cases is "
        "not told: it is simulated for the log-rank test, which is not the test of your main outcome."
    )
    table = Table(
        caption="The same teeth under other schedules of tests",
        columns=(
            "schedule", "first tests, min", "tests", *(("power", "more cases, %") if shown else ()),
            "numb at the first test",
        ),
        rows=tuple(rows),
        align="llr" + ("rr" if shown else "") + "r",
        notes=(note,),
    )  # fmt: skip
    texts = dict.fromkeys(
        f"{line.name[:1].upper()}{line.name[1:]}: {tidy(c.text[:1].lower() + c.text[1:])}"
        for line in compared.lines
        for c in line.caution
    )
    notes = [Paragraph(text=text, role="note") for text in texts]
    return Section(id="schedules", title="What other schedules would cost", blocks=(table, *notes))


def plan_looks(results: PlanningResults) -> Section | None:
    """Boundaries, and what stops where: as simulated, or for a study that the planned information would suffice for."""
    plan = results.looks
    if plan is None:
        return None
    simulated = () if results.planned is None else results.planned.by_look
    rows = []
    for k, p in enumerate(plan.looks):
        stops = simulated[k] if simulated else p.cross_design
        rows.append(
            (
                f"{p.number}",
                f"{round(p.fraction * plan.planned_information)}",
                decimal(p.upper, 2),
                "—" if p.futility is None else decimal(p.futility, 2),
                f"{100 * p.alpha_spent:.2f}",
                f"{100 * stops:.0f}",
            )
        )
    note = f"{plan.method[:1].upper()}{plan.method[1:]}. {plan.source}."
    if results.planned is not None:
        note = f"Stops there: in simulated trials decided by the {results.planned.test}. {note}"
    else:
        note = (
            "Stops there: under an effect that the planned information has "
            f"{share_of(results.protocol.plan.planned_power)} power for, whatever it is; not the power for the effect "
            f"of your main outcome. {results.not_simulated} {note}"
        )
    table = Table(
        caption=f"Interim analyses, if quarters bring equal numbers of {plan.unit}",
        columns=("interim analysis", plan.unit, "boundary", "futility", "alpha spent, %", "stops there, %"),
        rows=tuple(rows),
        align="l" + "r" * (len(rows[0]) - 1),
        notes=(note,),
    )
    text = (
        f"Analysing {len(plan.looks)} times with the limits of a single analysis would be wrong in "
        f"{share_of(plan.naive_error)} of studies "
        f"without a difference. With these boundaries it is {level(plan.alpha)}, for "
        f"{decimal(100 * (plan.inflation - 1))}{THIN}% more information than a single analysis."
    )
    blocks = (Paragraph(text=text), *_information(results, plan), table)
    return Section(id="looks", title="Interim analyses every quarter", blocks=blocks)


def _information(results: PlanningResults, plan: LookPlan) -> tuple[Block, ...]:
    """The planned information beside the size of the main outcome: two numbers in two units, and what each is of."""
    lead = results.claims[0]
    if lead.value is None:
        return ()
    planned = f"The protocol plans the analyses for {plan.planned_information:g} {plan.unit}"
    takes = f"your main outcome takes {lead.value:.0f} {lead.unit} to include"
    if results.planned is None:
        return (Paragraph(text=f"{planned}; {takes}."),)
    found = results.planned
    text = (
        f"{planned}, in the simulation {found.scenario.cases} analysed {who_of(results)}: power of "
        f"{share_of(found.power)} by the {found.test}. For {share_of(results.protocol.plan.planned_power)} power "
        f"{takes}."
    )
    if lead.cases and lead.cases > 1.05 * found.scenario.cases:
        text += " The planned information is too little for it: amend the protocol, or expect not to find it."
    return (Paragraph(text=text),)
