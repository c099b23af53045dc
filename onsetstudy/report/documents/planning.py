"""The planning report: what the study can and cannot show, and how long it will take."""

from __future__ import annotations

from dataclasses import dataclass

from onsetstudy.design.interim.results import LookPlan
from onsetstudy.design.size_results import Pace, SampleSize
from onsetstudy.design.trials.results import ScheduleComparison
from onsetstudy.report.document import Answer, Block, Cautions, Document, Figure, Pairs, Paragraph, Section, Table
from onsetstudy.report.figures import power
from onsetstudy.report.numbers import THIN, counted, decimal, level, tidy
from onsetstudy.study.planning_results import PlanningResults, Question

__all__ = ["Headline", "compose_planning", "headline", "main_question", "size_lines"]

OUTCOMES = {
    "onset_test": "rate of becoming numb",
    "success": "numb by the target",
    "paired_success": "numb by the target",
    "wait": "restricted mean time to onset",
    "pain": "pain",
}
QUESTION_OF = {
    "hazard_ratio": "onset_test",
    "success_difference": "success",
    "rmst_difference": "wait",
    "pain_difference": "pain",
}
NOT_RANDOMISED = (
    "Arms are not allocated at random here, and sizes take equal numbers in both: as many cases guard against chance, "
    "but not against arms that differ in other ways."
)
MAIN = {
    "hazard_ratio": "the rate of becoming numb",
    "success_difference": "the proportion numb by the target minute",
    "rmst_difference": "the restricted mean time to onset, up to {} minutes",
    "pain_difference": "pain",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """What page 1 and the terminal say first: two sentences, and why formula and simulation differ, if both are."""

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
            *(() if results.schedules is None else (_schedules(results, results.schedules),)),
            *(() if results.looks is None else (_looks(results, results.looks),)),
            Section(id="cautions", title="Cautions", blocks=(Cautions(texts=_cautions(results)),)),
        ),
    )


def _cautions(results: PlanningResults) -> tuple[str, ...]:
    texts = tuple(tidy(c.text) for c in results.caution)
    if results.protocol.study.randomised:
        return texts
    return (*texts, NOT_RANDOMISED)


def _share(value: float) -> str:
    return f"{100 * value:.0f}\u202f%"


def _answer(results: PlanningResults) -> Section:
    said = headline(results)
    title = "How many cases for which effect?"
    blocks: list[Block] = [Answer(seen=said.seen, allows=said.allows)]
    if results.curve:
        drawn = power.draw_figure(results, name="power", title=title)
        blocks.append(
            Figure(
                name="power", title=title, caption=_caption(results), alt=drawn.alt, svg=drawn.svg, narrow=drawn.narrow
            )
        )
    blocks += [Paragraph(text=text) for text in (said.difference, _planned_size(results)) if text]
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
    return (
        f"Power of the {test}. Dots with two errors of the simulation: {results.trials} simulated trials each, through "
        "your schedule, missed tests and onset rule, decided by this test. Lines without dots: its formula. The dots "
        f"of {results.planned_effect:g} lie where the formula has another ratio, for the reason told below. Dotted: "
        f"the planned power. {once}"
    )


def headline(results: PlanningResults) -> Headline:
    """Main outcome first with the power of its own test, and why formula and simulation differ where both are.

    Page 1 and the terminal say the same sentences.
    """
    plan, name = results.protocol.plan, MAIN[results.protocol.plan.primary].format(_tau(results))
    main, needed = main_question(results), results.needed
    if needed is not None:
        month = _month(results, needed.pace)
        return Headline(
            seen=f"Your main outcome, {name} (a hazard ratio of {plan.planned_hazard_ratio:g}), takes "
            f"{needed.included} {_who(results)} to include ({needed.analysed} analysed; by simulation, give or take "
            f"{needed.two_errors}): {_quarters(needed.pace)}.",
            allows=f"That is for {_share(plan.planned_power)} power of the {needed.test}, with your {month}. A smaller "
            "effect takes more.",
            difference=_difference(results),
        )
    if main is None:
        return Headline(seen=f"No size can be told for your main outcome, {name}: {_why_not_sized(results)}.",
                        allows="The sizes of other outcomes are not its size.", difference="")  # fmt: skip
    return Headline(
        seen=f"Your main outcome, {name} ({_effect(main.size)}), takes {main.size.total} {_who(results)} to include "
        f"(by formula): {_quarters(main.pace)}.",
        allows=f"That is for {_share(plan.planned_power)} power of the {main.size.test}, with your "
        f"{_month(results, main.pace)}. A smaller effect takes more.",
        difference="",
    )


