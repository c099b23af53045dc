"""All cases of a group in one stage: every practice is compared within itself, and no row is needed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import numpy as np
import pandas as pd
from scipy import stats

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Estimate, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.pool.results import Member, Subgroups
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.counts.counted_estimates import (
    cell_counts,
    cell_stratum,
    cell_times,
    difference_of_counts,
    ratio_of_cells,
    treatments_of,
)
from onsetstudy.study.group.results import GroupOverall
from onsetstudy.study.group.stratified_success import by_arm, pool_success
from onsetstudy.study.practice.curves import ArmCases, curve_of_arm
from onsetstudy.study.practice.subsets import EXACT_CASES
from onsetstudy.study.results import ArmCurve
from onsetstudy.study.sets.contrasts import ask, needs_both_arms
from onsetstudy.survival.hazards.frailty import fit_shared_frailty
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.results import SharedFrailty

__all__ = ["expected_failures", "failures_by", "onset_test", "pool_in_one_stage", "subgroups_by"]

T = TypeVar("T")
DIFFERENCES = (
    "rmst_difference", "success_difference", "not_numb_difference", "pain_difference", "chair_time_difference",
    "treatment_success_difference",
)  # fmt: skip
"""What is compared within practices and combined by their numbers of cases."""


def pool_in_one_stage(cells: pd.DataFrame, values: pd.DataFrame, protocol: Protocol) -> GroupOverall:
    """Test, hazard ratio, spread of practices and success over all practices.

    Parameters
    ----------
    cells : DataFrame
        Counts with ``practice_id``; strata of test and ratio are practice and the plan's strata. For the ratio, small
        strata share a baseline with those of the same technique in other practices.
    protocol : Protocol

    Returns
    -------
    GroupOverall
        What the counts do not determine is ``NotAvailable``. The spread between practices takes one baseline for all.
    """
    arms = protocol.arm_codes[:2]
    used = cells[cells["arm"].isin(arms)].reset_index(drop=True)
    weight = used["n"].to_numpy(dtype=np.int64)
    arm = used["arm"].to_numpy(dtype=str)

    def spread() -> SharedFrailty:
        if used["practice_id"].nunique() < 2:
            raise NotEstimable("practice_spread", "one practice cannot say how much practices differ", code="one")
        return fit_shared_frailty(
            cell_times(used, "hazard"), {"arm": arm}, cluster=used["practice_id"].to_numpy(dtype=str), weight=weight,
            reference={"arm": arms[0]}, conf_level=protocol.plan.conf_level,
        )  # fmt: skip

    return GroupOverall(
        n=cell_counts(used, protocol),
        curves=tuple(_curve(used[used["arm"] == a], a, protocol) for a in arms),
        onset_test=onset_test(used, protocol),
        hazard_ratio=_asked(used, protocol, "hazard_ratio", lambda: ratio_of_cells(used, protocol).estimates[0]),
        frailty=_asked(used, protocol, "practice_spread", spread),
        success=pool_success(used, protocol),
        numb_at_all=pool_success(used, protocol, protocol.onset.tau_min, extremes=False),
        by_target=by_arm(used, protocol, "success_by_target"),
        never_numb=by_arm(used, protocol, "not_numb"),
        wait=by_arm(used, protocol, "rmst"),
        treatment=_treatment(used, values, protocol) if protocol.tells_treatment else (),
        differences=tuple(
            difference_of_counts(key, used, values, protocol)
            for key in DIFFERENCES
            if key != "treatment_success_difference" or protocol.tells_treatment
        ),
    )


def _treatment(cells: pd.DataFrame, values: pd.DataFrame, protocol: Protocol) -> tuple[EstimateLike, ...]:
    """Proportion of successful treatments of each arm over the mix of practices of both arms; reference first."""
    n = cell_counts(cells, protocol)
    found = ask("treatment_success", lambda: treatments_of(values, protocol), protocol, n, method="from counts")
    if isinstance(found, NotAvailable):
        return tuple(replace(found, contrast=arm) for arm in protocol.arm_codes[:2])
    return found.arms[:2]


def onset_test(cells: pd.DataFrame, protocol: Protocol) -> HypothesisTest | NotAvailable:
    """Test of the rate over all practices; strata are practice and the plan's."""
    used = cells[cells["arm"].isin(protocol.arm_codes[:2])].reset_index(drop=True)

    def test() -> HypothesisTest:
        # As a practice's report tests its rows; what few cases can be exchanged for one another is counted there, too.
        small = int(used["n"].sum()) <= EXACT_CASES
        return compare_arms(
            cell_times(used, "hazard"), used["arm"].to_numpy(dtype=str), reference_arm=protocol.reference_arm,
            stratum=cell_stratum(used, protocol), weight=used["n"].to_numpy(dtype=np.int64),
            method="permutation" if small else "asymptotic", seed=protocol.plan.seed,
        )  # fmt: skip

    return _asked(used, protocol, "onset_test", test)


