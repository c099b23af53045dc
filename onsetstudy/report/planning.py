"""The planning report: what the study can and cannot show, and how long it will take."""

from __future__ import annotations

from dataclasses import dataclass

from onsetstudy.design.looks_results import LookPlan
from onsetstudy.design.size_results import SampleSize
from onsetstudy.design.trial_results import Pace
from onsetstudy.report.document import Answer, Block, Cautions, Document, Figure, Pairs, Paragraph, Section, Table
from onsetstudy.report.figures import power
from onsetstudy.report.numbers import THIN, counted, decimal, level, tidy
from onsetstudy.study.planning_results import PlanningResults, Question

__all__ = ["Headline", "compose_planning", "headline", "main_question", "size_lines"]

OUTCOMES = {
    "onset_test": "rate of becoming numb",
    "success": "numb by the target",
    "wait": "restricted mean time to onset",
    "pain": "pain (ranks)",
}
QUESTION_OF = {
    "success_by_target": "success",
    "restricted_wait": "wait",
    "pain": "pain",
}
NOT_RANDOMISED = (
    "Arms are not allocated at random here: as many cases guard against chance, but not against arms that differ in "
    "other ways."
)
MAIN = {
    "success_by_target": "the proportion numb by the target minute",
    "restricted_wait": "the restricted mean time to onset",
    "pain": "pain",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """What page 1 and the terminal say first: two sentences, and why formula and simulation differ."""

    seen: str
    allows: str
    difference: str


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
            Section(id="cautions", title="Cautions", blocks=(Cautions(texts=_cautions(results)),)),
        ),
    )


def _cautions(results: PlanningResults) -> tuple[str, ...]:
    texts = tuple(c.text for c in results.caution)
    if results.protocol.study.randomised:
        return texts
    return (*texts, NOT_RANDOMISED)


def _share(value: float) -> str:
    return f"{100 * value:.0f}\u202f%"


def _answer(results: PlanningResults) -> Section:
    said = headline(results)
    title = "How many cases for which effect?"
    drawn = power.draw_figure(results, name="power", title=title)
    looks = results.looks
    ratio = results.protocol.plan.planned_hazard_ratio
    caption = (
        f"Dots with two errors of the simulation: {results.trials} simulated trials each, through your schedule, "
        "missed tests and onset rule, decided by the report's test. Lines without dots: Schoenfeld's formula. The dots "
        f"of {ratio:g} lie where the formula has another ratio, for the reason told below. Dotted: the planned power. "
        "All of a study that is looked at once"
        + (
            "."
            if looks is None
            else f"; analysing as planned takes {decimal(100 * (looks.inflation - 1))}{THIN}% more."
        )
    )
    blocks: list[Block] = [
        Answer(seen=said.seen, allows=said.allows),
        Figure(name="power", title=title, caption=caption, alt=drawn.alt, svg=drawn.svg, narrow=drawn.narrow),
        Paragraph(text=said.difference),
        Paragraph(text=_planned_size(results)),
    ]
    if results.planned.caution:
        texts = tuple(f"Your schedule: {tidy(c.text)}" for c in results.planned.caution)
        blocks.append(Cautions(texts=texts))
    return Section(id="answer", title="", blocks=tuple(blocks))


def headline(results: PlanningResults) -> Headline:
    """Main outcome first, the hazard ratio by simulation next, and why formula and simulation differ.

    Page 1 and the terminal say the same sentences.
    """
    needed, plan, pace = results.needed, results.protocol.plan, results.needed.pace
    who = _who(results)
    ratio = (
        f"a hazard ratio of {plan.planned_hazard_ratio:g} takes {needed.included} {who} to include "
        f"({needed.analysed} analysed; by simulation, give or take {needed.two_errors}): {_quarters(pace)}"
    )
    month = f"{pace.included_per_month:.3g} {who} a month that may be included and agree"
    terms = f"{_share(plan.planned_power)} power, with your {month}"
    if plan.primary == "hazard_ratio":
        return Headline(
            seen=f"Your main outcome, {ratio}.",
            allows=f"That is for {terms}. A smaller effect takes more.",
            difference=_difference(results),
        )
    main = main_question(results)
    if main is None:
        seen = (
            f"No size can be told for your main outcome, {MAIN[plan.primary]}: the protocol does not name what that "
            "takes, the difference that matters or its spread."
        )
        return Headline(
            seen=seen,
            allows=f"To see {ratio}, for {terms}. A smaller effect takes more.",
            difference=_difference(results),
        )
    size = main.size
    seen = (
        f"Your main outcome, {MAIN[plan.primary]} ({_effect(size)}), takes {size.total} cases to include (by formula): "
        f"{_quarters(main.pace)}."
    )
    return Headline(
        seen=seen,
        allows=f"That is for {terms}. To see {ratio}. A smaller effect takes more.",
        difference=_difference(results),
    )


