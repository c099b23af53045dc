"""A practice's estimates from its counts alone: the same numbers as from its rows, with cases taken as independent."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import ArmCount, Assumption, Caution, Counts, Estimate, EstimateLike
from onsetstudy.inference.estimate_or_reason import attempt
from onsetstudy.inference.means import contrast_of_means, moments_by_stratum
from onsetstudy.inference.strata import merge_small
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.counts.aggregate_counts import AT_LEAST, TREATMENT
from onsetstudy.study.sets.contrasts import (
    PRACTICE,
    Compared,
    compared_treatments,
    estimated_within,
    not_numb_of,
    success_of,
    tested_within,
    treatment_success_of,
    wait_of,
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
VALUES_OF = {"pain_difference": "pain_{moment}", "chair_time_difference": "spent"}
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

    compared = cells_compared(cells, protocol)

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

    asked: list[tuple[str, str, str, Callable[[], EstimateLike]]] = [
        ("hazard_ratio", "/", "ratio", ratio),
        ("rmst_difference", "-", "min", lambda: wait_of(compared).difference),
        ("success_difference", "-", "proportion", lambda: success_of(compared).difference),
    ]
    if protocol.pain is not None:
        pain = values[values["quantity"] == f"pain_{protocol.pain.moment}"]
        unit = protocol.pain.instrument.unit
        asked.append(("pain_difference", "-", unit, lambda: mean_difference(pain, protocol, "pain_difference", unit)))
    # A wait that was not seen to its end counts with the minutes that were seen, as in the practice's own report.
    waits = values[values["quantity"] == "spent"]
    spent = "chair_time_difference"
    asked.append((spent, "-", "min", lambda: mean_difference(waits, protocol, spent, "min")))
    if protocol.tells_treatment:
        key = "treatment_success_difference"
        asked.append((key, "-", "proportion", lambda: treatments_of(values, protocol).difference))
    return tuple(ask(*question) for question in asked if only in (None, question[0]))


def treatments_of(values: pd.DataFrame, protocol: Protocol) -> ArmContrast:
    """Successful treatments from their counts, within practices where there are several, as from the rows.

    Raises
    ------
    NotEstimable
        If of an arm no treatment is told.
    """
    rows = values[(values["quantity"] == TREATMENT) & values["arm"].isin(protocol.arm_codes[:2])]
    arm = rows["arm"].to_numpy(dtype=str)
    if missing := [protocol.label(a) for a in protocol.arm_codes[:2] if a not in set(arm)]:
        reason = f"of no case of the arm {missing[0]} it is known whether the treatment succeeded"
        raise NotEstimable("treatment_success_difference", reason, code="not_recorded")
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
    reference, other = protocol.arm_codes[:2]
    used = cells[cells["arm"].isin((reference, other))].reset_index(drop=True)
    counts = cell_counts(used, protocol)
    if key in VALUES_OF:
        unit = "min" if protocol.pain is None or key == "chair_time_difference" else protocol.pain.instrument.unit
        name = VALUES_OF[key] if protocol.pain is None else VALUES_OF[key].format(moment=protocol.pain.moment)
        rows = values[values["quantity"] == name]
        return attempt(
            lambda: mean_difference(rows, protocol, key, unit),
            quantity=key, contrast=f"{other} - {reference}", unit=unit, method="from counts", n=counts,
            level=protocol.plan.conf_level,
        )  # fmt: skip
    verbs = {"rmst_difference": wait_of, "success_difference": success_of, "not_numb_difference": not_numb_of}
    missing = [protocol.label(a.arm) for a in counts.by_arm[:2] if a.cases == 0]

    def difference() -> EstimateLike:
        if missing:
            raise NotEstimable(key, f"no case of the arm {missing[0]} has been sent", code="arm_missing")
        if key == "treatment_success_difference":
            return treatments_of(values, protocol).difference
        return verbs[key](cells_compared(used, protocol)).difference

    return attempt(
        difference, quantity=key, contrast=f"{other} - {reference}",
        unit="min" if key == "rmst_difference" else "proportion", method="from counts", n=counts,
        level=protocol.plan.conf_level,
    )  # fmt: skip


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
