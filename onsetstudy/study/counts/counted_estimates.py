"""A practice's estimates from its counts alone: the same numbers as from its rows, with cases taken as independent."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import ArmCount, Assumption, Caution, Counts, EstimateLike, Fit
from onsetstudy.inference.means import contrast_of_means, moments_by_stratum
from onsetstudy.inference.strata import merge_small
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.counts.aggregate_counts import AT_LEAST, TREATMENT
from onsetstudy.study.sets.contrasts import (
    BY_ARM,
    PRACTICE,
    Compared,
    ask,
    compared_treatments,
    estimated_within,
    needs_both_arms,
    tested_within,
    treatment_success_of,
)
from onsetstudy.study.sets.shared_baselines import shared_baselines
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.results import ArmContrast

__all__ = [
    "NO_VALUES",
    "POOLED",
    "cell_baselines",
    "cell_counts",
    "cell_stratum",
    "cell_times",
    "cells_compared",
    "difference_of_counts",
    "estimates_of_counts",
    "mean_difference",
    "ratio_of_cells",
    "treatments_of",
]

POOLED = (
    "hazard_ratio",
    "rmst_difference",
    "success_difference",
    "pain_difference",
    "chair_time_difference",
    "treatment_success_difference",
)
"""What is pooled over practices, in the order of the report."""
MEANS = {"pain_difference": "pain", "chair_time_difference": "spent"}
"""What is compared as means, and the values that they are of: scores at the protocol's moment, where it has one."""
SCORES = ("pain_difference", "insertion_pain_difference")
"""Means of scores: where these do not vary they were hardly asked."""
NO_VALUES = pd.DataFrame(columns=["quantity", "arm", "known", "value", "n"])
INDEPENDENT = Assumption(name="independent cases", detail="patients who come again count as if they were others")


def cell_times(cells: pd.DataFrame, estimand: str) -> Intervals:
    """Onset intervals of the cells."""
    left = np.asarray(cells[f"left_{estimand}"], dtype=np.float64)
    right = np.asarray(cells[f"right_{estimand}"], dtype=np.float64)
    return Intervals(left, np.where(np.isnan(right), np.inf, right))


def cells_compared(cells: pd.DataFrame, protocol: Protocol) -> Compared:
    """The cells as the estimates within strata take them: of one practice alone there is none to tell apart."""
    return Compared(
        times={name: cell_times(cells, name) for name in ("success", "wait") if f"left_{name}" in cells},
        arm=cells["arm"].to_numpy(dtype=str),
        columns={name: cells[name].to_numpy(dtype=str) for name in estimated_within(protocol) if name in cells},
        weight=cells["n"].to_numpy(dtype=np.int64),
        protocol=protocol,
    )


def cell_stratum(cells: pd.DataFrame, protocol: Protocol) -> NDArray[np.str_] | None:
    """Practices and the plan's strata as one code per cell, small ones put together; ``None`` where one only."""
    reference, other = protocol.arm_codes[:2]
    columns = [cells[name].to_numpy(dtype=str) for name in tested_within(protocol) if name in cells]
    strata = merge_small(columns, cells["arm"].to_numpy(dtype=str), (reference, other), weight=cells["n"].to_numpy())
    return None if strata.one else strata.code


def cell_baselines(cells: pd.DataFrame, protocol: Protocol) -> NDArray[np.str_] | None:
    """Strata for a ratio of rates; :func:`~onsetstudy.study.sets.shared_baselines.shared_baselines` joins small."""
    names = [name for name in (*(n for n in protocol.plan.strata if n != PRACTICE), PRACTICE) if name in cells]
    return shared_baselines([cells[name] for name in names], weight=cells["n"])


def cell_counts(cells: pd.DataFrame, protocol: Protocol, estimand: str = "hazard") -> Counts:
    """Cases and onsets of the cells."""
    onset = np.isfinite(cell_times(cells, estimand).right)
    n = cells["n"].to_numpy()
    return Counts.of(onset, cells["arm"].to_numpy(dtype=str), protocol.arm_codes, cases=n)


def ratio_of_cells(cells: pd.DataFrame, protocol: Protocol, more: dict[str, NDArray[Any]] | None = None) -> Fit:
    """Proportional hazards of the cells within their baselines, with further covariates if any."""
    return fit_proportional_hazards(
        cell_times(cells, "hazard"),
        {"arm": cells["arm"].to_numpy(dtype=str), **(more or {})},
        reference={"arm": protocol.reference_arm},
        stratum=cell_baselines(cells, protocol),
        weight=cells["n"].to_numpy(dtype=np.float64),
        conf_level=protocol.plan.conf_level,
    )


def estimates_of_counts(
    cells: pd.DataFrame, values: pd.DataFrame, protocol: Protocol, *, only: str | None = None
) -> tuple[EstimateLike, ...]:
    """The quantities :data:`POOLED`, for one practice.

    Parameters
    ----------
    cells, values : DataFrame
        Counts as in :class:`~onsetstudy.study.counts.aggregate_counts.Tally`.
    protocol : Protocol
    only : str or None
        The one quantity that is asked for; by default all are.

    Returns
    -------
    tuple of Estimate or NotAvailable
        What the counts do not determine is ``NotAvailable`` with the reason.
    """
    told = {"pain_difference": protocol.pain is not None, "treatment_success_difference": protocol.tells_treatment}
    return tuple(
        _answer(key, cells, values, protocol, "no case of the arm {} has been recorded")
        for key in POOLED
        if told.get(key, True) and only in (None, key)
    )


