"""Looks of a pooled study: the primary outcome over all practices, quarter by quarter."""

from __future__ import annotations

import math
from dataclasses import replace

from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Caution, Counts, EstimateLike, HypothesisTest
from onsetstudy.protocol.model import Quarter
from onsetstudy.study.counts.counted_estimates import difference_of_counts
from onsetstudy.study.group.pool_files import Gathered, first_quarter, last_quarter, until
from onsetstudy.study.group.stratified_ipd import onset_test
from onsetstudy.study.practice.interim import looks_over
from onsetstudy.study.results import LooksTaken
from onsetstudy.study.sets.counted_set import CountedSet

FIRST_OF_SCORES = (
    "Scores carry no quarter in the files: of {} no earlier interim analysis can be made from them, and this one is "
    "taken as the first. A report from the rows has the earlier ones too."
)
OF_SCORES = {"pain_difference": "pain", "treatment_success_difference": "successful treatments"}
"""What carries no quarter in the files."""


def group_looks(counts: Gathered, this: Quarter, *, shut: bool = False, early: bool = False) -> LooksTaken | None:
    """The looks up to a quarter; ``None`` where the protocol has no plan by spending.

    Notes
    -----
    The score of the rate is the log-rank test with practices as strata, that of a difference the one within practices
    that the report answers with, over its standard error: as in a report of the same cases from their rows. Scores
    carry no quarter in the files, so that of pain and of treatments only this quarter's look can be taken, as
    the first; a caution says so. Where no practice's cold tests can bear an answer (``shut``), the looks are gated.
    Periods that were joined count with their last quarter, or ``early`` with their first.
    """
    protocol = counts.protocol
    quarters = [q for q in protocol.quarters if q.first_day <= this.first_day]
    caution: tuple[Caution, ...] = ()
    if (primary := protocol.plan.primary) in OF_SCORES:
        text = FIRST_OF_SCORES.format(OF_SCORES[primary])
        quarters, caution = [this], (Caution(code="first_look_of_scores", text=text),)

    def result(quarter: Quarter) -> tuple[HypothesisTest | EstimateLike | None, Counts]:
        values = counts.values if quarter is this else counts.values[:0]
        data = replace(counts, cells=until(counts.cells, quarter.label, early=early), values=values).counted
        return primary_result(data) if len(data) else None, data.counts()

    shut = shut and quantity_of(primary).rests_on == "cold_tests"
    return looks_over(protocol, quarters, result, "the cases did not determine the outcome", caution, shut=shut)


def strictest_open(counts: Gathered, this: Quarter, taken: LooksTaken | None) -> float:
    """Largest critical value with which the records may have decided at another look than the files; 0 if none can.

    Where quarters were joined, the records had more cases at the looks between. Each look is held twice, with those
    cases and without: it may have decided where the larger z reaches the lower boundary.
    """
    if taken is None or first_quarter(counts.cells["quarter"]).equals(last_quarter(counts.cells["quarter"])):
        return 0.0
    early = group_looks(counts, this, early=True)
    verdicts = (*taken.verdicts, *(() if early is None else early.verdicts))
    found = [0.0]
    for label in {v.label for v in verdicts}:
        looks = [v for v in verdicts if v.label == label]
        bounds = [v.boundary for v in looks if math.isfinite(v.boundary)]
        if bounds and max(abs(v.z) for v in looks) >= min(bounds):
            found.append(max(bounds))
    return max(found)


def primary_result(data: CountedSet) -> HypothesisTest | EstimateLike:
    """What the plan's primary outcome says, as in a report from the rows: its test for the rate, or its difference."""
    primary = data.protocol.plan.primary
    return onset_test(data) if primary == "hazard_ratio" else difference_of_counts(primary, data)
