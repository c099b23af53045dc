"""What was planned, what an interim analysis allows one to say, and what may be said whenever one looks."""

from __future__ import annotations

import math

from onsetstudy.core.claims import DECIDED, first_decided
from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.design.interim.results import LookVerdict, StoppedEstimate
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Pieces, Section, Table, note, notes_of
from onsetstudy.report.figures import interim
from onsetstudy.report.figures.canvas import contrast_look
from onsetstudy.report.names import effect_told, outcome_name, plain_words
from onsetstudy.report.numbers import capital, counted, day, decimal, interval, level, p_equals
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import AnytimeTaken, LooksTaken
from onsetstudy.survival.results import AnytimeTest

STATUS = {
    "locked_before": "The protocol was locked on {day}, {order}.",
    "locked_late": "The protocol was locked on {day}, after the first case on {first}.",
    "changed": "The protocol that this report follows differs from version {number}, locked on {last}.",
    "not_locked": "The protocol was never locked.",
}
KINDS = {
    "primary": "planned, primary",
    "secondary": "planned, secondary",
    "sensitivity": "planned, to see what another choice would give",
    "described": "not planned: a description",
}
SUBSETS = {
    "by_quarter": "each quarter by itself",
    "by_technique": "each technique by itself",
    "by_practice": "each practice by itself",
}


PARTS = {
    "net_min": "minutes of the chair saved, mixing counted",
    "pain_margin": "pain not worse than the margin",
    "not_numb_margin": "not numb not more often than the margin",
    "stopping_harms": "none of the harms that stop",
}
LEAST_SHOWN = 0.005
"""Errors that differ by less are the same in per cent."""
MET = {"met": "met", "failed": "not met", "open": "not decided by the interval"}


def planned_section(results: StudyResults) -> Section | None:
    """Lock, amendments and the plan; nothing where no standing was asked for."""
    standing = results.standing
    if standing is None:
        return None
    versions = standing.versions
    facts = {"first": day(standing.first_case) if standing.first_case else "no day"}
    if versions:
        facts |= {"day": day(versions[0].day), "last": day(versions[-1].day), "number": str(versions[-1].number)}
        same_day = versions[0].day == standing.first_case
        facts["order"] = "the day of the first case" if same_day else f"before the first case on {facts['first']}"
    amended = [
        (
            f"{v.number}",
            day(v.day),
            "after" if v.day > standing.first_case else "before",
            v.reason,
            ", ".join(key for key, _, _ in v.changes),
        )
        for v in versions[1:]
    ]
    analyses = [
        (
            SUBSETS.get(a.analysis) or outcome_name(a.analysis),
            KINDS[a.status] + (f"; amended {day(a.amended)}" if a.amended else ""),
        )
        for a in standing.analyses
    ]
    return Section.of(
        "planned",
        "What was planned",
        _adoption(results),
        STATUS[standing.status].format(**facts),
        Table.of("Differs from the locked version", ("key", "locked", "now"), standing.changes[:12], align="lll"),
        Table.of("Amendments", ("version", "day", "first case", "reason", "changed"), amended, align="lllll"),
        Table.of("Planned and not planned", ("analysis", "status"), analyses, align="ll"),
    )


def _adoption(results: StudyResults) -> list[Pieces]:
    """Adopt, do not adopt, or undecided, by the rule that was declared before the lock."""
    found = results.adoption
    if found is None:
        return []
    if found.none_because:
        return [f"No rule of adoption was declared, because {found.none_because.rstrip('.')}."]
    rows = ((PARTS[p.name], MET[p.code]) for p in found.parts)
    return [
        f"By the rule of adoption in the protocol: {plain_words(found.verdict)}.",
        Table.of("The rule of adoption", ("condition", "these records"), rows, align="ll"),
    ]


SPENDING = {"obrien_fleming": "O'Brien-Fleming", "pocock": "Pocock", "power": "power family"}
VERDICTS = {
    "crossed": "boundary crossed. With all interim analyses allowed for, {difference}.",
    "ended": "the planned size is reached and the boundary was not crossed. {not_shown} was shown.",
    "descriptive": "an extra analysis, descriptive only. {why}",
    "gated": "the cold tests could not bear an answer, so that no boundary was held against them. It counts all the "
    "same: its part of the error rate is spent, and intervals on these pages allow for it.",
    "unlikely": "by the futility rule a gain is unlikely to be shown. {chances}",
    "futile": "below the boundary of futility, at which the plan ends the study. {not_shown} was shown.",
    "continue": "continue; the boundary is not reached.{naive} {chances}",
}
UNITS = {"log ratio": "ratio", "min": "minutes saved", "proportion": "difference of proportions"}


