"""Looks of a pooled study: the primary outcome over all practices, quarter by quarter."""

from __future__ import annotations

import pandas as pd

from onsetstudy.core.results import Caution, Counts, EstimateLike, HypothesisTest
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.study.counts.counted_estimates import NO_VALUES, cell_counts, difference_of_counts
from onsetstudy.study.group.pool_files import Gathered, until
from onsetstudy.study.group.stratified_ipd import onset_test
from onsetstudy.study.practice.interim import looks_over
from onsetstudy.study.results import LooksTaken

__all__ = ["OF_SCORES", "group_looks", "primary_result"]

FIRST_OF_SCORES = (
    "Scores carry no quarter in the files: of {} no earlier interim analysis can be made from them, and this one is "
    "taken as the first. A report from the rows has the earlier ones too."
)
OF_SCORES = {"pain_difference": "pain", "treatment_success_difference": "successful treatments"}
"""What carries no quarter in the files."""


def group_looks(counts: Gathered, protocol: Protocol, this: Quarter) -> LooksTaken | None:
    """The looks up to a quarter; ``None`` where the protocol has no plan by spending.

    Notes
    -----
    The score of the rate is the log-rank test with practices as strata, that of a difference the one within practices
    that the report answers with, over its standard error: as in a report of the same cases from their rows. Scores
    carry no quarter in the files, so that of pain and of treatments only this quarter's look can be taken, as
    the first; a caution says so.
    """
    quarters = [q for q in protocol.quarters if q.first_day <= this.first_day]
    caution: tuple[Caution, ...] = ()
    if (primary := protocol.plan.primary) in OF_SCORES:
        text = FIRST_OF_SCORES.format(OF_SCORES[primary])
        quarters, caution = [this], (Caution(code="first_look_of_scores", text=text),)

    def result(quarter: Quarter) -> tuple[HypothesisTest | EstimateLike | None, Counts]:
        cells = until(counts.cells, quarter.label)
        values = counts.values if quarter is this else NO_VALUES
        found = primary_result(cells, values, protocol) if len(cells) else None
        return found, cell_counts(cells, protocol)

    return looks_over(protocol, quarters, result, lambda _: "the cases did not determine the outcome", caution)


def primary_result(cells: pd.DataFrame, values: pd.DataFrame, protocol: Protocol) -> HypothesisTest | EstimateLike:
    """What the plan's primary outcome says, as in a report from the rows: its test for the rate, or its difference."""
    primary = protocol.plan.primary
    if primary == "hazard_ratio":
        return onset_test(cells, protocol)
    return difference_of_counts(primary, cells, values, protocol)