def _asked(
    cells: pd.DataFrame,
    protocol: Protocol,
    quantity: str,
    function: Callable[[], T],
    method: str = "one stage, practices as strata",
) -> T | NotAvailable:
    """Result of the function, or why there is none: an arm without a case, or cases that do not decide it."""

    def checked() -> T:
        needs_both_arms(cells["arm"], protocol, quantity, "no case of the arm {} has been sent")
        return function()

    return ask(quantity, checked, protocol, cell_counts(cells, protocol), method=method, sign="/", unit="ratio")


def _curve(cells: pd.DataFrame, arm: str, protocol: Protocol) -> ArmCurve:
    rate = cell_times(cells, "hazard")
    cases = ArmCases(
        times=cell_times(cells, "success"),
        n=cell_counts(cells, protocol, "success"),
        watched=np.where(np.isfinite(rate.right), rate.right, rate.left),
        weight=cells["n"].to_numpy(dtype=np.int64),
    )
    return curve_of_arm(cases, arm, protocol, f"no case of the arm {protocol.label(arm)} has been sent")


def failures_by(cells: pd.DataFrame, protocol: Protocol, kind: str) -> pd.DataFrame:
    """Cases not numb by the target (or the horizon), by practice, among those of which it is decided."""
    minute = protocol.onset.target_min if kind == "by_target" else protocol.onset.tau_min
    times = cell_times(cells, "success")
    failed = np.where(times.left >= minute, cells["n"], 0)
    known = (times.right <= minute) | (times.left >= minute)
    return expected_failures(cells.assign(failed=failed)[known], "practice_id")


def expected_failures(frame: pd.DataFrame, unit: str) -> pd.DataFrame:
    """By unit: ``failed``, ``n`` and ``expected``, what its mix of techniques and arms would give in the group."""
    usual = frame.groupby(["technique", "arm"])[["failed", "n"]].transform("sum")
    told = frame.assign(expected=usual["failed"] / usual["n"] * frame["n"])
    return pd.DataFrame(told.groupby(unit, sort=True)[["failed", "n", "expected"]].sum())


def subgroups_by(column: str, cells: pd.DataFrame, protocol: Protocol) -> Subgroups:
    """The hazard ratio by ``technique`` or ``practice_id``, and whether it is the same in all."""
    arms = protocol.arm_codes[:2]
    used = cells[cells["arm"].isin(arms)].reset_index(drop=True)
    names = sorted(used[column].astype(str).unique(), key=lambda v: (len(v), v) if column == "practice_id" else (0, v))

    def asked(part: pd.DataFrame) -> EstimateLike:
        return _asked(
            part, protocol, "hazard_ratio", lambda: ratio_of_cells(part, protocol).estimates[0], method="one stage"
        )

    results = {name: asked(used[used[column].astype(str) == name].reset_index(drop=True)) for name in names}
    grouping = "practice" if column == "practice_id" else column
    return Subgroups(
        grouping=grouping,
        levels=tuple(Member(label=name, result=result, weight=0.0) for name, result in results.items()),
        test=_interaction(used, protocol, column, results),
    )


def _interaction(
    cells: pd.DataFrame, protocol: Protocol, column: str, results: dict[str, EstimateLike]
) -> HypothesisTest | NotAvailable:
    """Likelihood ratio of a hazard ratio for each level against one for all, over the levels that have one."""
    kept = [name for name, result in results.items() if isinstance(result, Estimate)]
    arms = protocol.arm_codes[:2]

    def test() -> HypothesisTest:
        if len(kept) < 2:
            raise NotEstimable("interaction", "fewer than two groups have a ratio of their own", code="too_few")
        part = cells[cells[column].astype(str).isin(kept)].reset_index(drop=True)
        other = part["arm"].to_numpy(dtype=str) == arms[1]
        group = part[column].astype(str).to_numpy(dtype=str)
        more = {f"arm in {name}": (other & (group == name)).astype(float) for name in kept[1:]}
        apart, alike = (ratio_of_cells(part, protocol, covariates) for covariates in (more, None))
        value = max(0.0, 2 * (apart.log_likelihood - alike.log_likelihood))
        df = len(kept) - 1
        return HypothesisTest(
            quantity="interaction",
            contrast=f"{arms[1]} / {arms[0]}",
            statistic=value,
            statistic_name="chi-square",
            df=df,
            p_value=float(stats.chi2.sf(value, df)),
            alternative="two-sided",
            method=f"likelihood ratio: one hazard ratio for each {column} against one for all, practices as strata",
            n=cell_counts(part, protocol),
        )

    return ask("interaction", test, protocol, cell_counts(cells, protocol), method="likelihood ratio", sign="/")
