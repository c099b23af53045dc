"""All cases of a group in one stage: every practice is compared within itself, and no row is needed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TypeVar

import numpy as np
import pandas as pd
from scipy import stats

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Estimate, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.pool.results import Member, Subgroups
from onsetstudy.study.counts.counted_estimates import NOT_SENT, contrast_of_counts, difference_of_counts
from onsetstudy.study.group.results import GroupOverall, in_order
from onsetstudy.study.group.stratified_success import pool_success
from onsetstudy.study.practice.subsets import arm_curves, hazards_of, onset_test_of, ratio_of
from onsetstudy.study.sets.analysis_set import PRACTICE
from onsetstudy.study.sets.contrasts import BY_ARM, TREATED, arm_missing, ask, too_few
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.survival.hazards.frailty import fit_shared_frailty
from onsetstudy.survival.results import ArmContrast, SharedFrailty
from onsetstudy.survival.summaries.npmle_proportion import decided

T = TypeVar("T")
DIFFERENCES = (
    "rmst_difference", "success_difference", "not_numb_difference", "pain_difference", "chair_time_difference", TREATED,
)  # fmt: skip
"""What is compared within practices and combined by their numbers of cases."""


def pool_in_one_stage(data: CountedSet) -> GroupOverall:
    """Test, hazard ratio, spread of practices and success over all practices.

    Strata of test and ratio are practice and the plan's strata. For the ratio, small strata share a baseline with those
    of the same technique in other practices. The spread between practices takes one baseline for all.

    Returns
    -------
    GroupOverall
        What the counts do not determine is ``NotAvailable``.
    """
    protocol, data = data.protocol, data.two_arms()

    def spread() -> SharedFrailty:
        if data.frame[PRACTICE].nunique() < 2:
            raise NotEstimable("practice_spread", "one practice cannot say how much practices differ", code="one")
        return fit_shared_frailty(
            data.times("hazard"), {"arm": data.arm}, cluster=data.column(PRACTICE), weight=data.weight,
            reference={"arm": protocol.reference_arm}, conf_level=protocol.plan.conf_level,
        )  # fmt: skip

    return GroupOverall(
        n=data.counts(),
        curves=arm_curves(data, missing=NOT_SENT),
        onset_test=onset_test(data),
        hazard_ratio=_asked(data, "hazard_ratio", lambda: ratio_of(data)),
        frailty=_asked(data, "practice_spread", spread),
        success=pool_success(data),
        numb_at_all=pool_success(data, protocol.onset.tau_min, extremes=False),
        by_target=by_arm(data, "success_difference"),
        never_numb=by_arm(data, "not_numb_difference"),
        wait=by_arm(data, "rmst_difference"),
        treatment=by_arm(data, TREATED) if protocol.tells_treatment else (),
        differences=tuple(
            difference_of_counts(key, data) for key in DIFFERENCES if key != TREATED or protocol.tells_treatment
        ),
    )


def by_arm(data: CountedSet, difference: str) -> tuple[EstimateLike, ...]:
    """What a difference compares, of each arm over the mix of strata of both arms; reference first."""
    found = contrast_of_counts(difference, data)
    if isinstance(found, ArmContrast):
        return found.arms[:2]
    named = replace(found, quantity=BY_ARM[difference][0])
    return tuple(replace(named, contrast=arm) for arm in data.protocol.arm_codes[:2])


def onset_test(data: CountedSet) -> HypothesisTest | NotAvailable:
    """Test of the rate over all practices; strata are practice and the plan's."""
    data = data.two_arms()
    return _asked(data, "onset_test", lambda: onset_test_of(data))


def _asked(data: CountedSet, quantity: str, function: Callable[[], T], minimum: int = 1) -> T | NotAvailable:
    """Result of the function, or why there is none: an arm without a case, too few cases, or such as decide nothing."""
    refusal, method = arm_missing(data, NOT_SENT) or too_few(data, minimum), "one stage, practices as strata"
    return ask(data, quantity, function, refusal=refusal, method=method, sign="/", unit="ratio")


def failures_by(data: CountedSet, kind: str) -> pd.DataFrame:
    """Cases not numb by the target (or the horizon), by practice, among those of which it is decided."""
    onset = data.protocol.onset
    numb, failed = decided(data.times("success"), onset.target_min if kind == "by_target" else onset.tau_min)
    told = data.frame.assign(failed=np.where(failed, data.weight, 0))[numb | failed]
    return expected_failures(told, PRACTICE)


def expected_failures(frame: pd.DataFrame, unit: str) -> pd.DataFrame:
    """By unit: ``failed``, ``n`` and ``expected``, what its mix of techniques and arms would give in the group."""
    usual = frame.groupby(["technique", "arm"])[["failed", "n"]].transform("sum")
    told = frame.assign(expected=usual["failed"] / usual["n"] * frame["n"])
    return pd.DataFrame(told.groupby(unit, sort=True)[["failed", "n", "expected"]].sum())


def subgroups_by(column: str, data: CountedSet) -> Subgroups:
    """The hazard ratio by ``technique`` or ``practice_id``, and whether it is the same in all."""
    data = data.two_arms()
    level = data.column(column)
    names = sorted(np.unique(level).tolist(), key=in_order if column == PRACTICE else None)
    # Practices are what a group consists of; other small groups are compared no more than in a practice's own report.
    minimum = 1 if column == PRACTICE else data.protocol.plan.min_stratum_cases
    parts = {name: data.where(level == name) for name in names}
    results = {name: _asked(part, "hazard_ratio", partial(ratio_of, part), minimum) for name, part in parts.items()}
    return Subgroups(
        grouping="practice" if column == PRACTICE else column,
        levels=tuple(Member(label=name, result=result, weight=0.0) for name, result in results.items()),
        test=_interaction(data, column, [name for name in names if isinstance(results[name], Estimate)]),
    )


def _interaction(data: CountedSet, column: str, kept: list[str]) -> HypothesisTest | NotAvailable:
    """Likelihood ratio of a hazard ratio for each level against one for all, over the levels that have one."""
    protocol = data.protocol

    def test() -> HypothesisTest:
        if len(kept) < 2:
            raise NotEstimable("interaction", "fewer than two groups have a ratio of their own", code="too_few")
        part = data.where(np.isin(data.column(column), kept))
        other, group = part.arm == protocol.contrast_arm, part.column(column)
        more = {f"arm in {name}": (other & (group == name)).astype(float) for name in kept[1:]}
        apart, alike = hazards_of(part, more), hazards_of(part)
        value = max(0.0, 2 * (apart.log_likelihood - alike.log_likelihood))
        df = len(kept) - 1
        return HypothesisTest(
            quantity="interaction",
            contrast=f"{protocol.contrast_arm} / {protocol.reference_arm}",
            statistic=value,
            statistic_name="chi-square",
            df=df,
            p_value=float(stats.chi2.sf(value, df)),
            alternative="two-sided",
            method=f"likelihood ratio: one hazard ratio for each {column} against one for all, practices as strata",
            n=part.counts(),
        )

    return ask(data, "interaction", test, method="likelihood ratio", sign="/")
