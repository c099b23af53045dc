"""The planning report: what the study can and cannot show, and how long it will take."""

from __future__ import annotations

from onsetstudy.design.looks_results import LookPlan
from onsetstudy.report.document import Answer, Block, Cautions, Document, Figure, Pairs, Paragraph, Section, Table
from onsetstudy.report.figures import power
from onsetstudy.report.numbers import counted, decimal, level, tidy
from onsetstudy.study.planning_results import PlanningResults, Question

__all__ = ["compose_planning"]

OUTCOMES = {
    "onset_test": "onset",
    "success": "numb by the target",
    "wait": "mean wait",
    "pain": "pain (ranks)",
}


def compose_planning(results: PlanningResults) -> Document:
    """Planning report of a protocol."""
    study = results.protocol.study
    return Document(
        id=f"{study.id}-planning",
        title=study.title,
        kicker="Planning report",
        subtitle=study.question,
        notice="This plan is of an invented study." if study.invented else "",
        running=f"{study.title} · planning",
        date=results.protocol.quarters[0].first_day.isoformat(),
        sections=(
            _answer(results),
            _assumptions(results),
            _sizes(results),
            _schedules(results),
            *(() if results.looks is None else (_looks(results, results.looks),)),
            Section(id="cautions", title="Cautions", blocks=(Cautions(texts=tuple(c.text for c in results.caution)),)),
        ),
    )


def _share(value: float) -> str:
    return f"{100 * value:.0f}\u202f%"


def _answer(results: PlanningResults) -> Section:
    needed, plan, assumed = results.needed, results.protocol.plan, results.protocol.planning
    pace = needed.pace
    who = "patients" if results.planned.scenario.design == "paired" else "cases"
    seen = (
        f"With your {pace.included_per_month:.3g} {who} a month that may be included and agree, you will have "
        f"{_share(plan.planned_power)} power for a ratio of rates of {plan.planned_hazard_ratio:g} after "
        f"{counted(pace.quarters, 'quarter')} (likely {pace.low} to {pace.high})."
    )
    smaller = (
        f"That is {needed.included} {who} to include, {needed.analysed} of them analysed (simulation, give or take "
        f"{needed.two_errors}). A smaller effect takes more."
    )
    title = "How many cases for which effect?"
    drawn = power.draw_figure(results, name="power", title=title)
    caption = (
        f"Lines: Schoenfeld's formula. Dots with two Monte Carlo errors: {results.trials} simulated trials each, "
        "through your "
        "schedule, missed tests and onset rule, decided by the report's test. Dotted: the planned power."
    )
    blocks: list[Block] = [
        Answer(seen=seen, allows=smaller),
        Figure(name="power", title=title, caption=caption, alt=drawn.alt, svg=drawn.svg, narrow=drawn.narrow),
    ]
    found = results.planned
    text = (
        f"At the planned size ({found.scenario.cases} analysed cases"
        + (" or patients" if found.scenario.design == "paired" else "")
        + f") simulated trials found the planned effect in {_share(found.power)} (Monte Carlo error "
        f"{decimal(100 * found.mc_error)} points) and a difference where there was none in "
        f"{decimal(100 * results.null.power)}\u202f% ({decimal(100 * results.null.mc_error)} points)."
    )
    if results.looks is not None:
        text += f" Looking as planned, such a study uses {found.expected_cases:.0f} cases on average."
    blocks.append(Paragraph(text=text))
    if assumed is not None and found.caution:
        blocks.append(Cautions(texts=tuple(tidy(c.text) for c in found.caution)))
    return Section(id="answer", title="", blocks=tuple(blocks))


def _assumptions(results: PlanningResults) -> Section:
    assumed, e = results.protocol.planning, results.expected
    if assumed is None:
        return Section(id="assumptions", title="What this rests on", blocks=())
    rows = [
        ("Cases a month, all practices", f"{assumed.cases_per_month:g}"),
        ("Of them eligible and willing", _share(assumed.eligible_share)),
        ("Median onset, reference arm, among teeth that become numb", f"{e.median_min:g} min"),
        ("Shape of the Weibull curve", f"{e.shape:g}"),
        ("Never numb, reference and other arm", f"{_share(e.never_reference)} and {_share(e.never_other)}"),
        ("Seen to become numb in the end", _share(results.planned.onset_share)),
        ("Already numb at the first test", _share(results.planned.numb_at_first)),
        ("Lost, and tests missed", f"{_share(assumed.lost_share)} and {_share(assumed.missed_share)}"),
        ("Spread of operators, log scale of time", f"{assumed.operator_spread:g}"),
        ("Standard deviation of the wait", f"{assumed.wait_sd_min:g} min"),
    ]
    rows += [(f"Source {k}", text) for k, text in enumerate(assumed.sources, start=1)]
    return Section(id="assumptions", title="What this rests on", blocks=(Pairs(rows=tuple(rows)),))


