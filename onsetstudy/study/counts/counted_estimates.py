"""A practice's estimates from its counts alone: the same numbers as from its rows, with cases taken as independent."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from onsetstudy.core.results import Counts, EstimateLike
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.outcomes.chair_time import waits_not_seen
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.counts.aggregate_counts import AT_LEAST
from onsetstudy.study.practice.subsets import ratio_of
from onsetstudy.study.sets.analysis_set import PRACTICE
from onsetstudy.study.sets.contrasts import BY_ARM, TREATED, arm_missing, ask, difference_asked, means_compared
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.survival.results import ArmContrast

POOLED = ("hazard_ratio", "rmst_difference", "success_difference", "pain_difference", "chair_time_difference", TREATED)
"""What is pooled over practices, in the order of the report."""
MEANS = {"pain_difference": "pain", "chair_time_difference": "spent"}
"""What is compared as means, and the values that they are of: scores at the protocol's moment, where it has one."""
SCORES = ("pain_difference", "insertion_pain_difference")
"""Means of scores: where these do not vary they were hardly asked."""
NOT_SENT = "no case of the arm {} has been sent"


def estimates_of_counts(data: CountedSet, asked: Sequence[str] = POOLED) -> tuple[EstimateLike, ...]:
    """The quantities of one practice, as far as its protocol has them.

    What the counts do not determine is ``NotAvailable`` with the reason.
    """
    told = {"pain_difference": data.protocol.pain is not None, TREATED: data.protocol.tells_treatment}
    return tuple(difference_of_counts(key, data) for key in asked if told.get(key, True))


def difference_of_counts(key: str, data: CountedSet) -> EstimateLike:
    """One difference, of all practices together each compared within itself, as a report from the rows has it.

    Parameters
    ----------
    key : str
        One of :data:`POOLED`, or ``not_numb_difference``.
    data : CountedSet
    """
    found = contrast_of_counts(key, data)
    return found.difference if isinstance(found, ArmContrast) else found


def contrast_of_counts(key: str, data: CountedSet) -> ArmContrast | EstimateLike:
    """What compares the arms, and the arms themselves where these are told; see :func:`difference_of_counts`."""
    protocol, data = data.protocol, data.two_arms()

    def answer() -> ArmContrast | EstimateLike:
        if key == "hazard_ratio":
            return ratio_of(data)
        if key in BY_ARM:
            return BY_ARM[key][1](data)
        # A wait not seen to its end counts with the minutes that were seen, as in the practice's own report.
        pain = protocol.pain if key == "pain_difference" else None
        rows = data.values[data.values["quantity"] == (f"pain_{pain.moment}" if pain else MEANS[key])]
        return mean_difference(rows, protocol, key, pain.instrument.unit if pain else "min")

    unit = "min" if key in MEANS and protocol.pain is None else None
    return ask(data, key, answer, refusal=arm_missing(data, NOT_SENT), method="from counts", unit=unit)


def mean_difference(values: pd.DataFrame, protocol: Protocol, quantity: str, unit: str) -> EstimateLike:
    """Difference of means from counts of values, other arm minus reference, within practices where there are several.

    Values known only to be at least so large count as they stand, and a caution says how many.
    """
    reference, other = protocol.arm_codes[:2]
    rows = values[values["arm"].isin((reference, other))]
    n, arm = rows["n"].to_numpy(dtype=np.int64), rows["arm"].to_numpy(dtype=str)
    seen = (rows["known"] != AT_LEAST).to_numpy(dtype=bool)
    counts = Counts.of(seen, arm, (reference, other), cases=n)
    return means_compared(
        rows["value"].to_numpy(dtype=float), arm, [rows[PRACTICE].to_numpy(dtype=str)] if PRACTICE in rows else [],
        protocol, difference_asked(protocol, quantity, unit, counts), weight=n, needs_spread=quantity in SCORES,
        assumptions=(INDEPENDENT_CASES,), caution=waits_not_seen({a.arm: a.cases - a.onsets for a in counts.by_arm}),
    )  # fmt: skip