def main_question(results: PlanningResults) -> Question | None:
    """The line of the main outcome among the sizes by formula.

    Nothing where the protocol leaves it open, or where the simulation knows better (the ratio of rates).
    """
    wanted = QUESTION_OF.get(results.protocol.plan.primary)
    return next((q for q in results.questions if q.outcome == wanted), None)


def size_lines(results: PlanningResults) -> tuple[str, ...]:
    """Every size by formula, one sentence each, for the terminal."""
    main = main_question(results)
    lines = []
    for q in results.questions:
        name = _outcome(q)
        lines.append(
            f"{name[:1].upper()}{name[1:]}, {_effect(q.size)}: {q.size.total} cases, {_quarters(q.pace)}."
            + (" This is your main outcome." if q is main else "")
        )
    return tuple(lines)


def _who(results: PlanningResults) -> str:
    return "patients" if results.planned.scenario.design == "paired" else "cases"


def _quarters(pace: Pace) -> str:
    return f"{counted(pace.quarters, 'quarter')} (likely {pace.low} to {pace.high})"


def _effect(size: SampleSize) -> str:
    return tidy(size.effect_text)


def _difference(results: PlanningResults) -> str:
    """Why the formula of the hazard ratio and the simulation ask for different sizes, in one sentence."""
    e, formula = results.expected, results.questions[0].size
    looks = "" if results.looks is None else ", and the simulated size pays for analysing as planned"
    start = f"Why {results.needed.included} and not the {formula.total} of the formula: "
    if max(e.never_reference, e.never_other) == 0:
        return f"{start}the simulation also misses tests and lets operators differ{looks}."
    never = f"{_share(e.never_reference)} and {_share(e.never_other)}"
    return (
        f"{start}the formula takes the ratio as the same at all times, as if every tooth became numb sooner or later, "
        f"while in the simulation some never do ({never}, as you expect), so that the arms draw together again"
        f"{looks}."
    )


def _planned_size(results: PlanningResults) -> str:
    found, looks, main = results.planned, results.looks, main_question(results)
    n = found.scenario.cases
    plan = results.protocol.plan
    text = (
        f"At the planned size ({n} analysed {_who(results)}"
        + ("" if looks is None else f", {looks.planned_information:g} {looks.unit}")
        + f") simulated trials found a hazard ratio of {plan.planned_hazard_ratio:g} in {_share(found.power)} (give "
        f"or take {decimal(200 * found.mc_error)} percentage points) and a difference where there was none in "
        f"{decimal(100 * results.null.power)}{THIN}% (give or take {decimal(200 * results.null.mc_error)})."
    )
    if looks is not None:
        text += f" Looking as planned, such a study uses {found.expected_cases:.0f} {_who(results)} on average."
    wanted = results.needed.analysed if plan.primary == "hazard_ratio" else main and main.size.unrounded
    if wanted and wanted > n and found.scenario.design != "paired":
        text += f" Your main outcome takes more than the planned size: about {wanted:.0f} analysed."
    return text


