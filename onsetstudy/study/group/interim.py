"""Looks of a pooled study: the primary outcome over all practices, quarter by quarter."""

from __future__ import annotations

import pandas as pd

from onsetstudy.core.results import Caution
from onsetstudy.design.interim.interim_analyses import LookSeen
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.study.counts.counted_estimates import NO_VALUES, cell_counts, difference_of_counts
from onsetstudy.study.group.pool_files import Gathered, until
from onsetstudy.study.group.stratified_ipd import onset_test
from onsetstudy.study.planning.power import plan_of
from onsetstudy.study.practice.interim import judge_seen, score_of
from onsetstudy.study.results import LooksTaken

__all__ = ["group_looks"]

BY_DIFFERENCE = ("rmst_difference", "success_difference", "pain_difference", "treatment_success_difference")
WITHOUT_QUARTER = ("pain_difference", "treatment_success_difference")
FIRST_OF_SCORES = (
    "Scores carry no quarter in the files: of {} no earlier interim analysis can be made from them, and this one is "
    "taken as the first. A report from the rows has the earlier ones too."
)

OF_SCORES = {"pain_difference": "pain", "treatment_success_difference": "successful treatments"}


def group_looks(counts: Gathered, protocol: Protocol, this: Quarter) -> LooksTaken | None:
    """The looks up to a quarter; ``None`` where the protocol has no plan by spending.

    Notes
    -----
    The score of the rate is the log-rank test with practices as strata, that of a difference the one within practices
    that the report answers with, over its standard error: as in a report of the same cases from their rows. Scores
    carry no quarter in the files, so that of pain and of treatments only this quarter's look can be taken, as
    the first; a caution says so.
    """
    plan, rule = plan_of(protocol), protocol.looks
    primary = protocol.plan.primary
    if plan is None or rule is None:
        return None
    seen, caution = [], []
    quarters = [q for q in protocol.quarters if q.first_day <= this.first_day]
    if primary in WITHOUT_QUARTER:
        quarters = [this]
        caution.append(Caution(code="first_look_of_scores", text=FIRST_OF_SCORES.format(OF_SCORES[primary])))
    for quarter in quarters:
        cells = until(counts.cells, quarter.label)
        values = counts.values if quarter is this else NO_VALUES
        score = _score(cells, values, protocol) if len(cells) else None
        if score is None:
            text = f"{quarter.label} was no look: the cases did not determine the outcome."
            caution.append(Caution(code="no_look", text=text))
            continue
        n = cell_counts(cells, protocol)
        counted = float(n.onsets if rule.information == "onsets" else n.cases)
        seen.append(LookSeen(label=quarter.label, z=score[0], counted=counted, information=score[1]))
    return judge_seen(protocol, plan, seen, caution)


def _score(cells: pd.DataFrame, values: pd.DataFrame, protocol: Protocol) -> tuple[float, float | None] | None:
    """Z (positive: better than the reference) and its information, as a practice's own report has them."""
    primary = protocol.plan.primary
    if primary not in BY_DIFFERENCE:
        return score_of(onset_test(cells, protocol), primary)
    return score_of(difference_of_counts(primary, cells, values, protocol), primary)