def _tau(results: PlanningResults) -> str:
    return f"{results.protocol.onset.tau_min:g}"


def _month(results: PlanningResults, pace: Pace) -> str:
    return f"{pace.included_per_month:.3g} {_who(results)} a month that may be included and agree"


def _why_not_sized(results: PlanningResults) -> str:
    wanted = QUESTION_OF[results.protocol.plan.primary]
    reason = next((n.reason for n in results.not_sized if n.outcome == wanted), "")
    return reason or ("the protocol does not name what that takes, the difference that matters or its spread")


def main_question(results: PlanningResults) -> Question | None:
    """The line of the main outcome among the sizes by formula; nothing where it is not sized."""
    wanted = QUESTION_OF[results.protocol.plan.primary]
    return next((q for q in results.questions if q.outcome in (wanted, f"paired_{wanted}")), None)


def size_lines(results: PlanningResults) -> tuple[str, ...]:
    """Every size by formula, one sentence each, for the terminal."""
    main = main_question(results)
    lines = []
    for q in results.questions:
        name = _outcome(q)
        lines.append(
            f"{name[:1].upper()}{name[1:]}, {_effect(q.size)}: {q.size.total} {_who(results)}, {_quarters(q.pace)}, "
            f"for {_share(q.size.power)} power of the {q.size.test}."
            + (" This is your main outcome." if q is main else "")
        )
    lines += [f"{_named(n.outcome)}: {n.reason}." for n in results.not_sized]
    return tuple(lines)


def _named(outcome: str) -> str:
    name = OUTCOMES.get(outcome, outcome)
    return f"{name[:1].upper()}{name[1:]}"


def _who(results: PlanningResults) -> str:
    return "patients" if results.protocol.study.paired else "cases"


def _quarters(pace: Pace) -> str:
    return f"{counted(pace.quarters, 'quarter')} (likely {pace.low} to {pace.high})"


def _effect(size: SampleSize) -> str:
    return tidy(size.effect_text)


def _difference(results: PlanningResults) -> str:
    """Why the formula and the simulation of the same test ask for different sizes, in one sentence."""
    main = main_question(results)
    if results.needed is None or main is None:
        return ""
    e, formula = results.expected, main.size
    looks = "" if results.looks is None else ", and the simulated size pays for analysing as planned"
    start = f"Why {results.needed.included} and not the {formula.total} of the formula: "
    if max(e.never_reference, e.never_other) == 0 or formula.quantity != "onset_test":
        return f"{start}the simulation also misses tests and lets operators differ{looks}."
    never = f"{_share(e.never_reference)} and {_share(e.never_other)}"
    return (
        f"{start}the formula takes the ratio as the same at all times, as if every tooth became numb sooner or later, "
        f"while in the simulation some never do ({never}, as you expect), so that the arms draw together again"
        f"{looks}."
    )


def _planned_size(results: PlanningResults) -> str:
    found, null, looks, main = results.planned, results.null, results.looks, main_question(results)
    if found is None or null is None or results.needed is None:
        return results.not_simulated
    n = found.scenario.cases
    plan = results.protocol.plan
    text = (
        f"At the planned size ({n} analysed {_who(results)}"
        + ("" if looks is None else f", {looks.planned_information:g} {looks.unit}")
        + f") the {found.test} found a hazard ratio of {plan.planned_hazard_ratio:g} in {_share(found.power)} of "
        f"simulated trials (give or take {decimal(200 * found.mc_error)} percentage points) and a difference where "
        f"there was none in {decimal(100 * null.power)}{THIN}% (give or take {decimal(200 * null.mc_error)})."
    )
    if looks is not None:
        text += f" With the planned interim analyses it uses {found.expected_cases:.0f} {_who(results)} on average."
    wanted = results.needed.analysed if plan.primary == "hazard_ratio" else main and main.size.unrounded
    if wanted and wanted > n:
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
        *_seen(results),
        ("Lost, and tests missed", f"{_share(assumed.lost_share)} and {_share(assumed.missed_share)}"),
        ("Spread of operators, log scale of time", f"{assumed.operator_spread:g}"),
        (
            f"Standard deviation of the time to onset, up to {_tau(results)} minutes",
            f"{assumed.wait_sd_min:g} min stated; {decimal(results.wait.sd_min)} min by the curves above",
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
        ("Seen to become numb in the end", _share(found.onset_share)),
        ("Already numb at the first test", _share(found.numb_at_first)),
    )