def _assumptions(results: PlanningResults) -> Section:
    assumed, e = results.protocol.planning, results.expected
    if assumed is None:
        return Section(id="assumptions", title="What this rests on", blocks=())
    rows = [
        ("Cases a month, all practices", f"{assumed.cases_per_month:g}"),
        ("Of them eligible and willing", _share(assumed.eligible_share)),
        ("Median onset, reference arm, among teeth that become numb", f"{e.median_min:g} min"),
        ("Shape of the Weibull curve", f"{e.shape:g}"),
        (
            "Not numb to the end of testing, reference and other arm",
            f"{_share(e.never_reference)} and {_share(e.never_other)}",
        ),
        ("Seen to become numb in the end", _share(results.planned.onset_share)),
        ("Already numb at the first test", _share(results.planned.numb_at_first)),
        ("Lost, and tests missed", f"{_share(assumed.lost_share)} and {_share(assumed.missed_share)}"),
        ("Spread of operators, log scale of time", f"{assumed.operator_spread:g}"),
        ("Standard deviation of the wait", f"{assumed.wait_sd_min:g} min"),
    ]
    rows += [(f"Source {k}", text) for k, text in enumerate(assumed.sources, start=1)]
    return Section(id="assumptions", title="What this rests on", blocks=(Pairs(rows=tuple(rows)),))


def _sizes(results: PlanningResults) -> Section:
    main = main_question(results)
    rows = tuple(_size_row(q, q is main) for q in results.questions)
    methods = dict.fromkeys(q.size.method for q in results.questions)
    looks = results.looks
    notes = (
        "A study looked at once"
        + ("" if looks is None else f"; analysing as planned takes {decimal(100 * (looks.inflation - 1))}{THIN}% more")
        + ". Quarters at the stated pace, known to within a coefficient of variation of a quarter. For a ratio of "
        f"rates of {results.protocol.plan.planned_hazard_ratio:g} simulation asks for {results.needed.included}; the "
        "first page says why.",
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
        columns=("hazard ratio", *(f"power {_share(p)}" for p in frame.columns)),
        rows=tuple(
            (f"{effect:g}", *(f"{n}" for n in row)) for effect, row in zip(frame.index, frame.to_numpy(), strict=True)
        ),
        align="l" + "r" * len(frame.columns),
        notes=(
            "Schoenfeld's formula, which asks for too few where some teeth never become numb. Never one number alone: "
            "look at the line above and below your guess.",
        ),
    )
    return Section(id="sizes", title="Sizes", blocks=(table, grid), new_page=True)


def _outcome(question: Question) -> str:
    name = OUTCOMES.get(question.outcome, question.outcome)
    return name + (f", {question.size.source}" if question.outcome == "onset_test" else "")


def _size_row(question: Question, main: bool) -> tuple[str, ...]:
    return (
        _outcome(question) + (" (main outcome)" if main else ""),
        _effect(question.size),
        f"{question.size.total}",
        f"{question.pace.quarters} ({question.pace.low} to {question.pace.high})",
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
            "Power of the log-rank test at the planned size, one analysis; ± two Monte Carlo errors. The log-rank test "
            "loses "
            "little with fewer tests while hazards stay proportional; proportions and waits at early minutes lose all "
            "before "
            "the first test.",
        ),
    )
    texts = dict.fromkeys(
        f"{line.name[:1].upper()}{line.name[1:]}: {tidy(c.text[:1].lower() + c.text[1:])}"
        for line in results.schedules.lines
        for c in line.caution
    )
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
        caption=f"Interim analyses, if quarters bring equal numbers of {plan.unit}",
        columns=("analysis", plan.unit, "boundary", "futility", "alpha spent, %", "stops there, %", "simulated, %"),
        rows=rows,
        align="lrrrrrr",
        notes=(f"Under the planned effect. {plan.method[:1].upper()}{plan.method[1:]}. {plan.source}.",),
    )
    text = (
        f"Analysing {len(plan.looks)} times with the limits of a single analysis would be wrong in "
        f"{_share(plan.naive_error)} of studies "
        f"without a difference. With these boundaries it is {level(plan.alpha)}, for "
        f"{decimal(100 * (plan.inflation - 1))}\u202f% "
        "more information than a single analysis."
    )
    return Section(id="looks", title="Interim analyses every quarter", blocks=(Paragraph(text=text), table))