def _sizes(results: PlanningResults) -> Section:
    rows = tuple(_size_row(q) for q in results.questions)
    methods = dict.fromkeys(q.size.method for q in results.questions)
    notes = (
        "Quarters at the stated pace, known to within a coefficient of variation of a quarter. The two log-rank "
        "formulas "
        f"take the ratio as the same at all times; where teeth never become numb it fades, and simulation asks for "
        f"{results.needed.included}.",
        f"Formulas: {'; '.join(methods)}.",
    )
    table = Table(
        caption=f"Cases to include for {_share(results.protocol.plan.planned_power)} power by formula, losses added",
        columns=("outcome", "effect", "cases", "quarters (likely)"),
        rows=rows,
        align="lrrr",
        notes=notes,
    )
    frame = results.table.to_frame()
    grid = Table(
        caption="Cases to include by effect, both arms together",
        columns=("ratio of rates", *(f"power {_share(p)}" for p in frame.columns)),
        rows=tuple(
            (f"{effect:g}", *(f"{n}" for n in row)) for effect, row in zip(frame.index, frame.to_numpy(), strict=True)
        ),
        align="l" + "r" * len(frame.columns),
        notes=("Schoenfeld's formula; never one number alone: look at the line above and below your guess.",),
    )
    return Section(id="sizes", title="Sizes", blocks=(table, grid), new_page=True)


def _size_row(question: Question) -> tuple[str, ...]:
    size, pace = question.size, question.pace
    return (
        OUTCOMES.get(question.outcome, question.outcome)
        + (f", {size.source}" if question.outcome == "onset_test" else ""),
        size.effect_text.replace("%", "\u202f%"),
        f"{size.total}",
        f"{pace.quarters} ({pace.low} to {pace.high})",
    )


def _schedules(results: PlanningResults) -> Section:
    rows = []
    for line in results.schedules.lines:
        more = (
            "—"
            if line is results.schedules.lines[0]
            else f"{decimal(100 * line.more_cases)} (± {decimal(200 * line.more_cases_error)})"
        )
        rows.append(
            (
                line.name,
                ", ".join(f"{t:g}" for t in line.tests_min[:5]) + (" …" if len(line.tests_min) > 5 else ""),
                f"{len(line.tests_min)}",
                _share(line.power.power),
                more,
                _share(line.power.numb_at_first),
            )
        )
    table = Table(
        caption="The same teeth under other schedules of tests",
        columns=("schedule", "first tests, min", "tests", "power", "more cases, %", "numb at the first test"),
        rows=tuple(rows),
        align="llrrrr",
        notes=(
            "Power of the log-rank test at the planned size, one look; ± two Monte Carlo errors. The log-rank test "
            "loses "
            "little with fewer tests while hazards stay proportional; shares and waits at early minutes lose all "
            "before "
            "the first test.",
        ),
    )
    texts = dict.fromkeys(tidy(c.text) for line in results.schedules.lines for c in line.caution)
    notes = [Paragraph(text=text, role="note") for text in texts]
    return Section(id="schedules", title="What other schedules would cost", blocks=(table, *notes))


def _looks(results: PlanningResults, plan: LookPlan) -> Section:
    rows = tuple(
        (
            f"{p.number}",
            f"{round(p.fraction * plan.planned_information)}",
            decimal(p.upper, 2),
            "—" if p.futility is None else decimal(p.futility, 2),
            f"{100 * p.alpha_spent:.2f}",
            f"{100 * p.cross_design:.0f}",
            f"{100 * found:.0f}",
        )
        for p, found in zip(plan.looks, results.planned.by_look, strict=True)
    )
    table = Table(
        caption=f"Looks, if quarters bring equal numbers of {plan.unit}",
        columns=("look", plan.unit, "boundary", "futility", "error spent, %", "stops there, %", "simulated, %"),
        rows=rows,
        align="lrrrrrr",
        notes=(f"Under the planned effect. {plan.method[:1].upper()}{plan.method[1:]}. {plan.source}.",),
    )
    text = (
        f"Looking {len(plan.looks)} times with the limits of a single look would be wrong in "
        f"{_share(plan.naive_error)} of studies "
        f"without a difference. With these boundaries it is {level(plan.alpha)}, for "
        f"{decimal(100 * (plan.inflation - 1))}\u202f% "
        "more information than a single look."
    )
    return Section(id="looks", title="Looking every quarter", blocks=(Paragraph(text=text), table))
