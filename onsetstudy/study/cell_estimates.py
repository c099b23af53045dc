"""A practice's estimates from its counts alone: the same numbers as from its rows, with cases taken as independent."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import ArmCount, Assumption, Caution, Counts, Estimate, Interval, NotAvailable
from onsetstudy.protocol.estimands import estimand_of
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.attempt import attempt
from onsetstudy.study.strata import shared_baselines
from onsetstudy.study.tally import AT_LEAST
from onsetstudy.survival.regression import fit_proportional_hazards
from onsetstudy.survival.rmst import estimate_rmst
from onsetstudy.survival.success import success_by

__all__ = [
    "POOLED",
    "cell_baselines",
    "cell_counts",
    "cell_stratum",
    "cell_times",
    "estimates_of_counts",
    "mean_difference",
]

EstimateLike = Estimate | NotAvailable
POOLED = ("hazard_ratio", "rmst_difference", "success_difference", "pain_difference", "chair_time_difference")
"""What is pooled over practices, in the order of the report."""
INDEPENDENT = Assumption(name="independent cases", detail="patients who come again count as if they were others")


def cell_times(cells: pd.DataFrame, estimand: str) -> Intervals:
    """Onset intervals of the cells."""
    left = np.asarray(cells[f"left_{estimand}"], dtype=np.float64)
    right = np.asarray(cells[f"right_{estimand}"], dtype=np.float64)
    return Intervals(left, np.where(np.isnan(right), np.inf, right))


def cell_stratum(cells: pd.DataFrame, protocol: Protocol, *more: str) -> NDArray[np.str_] | None:
    """Strata of the plan (and ``more`` columns) as one code per cell; ``None`` where there is one only."""
    names = [*more, *(name for name in protocol.plan.strata if name != "practice_id")]
    if not names:
        return None
    joined = cells[names].astype(str).agg(" | ".join, axis=1).to_numpy(dtype=str)
    return joined if np.unique(joined).size > 1 else None


def cell_baselines(cells: pd.DataFrame, protocol: Protocol, *more: str) -> NDArray[np.str_] | None:
    """Strata for a ratio of rates, as :func:`~onsetstudy.study.strata.shared_baselines` puts small ones together."""
    names = [*(name for name in protocol.plan.strata if name != "practice_id"), *more]
    return shared_baselines([cells[name] for name in names], weight=cells["n"])


def cell_counts(cells: pd.DataFrame, protocol: Protocol, estimand: str = "hazard") -> Counts:
    """Cases and onsets of the cells."""
    onset = np.isfinite(cell_times(cells, estimand).right)
    n = cells["n"].to_numpy()
    return Counts.of(onset, cells["arm"].to_numpy(dtype=str), protocol.arm_codes, cases=n)


def estimates_of_counts(cells: pd.DataFrame, values: pd.DataFrame, protocol: Protocol) -> tuple[EstimateLike, ...]:
    """The quantities :data:`POOLED`, for one practice.

    Parameters
    ----------
    cells, values : DataFrame
        Counts as in :class:`~onsetstudy.study.tally.Tally`.
    protocol : Protocol

    Returns
    -------
    tuple of Estimate or NotAvailable
        What the counts do not determine is ``NotAvailable`` with the reason.
    """
    reference, other = protocol.arm_codes[:2]
    cells = cells[cells["arm"].isin((reference, other))]
    counts = cell_counts(cells, protocol)
    plan = protocol.plan
    level = plan.conf_level
    missing = [protocol.label(a.arm) for a in counts.by_arm[:2] if a.cases == 0]

    def ask(quantity: str, sign: str, unit: str, function: Callable[[], EstimateLike]) -> EstimateLike:
        contrast = f"{other} {sign} {reference}"

        def checked() -> EstimateLike:
            if missing:
                raise NotEstimable(quantity, f"no case of the arm {missing[0]} has been recorded", code="arm_missing")
            return function()

        result: Any = attempt(
            checked, quantity=quantity, contrast=contrast, unit=unit, method="from counts", n=counts, level=level
        )
        return result  # type: ignore[no-any-return]

    n = cells["n"].to_numpy(dtype=np.int64)
    arm = cells["arm"].to_numpy(dtype=str)

    def ratio() -> Estimate:
        fit = fit_proportional_hazards(
            cell_times(cells, "hazard"),
            {"arm": arm},
            reference={"arm": reference},
            stratum=cell_baselines(cells, protocol),
            weight=n,
            conf_level=level,
        )
        return fit.estimates[0]

    def wait() -> Estimate:
        asked = estimand_of(protocol, "rmst_difference")
        return estimate_rmst(
            cell_times(cells, "wait"),
            arm,
            reference_arm=reference,
            weight=n,
            tau_min=asked.minute,
            grace_min=asked.grace_min,
            conf_level=level,
            seed=plan.seed,
        ).difference

    def success() -> Estimate:
        asked = estimand_of(protocol, "success_difference")
        return success_by(
            cell_times(cells, "success"),
            arm,
            reference_arm=reference,
            weight=n,
            target_min=asked.minute,
            grace_min=asked.grace_min,
            conf_level=level,
        ).difference

    found = [
        ask("hazard_ratio", "/", "ratio", ratio),
        ask("rmst_difference", "-", "min", wait),
        ask("success_difference", "-", "proportion", success),
    ]
    if protocol.pain is not None:
        pain = values[values["quantity"] == f"pain_{protocol.pain.moment}"]
        unit = protocol.pain.instrument.unit
        found.append(
            ask("pain_difference", "-", unit, lambda: mean_difference(pain, protocol, "pain_difference", unit))
        )
    # A wait that was not seen to its end counts with the minutes that were seen, as in the practice's own report.
    waits = values[values["quantity"] == "spent"]
    found.append(
        ask(
            "chair_time_difference",
            "-",
            "min",
            lambda: mean_difference(waits, protocol, "chair_time_difference", "min"),
        )
    )
    return tuple(found)


def mean_difference(values: pd.DataFrame, protocol: Protocol, quantity: str, unit: str) -> Estimate:
    """Difference of means from counts of values, other arm minus reference, by Welch's t.

    Values known only to be at least so large count as they stand, and a caution says how many.

    Raises
    ------
    NotEstimable
        If an arm has fewer than two values, or there is no spread.
    """
    reference, other = protocol.arm_codes[:2]
    parts = []
    for code in (reference, other):
        rows = values[values["arm"] == code]
        n, v = rows["n"].to_numpy(dtype=float), rows["value"].to_numpy(dtype=float)
        total = n.sum()
        if total < 2:
            raise NotEstimable(
                quantity, f"fewer than two values are known of the arm {protocol.label(code)}", code="few"
            )
        mean = float(n @ v / total)
        seen = int(n[(rows["known"] != AT_LEAST).to_numpy(dtype=bool)].sum())
        parts.append((mean, float(n @ (v - mean) ** 2 / (total - 1)) / total, int(total), seen))
    (m0, v0, n0, seen0), (m1, v1, n1, seen1) = parts
    if v0 + v1 <= 0:
        raise NotEstimable(quantity, "the values do not differ within the arms", code="no_spread")
    value, error = m1 - m0, math.sqrt(v0 + v1)
    df = (v0 + v1) ** 2 / (v0**2 / (n0 - 1) + v1**2 / (n1 - 1))
    level = protocol.plan.conf_level
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * error
    by_arm = (ArmCount(arm=reference, cases=n0, onsets=seen0), ArmCount(arm=other, cases=n1, onsets=seen1))
    return Estimate(
        quantity=quantity,
        contrast=f"{other} - {reference}",
        estimate=value,
        std_error=error,
        interval=Interval(low=value - reach, high=value + reach, level=level, method="Welch's t"),
        p_value=float(2 * stats.t.sf(abs(value) / error, df)),
        unit=unit,
        method="difference of means",
        n=Counts(cases=n0 + n1, onsets=seen0 + seen1, by_arm=by_arm),
        assumptions=(INDEPENDENT,),
        caution=_not_seen(by_arm),
    )


def _not_seen(by_arm: tuple[ArmCount, ...]) -> tuple[Caution, ...]:
    """The caution of the practice's own report on waits whose end nobody saw."""
    open_ends = [(a.arm, a.cases - a.onsets) for a in by_arm]
    total = sum(n for _, n in open_ends)
    if not total:
        return ()
    told = ", ".join(f"{n} {arm}" for arm, n in open_ends)
    text = f"{total} waits were not seen to their end ({told}) and count with the minutes that were seen."
    return (Caution(code="waits_at_least", text=text),)