def verdict_words(taken: LooksTaken, protocol: Protocol) -> str:
    """The verdict on the present look, in one or two plain sentences."""
    count, decided = len(taken.verdicts), first_decided(v.code for v in taken.verdicts)
    over = count if decided is None else decided + 1
    v = taken.verdicts[over - 1]
    why = v.caution[0].text.removeprefix("Extra look, descriptive only: ") if v.code == "descriptive" else ""
    naive = " Somebody who knew of this analysis only would have claimed a difference." if v.naive_claim else ""
    said = VERDICTS[v.code].format(
        difference=_difference_said(v, taken, protocol),
        not_shown=f"No {'difference' if taken.plan.sided == 2 else 'gain'} in the {outcome_name(taken.primary)}",
        why=capital(why),
        naive=naive,
        chances=_chances(v, taken, protocol),
    )
    text = f"Interim analysis {over} ({v.label}), {v.counted:g} of {v.planned:g} planned {v.unit}: {said}".strip()
    return text if over == count else f"{text} The analyses after it are descriptive only."


def _difference_said(verdict: LookVerdict, taken: LooksTaken, protocol: Protocol) -> str:
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    direction = QUANTITIES[taken.primary].word(1 if verdict.direction == "sooner" else -1)
    said = {
        "pain_difference": f"mean pain was {direction}",
        "success_difference": f"{direction} teeth were numb by the target minute",
        "treatment_success_difference": f"{direction} treatments succeeded",
    }.get(taken.primary)
    if said:
        return f"{said} with {other} than with {reference} injections"
    return f"{other} teeth were numb {direction} than {reference} ones ({outcome_name(taken.primary)})"


def _chances(verdict: LookVerdict, taken: LooksTaken, protocol: Protocol) -> str:
    """Conditional power, of which effect it is, and which effect the planned information is enough for."""
    powers = verdict.conditional
    if powers is None:
        return ""
    enough = f"{verdict.planned:g} {verdict.unit} have {taken.plan.power:.0%} power for"
    planned = f"the effect that {enough}" if powers.effect is None else effect_told(powers.effect, protocol)
    if powers.effect is not None and taken.primary == "hazard_ratio":
        planned += " at all times"
    text = (
        f"The chance to cross the boundary in favour of {protocol.label(protocol.contrast_arm)} in the end is "
        f"{powers.design:.0%} if there is {planned}, and {powers.predictive:.0%} by what was seen so far."
    )
    if powers.powered_for is not None:
        text += f" Going by the cases so far, {enough} {effect_told(powers.powered_for, protocol)}"
        text += "." if verdict.futility is None else ": the futility rule is set for that effect."
    return text.replace("%", "\u202f%")


def looks_section(taken: LooksTaken | None, protocol: Protocol) -> Section | None:
    """Verdict, figure, all looks, and the estimate once the study has stopped."""
    if taken is None:
        return None
    last = taken.verdicts[-1]
    decided = [v for v in taken.verdicts[:-1] if v.code in DECIDED]
    return Section.of(
        "looks",
        "What this interim analysis allows",
        verdict_words(taken, protocol),
        interim.draw_figure(taken, look=contrast_look(protocol)).titled(
            "looks",
            "What did each interim analysis allow?",
            f"Dots: the z statistic of the {outcome_name(taken.primary)} at each interim analysis; above 0 "
            f"{protocol.label(protocol.contrast_arm)} is better. Short bars: the boundary of that analysis; dashed: "
            f"the boundary as planned; dotted: {taken.plan.single_look:.2f}, which a reader of a single analysis would "
            "take.",
        ),
        _table(taken),
        None if taken.stopped is None else _stopped(taken, taken.stopped),
        _naive(taken),
        notes_of((*taken.caution, *(c for v in decided for c in v.caution), *last.caution)),
    )


def _naive(taken: LooksTaken) -> Pieces:
    """How often the limits of a single analysis would be wrong: after several, or of all that are planned."""
    plan, times, error = taken.plan, f"{len(taken.verdicts)}", taken.verdicts[-1].naive_error
    single = plan.alpha + LEAST_SHOWN
    if error < single:
        times, error = f"all {len(plan.looks)} planned", plan.naive_error
    if error < single:
        return None
    return note(
        f"Analysing {times} times with the limits of a single analysis would be wrong in {100 * error:.0f}\u202f% of "
        f"studies without a difference, not in {level(plan.alpha)}."
    )