def _sizes(results: PlanningResults) -> Section:
    main = main_question(results)
    rows = tuple(_size_row(q, q is main) for q in results.questions)
    rows += tuple((_named(n.outcome), n.reason, "—", "—", "—") for n in results.not_sized)
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
        notes.append(f"For the {needed.test} simulation asks for {needed.included}; the first page says why.")
    if methods:
        notes.append(f"Formulas: {'; '.join(methods)}.")
    table = Table(
        caption=f"{_who(results).capitalize()} to include for {_share(results.protocol.plan.planned_power)} power by "
        "formula, losses added",
        columns=("outcome", "effect", "test", _who(results), "quarters (likely)"),
        rows=rows,
        align="lrlrr",
        notes=tuple(notes),
    )
    return Section(id="sizes", title="Sizes", blocks=(table, *_grid(results)), new_page=True)


def _grid(results: PlanningResults) -> tuple[Block, ...]:
    if results.table is None:
        return ()
    frame = results.table.to_frame()
    return (
        Table(
            caption="Cases to include by effect for the log-rank test of the rate of becoming numb, both arms together",
            columns=("hazard ratio", *(f"power {_share(float(p))}" for p in frame.columns)),
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


def _outcome(question: Question) -> str:
    name = OUTCOMES.get(question.outcome, question.outcome)
    return name + (f", {question.size.source}" if question.outcome == "onset_test" else "")


def _size_row(question: Question, main: bool) -> tuple[str, ...]:
    return (
        _outcome(question) + (" (main outcome)" if main else ""),
        _effect(question.size),
        question.size.test,
        f"{question.size.total}",
        f"{question.pace.quarters} ({question.pace.low} to {question.pace.high})",
    )


def _schedules(results: PlanningResults, compared: ScheduleComparison) -> Section:
    """Power stands here only where the primary outcome is tested by the test that is simulated."""
    shown = results.planned is not None and results.planned.test == compared.lines[0].power.test
    rows = []
    for line in compared.lines:
        more = (
            "—"
            if line is compared.lines[0]
            else f"{decimal(100 * line.more_cases)} (± {decimal(200 * line.more_cases_error)})"
        )
        tests = ", ".join(f"{t:g}" for t in line.tests_min[:5]) + (" …" if len(line.tests_min) > 5 else "")
        of_test = (_share(line.power.power), more) if shown else ()
        rows.append((line.name, tests, f"{len(line.tests_min)}", *of_test, _share(line.power.numb_at_first)))
    note = (
        f"Power of the {compared.lines[0].power.test} at the planned size, analysed once; ± two Monte Carlo errors. "
        "The log-rank test loses little with fewer tests while hazards stay proportional; proportions and times at "
        "early minutes lose all before the first test."
        if shown
        else "Proportions and times at early minutes lose all before the first test. What a schedule costs in cases is "
        "not told: the primary outcome is not simulated under it."
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


def _looks(results: PlanningResults, plan: LookPlan) -> Section:
    simulated = () if results.planned is None else results.planned.by_look
    rows = []
    for k, p in enumerate(plan.looks):
        row = (
            f"{p.number}",
            f"{round(p.fraction * plan.planned_information)}",
            decimal(p.upper, 2),
            "—" if p.futility is None else decimal(p.futility, 2),
            f"{100 * p.alpha_spent:.2f}",
            f"{100 * p.cross_design:.0f}",
        )
        rows.append((*row, f"{100 * simulated[k]:.0f}") if simulated else row)
    note = (
        f"Under an effect for which the boundaries as a whole have {_share(results.protocol.plan.planned_power)} power "
        f"at the planned information, whatever the test. {plan.method[:1].upper()}{plan.method[1:]}. {plan.source}."
    )
    note += f" Simulated: the {results.planned.test}." if results.planned is not None else f" {results.not_simulated}"
    table = Table(
        caption=f"Interim analyses, if quarters bring equal numbers of {plan.unit}",
        columns=(
            "interim analysis", plan.unit, "boundary", "futility", "alpha spent, %", "stops there, %",
            *(("simulated, %",) if simulated else ()),
        ),
        rows=tuple(rows),
        align="l" + "r" * (len(rows[0]) - 1),
        notes=(note,),
    )  # fmt: skip
    text = (
        f"Analysing {len(plan.looks)} times with the limits of a single analysis would be wrong in "
        f"{_share(plan.naive_error)} of studies "
        f"without a difference. With these boundaries it is {level(plan.alpha)}, for "
        f"{decimal(100 * (plan.inflation - 1))}\u202f% "
        "more information than a single analysis."
    )
    return Section(id="looks", title="Interim analyses every quarter", blocks=(Paragraph(text=text), table))
