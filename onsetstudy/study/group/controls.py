"""What the injection cannot change, and what the answer would be if cold tests erred: of a group, from its counts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import FloatArray
from onsetstudy.study.counts.counted_estimates import mean_difference
from onsetstudy.study.group.pool_files import Gathered
from onsetstudy.study.results import ColdTestErrors, NegativeControl
from onsetstudy.study.sets.analysis_set import PRACTICE, by_one_minute
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.study.topics.cold_test_errors import FEWEST, error_grid
from onsetstudy.study.topics.negative_controls import INSERTION, control_compared
from onsetstudy.survival.erring.misclassified import ErrorKernel, kernel_of_intervals


def group_controls(counts: Gathered) -> tuple[NegativeControl, ...]:
    """The negative controls that practices sent, compared within practices by the lines of a practice's own report.

    Parameters
    ----------
    counts : Gathered
        Of the practices in the answer, up to the quarter.

    Returns
    -------
    tuple of NegativeControl
        Pain at insertion, then the control tooth, each where it was sent.
    """
    found, protocol = [], counts.protocol
    rows = counts.values[counts.values["quantity"] == INSERTION]
    if protocol.pain is not None and protocol.pain.moment != "insertion" and len(rows):
        difference = mean_difference(rows, protocol, "insertion_pain_difference", protocol.pain.instrument.unit)
        found.append(NegativeControl(outcome="insertion_pain", difference=difference))
    if protocol.schedule.control_tooth != "none" and (counts.controls["what"] == "tests").any():
        rows = _told(counts.controls)
        tested = CountedSet(frame=rows, protocol=protocol, onset={"treatment": by_one_minute(rows["lost"].to_numpy())})
        found.append(control_compared(tested, tested.counts("treatment")))
    return tuple(found)


def _told(controls: pd.DataFrame) -> pd.DataFrame:
    """Tests that could be an onset by practice and arm: how many were one (``lost``), how many were none."""
    wide = controls.groupby([PRACTICE, "arm", "what"])["n"].sum().unstack("what", fill_value=0)
    wide = wide.reindex(columns=["able", "began"], fill_value=0).reset_index()
    none, some = (
        wide[[PRACTICE, "arm"]].assign(lost=lost, n=n.astype(np.int64))
        for lost, n in ((False, wide["able"] - wide["began"]), (True, wide["began"]))
    )
    rows = pd.concat([none, some], ignore_index=True)
    return rows[rows["n"] > 0].reset_index(drop=True)


def controls_untold(counts: Gathered, letters: dict[str, str]) -> tuple[str, ...]:
    """Letters of the practices whose control teeth are not counted, or not up to the quarter."""
    beyond = dict(counts.beyond)
    told = [letters[e.practice] for _, e in counts.files if e.controls is None or e.practice in beyond]
    return tuple(sorted(set(told), key=lambda letter: (len(letter), letter)))


def group_test_errors(counts: Gathered) -> ColdTestErrors | None:
    """The grid of a group's counted intervals; ``None`` where an arm has few cases.

    Parameters
    ----------
    counts : Gathered
        Of the practices in the answer, up to the quarter.

    Notes
    -----
    Intervals are those of the rate, which a supplement ends. Arms are taken whole, as in a practice's own report. Why
    testing ended without onset counts do not tell, but for the minute of a supplement where the wait ends with it.
    """
    data, protocol = counts.counted, counts.protocol
    arms = [data.where(data.arm == code) for code in protocol.arm_codes[:2]]
    if min(arm.counts().cases for arm in arms) < FEWEST:
        return None

    def kernel(arm: CountedSet, se: float, sp: float) -> ErrorKernel:
        return kernel_of_intervals(
            arm.times("hazard"),
            protocol.schedule.tests_min,
            confirmations=protocol.onset.confirmations,
            sensitivity=se,
            specificity=sp,
            weight=arm.weight.astype(np.float64),
            ended_min=_supplement_min(arm),
        )

    control = counts.controls.groupby("what")["n"].sum()
    return error_grid(
        lambda se, sp: [kernel(arm, se, sp) for arm in arms],
        protocol,
        (int(control.get("not_felt", 0)), int(control.get("tests", 0))),
        from_intervals=True,
    )


def _supplement_min(arm: CountedSet) -> FloatArray:
    """Minute of the supplement before onset where the intervals of the wait tell it, else infinity."""
    wait = arm.times("wait")
    return np.where(wait.exact & np.isinf(arm.times("hazard").right), wait.left, np.inf)