CODES = {
    "continue": "continue",
    "crossed": "boundary crossed",
    "unlikely": "unlikely to show it",
    "futile": "ended for futility",
    "ended": "ended, not crossed",
    "descriptive": "extra analysis",
    "gated": "gated, counted as taken",
}


def _table(taken: LooksTaken) -> Table:
    rows = [
        (
            v.label,
            f"{v.counted:g}",
            decimal(v.z, 2) if math.isfinite(v.z) else "—",
            decimal(v.boundary, 2) if math.isfinite(v.boundary) else "—",
            "—" if v.futility is None else decimal(v.futility, 2),
            f"{100 * v.alpha_spent:.2f}" if math.isfinite(v.alpha_spent) else "—",
            CODES[v.code],
        )
        for v in taken.verdicts
    ]
    plan = taken.plan
    return Table.of(
        "Interim analyses so far",
        ("analysis", plan.unit, "z", "boundary", "futility", "alpha spent, %", "verdict"),
        rows,
        f"{capital(plan.method)}; {SPENDING.get(plan.spending, plan.spending)} type, {level(plan.alpha)} in all, "
        f"{plan.planned_information:g} {plan.unit} planned, futility {plan.futility.replace('_', '-')}. {plan.source}.",
        align="lrrrrrl",
    )


def _stopped(taken: LooksTaken, found: StoppedEstimate) -> str:
    show = math.exp if taken.scale == "log ratio" else float
    places = 3 if taken.scale == "proportion" else 2
    estimate, plain = (decimal(show(v), places) for v in (found.estimate, found.plain))
    span = interval(show(found.interval.low), show(found.interval.high), places)
    over = first_decided(v.code for v in taken.verdicts)
    when = "" if over is None else f"At {taken.verdicts[over].label}, when the study was decided, "
    return (
        f"{when}the estimate that allows for the interim analyses was {estimate} ({span}; "
        f"{UNITS.get(taken.scale, '')}), {'one-sided ' if taken.plan.sided == 1 else ''}p {p_equals(found.p_value)}, "
        f"{found.method}; ignoring them {plain}."
    )


def anytime_words(taken: AnytimeTaken, protocol: Protocol) -> str:
    """The verdict in plain words."""
    if taken.test is None:
        return taken.caution[0].text
    if taken.crossed_at is not None:
        return (
            f"Boundary crossed after {counted(taken.crossed_at, 'case')}: {_sooner(taken.test, protocol)}. That holds "
            "however often one has looked and whenever one stops."
        )
    return (
        f"Continue: the evidence stands at {_e(taken.test.e_value)} to 1 and a difference may be claimed from "
        f"{1 / taken.alpha:.0f} to 1 on. One may analyse again after every case."
    )


def anytime_first_page(taken: AnytimeTaken, protocol: Protocol) -> str:
    """The verdict for a reader in a hurry: no odds of evidence; those stand in the section."""
    if taken.test is None:
        return taken.caution[0].text
    if taken.crossed_at is None:
        return (
            "The evidence is not strong enough yet to say that either arm is numb sooner. One may analyse again after "
            "every case."
        )
    return (
        f"After {counted(taken.crossed_at, 'case')} the evidence was strong enough, however often one has looked: "
        f"{_sooner(taken.test, protocol)}."
    )


def _sooner(test: AnytimeTest, protocol: Protocol) -> str:
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    return f"{other} teeth were numb {'sooner' if test.leaning > 1 else 'later'} than {reference} ones"


def _e(value: float) -> str:
    return decimal(value, 2) if value < 100 else f"{value:.3g}"


def anytime_section(taken: AnytimeTaken | None, protocol: Protocol) -> Section | None:
    """Evidence and limits by quarter; nothing where the protocol does not ask for it."""
    if taken is None:
        return None
    table, cautions = None, taken.caution if taken.test is not None else ()
    if taken.test is not None and taken.success is not None:
        limits = f"success, percentage points, {level(1 - taken.alpha)} limits at all times"
        table = Table.of(
            "Evidence by quarter",
            ("analysis", "cases", "evidence, to 1", "highest so far", limits),
            [
                (x.label, f"{x.cases}", _e(x.e_value), _e(x.highest), interval(100 * x.low, 100 * x.high, 0))
                for x in taken.looks
            ],
            f"{capital(taken.test.method)}; {taken.success.method}. No limits of this kind are given for the "
            "hazard ratio: they would need the true curve, which nobody knows.",
        )
        cautions += taken.success.caution
    said = anytime_words(taken, protocol)
    return Section.of("anytime", "What may be said at any time", said, table, notes_of(cautions))
