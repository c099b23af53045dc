"""Looks of a pooled study: the primary outcome over all practices, quarter by quarter."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Caution, Estimate, HypothesisTest
from onsetstudy.design.looks import LookSeen
from onsetstudy.pool.combine import PoolOptions, combine_estimates
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.study.cell_estimates import cell_counts, estimates_of_counts
from onsetstudy.study.gather import Gathered
from onsetstudy.study.looks import QUANTITY, judge_seen, plan_of
from onsetstudy.study.one_stage import onset_test
from onsetstudy.study.periods import until
from onsetstudy.study.results import LooksTaken

__all__ = ["group_looks"]

BY_DIFFERENCE = ("rmst_difference", "success_difference")


def group_looks(counts: Gathered, protocol: Protocol, this: Quarter) -> LooksTaken | None:
    """The looks up to a quarter; ``None`` where the protocol has no plan by spending, or the primary has no quarters.

    Notes
    -----
    The score of the rate is the log-rank test with practices as strata. That of a difference is the average over
    practices by inverse variance (no spread between practices: the hypothesis is no difference in any). Pain is counted
    over the whole period and has no looks.
    """
    plan, rule = plan_of(protocol), protocol.looks
    primary = protocol.plan.primary
    if plan is None or rule is None or primary == "pain_difference":
        return None
    seen, caution = [], []
    for quarter in (q for q in protocol.quarters if q.first_day <= this.first_day):
        cells = until(counts.cells, quarter.label)
        score = _score(cells, protocol) if len(cells) else None
        if score is None:
            text = f"{quarter.label} was no look: the cases did not determine the outcome."
            caution.append(Caution(code="no_look", text=text))
            continue
        n = cell_counts(cells, protocol)
        counted = float(n.onsets if rule.information == "onsets" else n.cases)
        seen.append(LookSeen(label=quarter.label, z=score[0], counted=counted, information=score[1]))
    return judge_seen(protocol, plan, seen, caution)


def _score(cells: pd.DataFrame, protocol: Protocol) -> tuple[float, float] | None:
    """Z (positive: better than the reference) and its information."""
    primary = protocol.plan.primary
    if primary not in BY_DIFFERENCE:
        test = onset_test(cells, protocol)
        return (test.statistic, test.variance[0]) if isinstance(test, HypothesisTest) else None
    nothing = pd.DataFrame(columns=["quantity", "arm", "known", "value", "n"])
    name = primary
    parts = [
        next(e for e in estimates_of_counts(part, nothing, protocol) if e.quantity == name)
        for _, part in cells.groupby("practice_id", sort=True)
    ]
    usable = [e for e in parts if isinstance(e, Estimate) and e.std_error]
    if not usable:
        return None
    if len(usable) == 1:
        value, error = usable[0].estimate, float(usable[0].std_error or np.nan)
    else:
        labels = [str(k) for k in range(len(usable))]
        common = combine_estimates(usable, labels, PoolOptions(conf_level=protocol.plan.conf_level)).common
        if not isinstance(common, Estimate):
            return None
        value, error = common.estimate, float(common.std_error or np.nan)
    return quantity_of(QUANTITY[primary]).toward(value, error), 1 / error**2
