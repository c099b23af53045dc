"""What is left of the difference among cases alike."""

from __future__ import annotations

from functools import partial

from onsetstudy.adjustment.results import EValue, FairComparison
from onsetstudy.core.results import Estimate, EstimateLike
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import value_text
from onsetstudy.report.document import Figure, Section, Table, note, notes_of
from onsetstudy.report.figures import balance
from onsetstudy.report.figures.canvas import contrast_look
from onsetstudy.report.names import field_name
from onsetstudy.report.numbers import counted, decimal, interval, level, listed, tidy

__all__ = ["fair_section"]

# Said under the numbers that it is about.
BESIDE_THE_TABLE = ("extrapolated",)
PERIODS = {
    "apart": "The arms do not overlap in time: whatever else changed between them cannot be told from buffering.",
    "mixed": "",
    "one_arm": "There is one arm only; nothing can be compared.",
}


def fair_section(fair: FairComparison | None, protocol: Protocol) -> Section | None:
    """The arms as they are, weighted and standardised; nothing for randomised studies."""
    if fair is None:
        return None
    other, reference = (protocol.label(a) for a in (protocol.contrast_arm, protocol.reference_arm))
    came_about = {
        "clinician_choice": f"operators chose who was {other}",
        "alternating": "the arms alternated, so the next one could be known beforehand",
        "date_based": f"the date said who was {other}, so the arm could be known beforehand",
    }[protocol.study.allocation]
    accounted = listed([field_name(c) for c in fair.covariates])
    alike = (
        f"and among cases alike in {accounted}" if accounted else "as nothing was recorded in which cases could differ"
    )
    section = partial(
        Section.of,
        "fair",
        "Among cases alike",
        f"Nobody drew lots: {came_about}. The difference is shown as it is, {alike}. "
        "What was not recorded may still differ, so no line says that buffering made the difference.",
        PERIODS[fair.period],
    )
    if fair.period == "one_arm":
        return section()
    left_out = listed([f"{field_name(name)} ({why})" for name, why in fair.left_out])
    return section(
        _table(fair, protocol),
        _balance(fair, protocol, other, reference) if fair.balance else None,
        map(_explained_by, fair.e_values),
        _learning(fair.learning) if isinstance(fair.learning, Estimate) else None,
        note(f"Not accounted for: {left_out}.") if left_out else None,
        notes_of(c for c in fair.caution if c.code not in BESIDE_THE_TABLE),
    )


def _balance(fair: FairComparison, protocol: Protocol, other: str, reference: str) -> Figure:
    caption = (
        f"Differences of {other} from {reference}, in standard deviations: open as they are, filled after "
        "weighting. Between the hairlines (0.1, common practice, no source) arms count as alike."
    )
    if len(fair.balance) > balance.MOST_ROWS:
        caption += f" The {balance.MOST_ROWS} most unlike of {len(fair.balance)}."
    drawing = balance.draw_figure(fair, look=contrast_look(protocol))
    return drawing.titled("balance", "Were the arms alike?", caption)


def _table(fair: FairComparison, protocol: Protocol) -> Table:
    names = {
        "success_difference": (f"numb by {protocol.onset.target_min:g} min, percentage points", 100.0, 0),
        "rmst_difference": ("restricted mean time to onset, minutes", 1.0, 1),
        "pain_difference": (f"mean pain, {protocol.pain.instrument.unit if protocol.pain else ''}", 1.0, 1),
    }
    ways = ("weighted", "standardised") if fair.covariates else ()
    rows = []
    for line in fair.lines:
        name, factor, places = names[line.outcome]
        found: list[EstimateLike] = [line.crude, *(getattr(line, way) for way in ways)]
        rows.append((name, *(value_text(e, places, factor=factor, missing=None) for e in found)))
    effective = fair.overlap.effective if fair.overlap else ()
    told = "; ".join(f"{n} {protocol.label(a)} cases count as {eff:.0f}" for a, eff, n in effective)
    two_ways = (
        f", of the two ways on the right by {fair.replicates} draws of patients, everything fitted anew in each. "
        "Weighted: overlap weights, for cases who might have had either arm. Standardised: predicted for all cases "
        "under either arm"
    )
    return Table.of(
        "The difference as it is, and among cases alike" if ways else "The difference as it is",
        ("what", "as it is", *ways),
        rows,
        f"Differences are {protocol.label(protocol.contrast_arm)} less {protocol.label(protocol.reference_arm)} with "
        f"{level(protocol.plan.conf_level)} limits{two_ways if ways else ''}.",
        f"Weighted, {told}." if told else "",
        *(tidy(c.text) for c in fair.caution if c.code in BESIDE_THE_TABLE),
    )


def _explained_by(e: EValue) -> str:
    """How strong something unrecorded would have to be."""
    times, limit = decimal(e.value), "the interval holds no difference as it is"
    if e.limit != 1:
        limit = f"{decimal(e.limit)} times would do for the nearer limit to reach no difference"
    return (
        f"Could something unrecorded explain the hazard ratio ({decimal(e.ratio, 2)} as it is)? It would have to be "
        f"{times} times as common in one arm and make onset {times} times as likely (E-value); {limit}."
    )


def _learning(learning: Estimate) -> str:
    low, high = learning.interval.low, learning.interval.high
    word = (
        "operators got better with practice"
        if low > 1
        else "operators did worse as time went on"
        if high < 1
        else "no learning is seen"
    )
    return (
        f"With each doubling of an operator's cases the odds of being numb by the target were "
        f"{decimal(learning.estimate, 2)} times ({interval(low, high, 2)}): {word}, in "
        f"{counted(learning.n.cases, 'case')}."
    )