def treatments_of(values: pd.DataFrame, protocol: Protocol) -> ArmContrast:
    """Successful treatments from their counts, within practices where there are several, as from the rows.

    Raises
    ------
    NotEstimable
        If of an arm no treatment is told.
    """
    rows = values[(values["quantity"] == TREATMENT) & values["arm"].isin(protocol.arm_codes[:2])]
    arm = rows["arm"].to_numpy(dtype=str)
    reason = "of no case of the arm {} it is known whether the treatment succeeded"
    needs_both_arms(arm, protocol, "treatment_success_difference", reason, code="not_recorded")
    columns = {PRACTICE: rows[PRACTICE].to_numpy(dtype=str)} if PRACTICE in rows else {}
    weight = rows["n"].to_numpy(dtype=np.int64)
    succeeded = rows["value"].to_numpy(dtype=np.float64) == 1
    return treatment_success_of(compared_treatments(succeeded, arm, columns, protocol, weight=weight))


def difference_of_counts(key: str, cells: pd.DataFrame, values: pd.DataFrame, protocol: Protocol) -> EstimateLike:
    """One difference of all practices together, each compared within itself, as a report from the rows has it.

    Parameters
    ----------
    key : str
        ``rmst_difference``, ``success_difference``, ``not_numb_difference``, ``pain_difference``,
        ``chair_time_difference`` or ``treatment_success_difference``.
    cells, values : DataFrame
        Counts with ``practice_id``.
    """
    return _answer(key, cells, values, protocol, "" if key in MEANS else "no case of the arm {} has been sent")


def _answer(key: str, cells: pd.DataFrame, values: pd.DataFrame, protocol: Protocol, missing: str) -> EstimateLike:
    """One quantity from counts; an arm without a case gives the reason ``missing``, if any."""
    used = cells[cells["arm"].isin(protocol.arm_codes[:2])].reset_index(drop=True)
    unit = "min" if key in MEANS and protocol.pain is None else None

    def answer() -> EstimateLike:
        if missing:
            needs_both_arms(used["arm"], protocol, key, missing)
        if key == "hazard_ratio":
            return ratio_of_cells(used, protocol).estimates[0]
        if key == "treatment_success_difference":
            return treatments_of(values, protocol).difference
        if key in BY_ARM:
            return BY_ARM[key][1](cells_compared(used, protocol)).difference
        # A wait not seen to its end counts with the minutes that were seen, as in the practice's own report.
        pain = protocol.pain if key == "pain_difference" else None
        rows = values[values["quantity"] == (f"pain_{pain.moment}" if pain else MEANS[key])]
        return mean_difference(rows, protocol, key, pain.instrument.unit if pain else "min")

    return ask(key, answer, protocol, cell_counts(used, protocol), method="from counts", unit=unit)


def mean_difference(values: pd.DataFrame, protocol: Protocol, quantity: str, unit: str) -> EstimateLike:
    """Difference of means from counts of values, other arm minus reference, within practices where there are several.

    Values known only to be at least so large count as they stand, and a caution says how many.
    """
    reference, other = protocol.arm_codes[:2]
    rows = values[values["arm"].isin((reference, other))]
    n, arm = rows["n"].to_numpy(dtype=np.int64), rows["arm"].to_numpy(dtype=str)
    seen = (rows["known"] != AT_LEAST).to_numpy(dtype=bool)
    by_arm = tuple(
        ArmCount(arm=code, cases=int(n[arm == code].sum()), onsets=int(n[(arm == code) & seen].sum()))
        for code in (reference, other)
    )
    columns = [rows[PRACTICE].to_numpy(dtype=str)] if PRACTICE in rows else []
    strata = merge_small(columns, arm, (reference, other), weight=n)
    return contrast_of_means(
        moments_by_stratum(
            rows["value"].to_numpy(dtype=float), arm, (reference, other), stratum=strata.code, weight=n
        ),
        quantity=quantity, contrast=f"{other} - {reference}", unit=unit,
        n=Counts(cases=sum(a.cases for a in by_arm), onsets=sum(a.onsets for a in by_arm), by_arm=by_arm),
        conf_level=protocol.plan.conf_level, what="values", needs_spread=quantity in SCORES,
        assumptions=(INDEPENDENT,), caution=_not_seen(by_arm),
    )  # fmt: skip


def _not_seen(by_arm: tuple[ArmCount, ...]) -> tuple[Caution, ...]:
    """The caution of the practice's own report on waits whose end nobody saw."""
    open_ends = [(a.arm, a.cases - a.onsets) for a in by_arm]
    total = sum(n for _, n in open_ends)
    if not total:
        return ()
    told = ", ".join(f"{n} {arm}" for arm, n in open_ends)
    text = f"{total} waits were not seen to their end ({told}) and count with the minutes that were seen."
    return (Caution(code="waits_at_least", text=text),)
