"""Share numb by a target minute when every patient was treated in both arms (crossover, split-mouth)."""

from __future__ import annotations

import math
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import BoolArray, StrArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import ArmCount, Assumption, Caution, Counts, Estimate, Interval
from onsetstudy.inference.parameter import Told
from onsetstudy.inference.proportions import (
    Limits,
    mcnemar_exact,
    newcombe_paired_difference,
    normal_quantile,
    p_of_limits,
    wilson_limits,
)
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries.npmle_proportion import decided
from onsetstudy.survival.summaries.standardisation import sort_arms

_SOURCE = "Newcombe 1998, Stat Med 17:2635-2650, method 10; exact McNemar test"
_LIMITS = "Newcombe paired, method 10, with 0 unless the exact McNemar test rejects it"
_PATIENTS = Assumption(name="independent_patients", detail="patients are independent; the two cases of one need not be")
_PERIOD = Assumption(name="no_period_effect", detail="it does not matter which arm came first, or which side it had")


def paired_success(
    times: Intervals,
    arm: ArrayLike,
    patient: ArrayLike,
    *,
    reference_arm: str,
    target_min: float,
    conf_level: float = 0.95,
) -> ArmContrast:
    """Share numb by ``target_min`` in either arm of the same patients, with the difference and its exact test.

    Parameters
    ----------
    times : Intervals, n cases
        Onset in (left, right], minutes from clock zero.
    arm, patient : array_like of str, shape (n,)
        Two arms; at most one case of a patient in each.
    reference_arm : str
        Arm that the other is compared with.
    target_min : float
        Target minute.
    conf_level : float
        Two-sided level of all intervals.

    Returns
    -------
    ArmContrast
        Quantities as in :func:`~onsetstudy.survival.summaries.success.success_by`, of the patients with a decided
        result in both
        arms; those left out are counted in the cautions. No ratio. ``difference.p_value`` is below one less the level
        exactly where its interval leaves out 0.

    Raises
    ------
    OnsetStudyError
        If there are not two arms, or a patient has two cases in one.
    NotEstimable
        If no patient has a decided result in both arms.

    References
    ----------
    .. [1] R. G. Newcombe, Stat Med 1998;17:2635-2650.
    .. [2] Q. McNemar, Psychometrika 1947;12:153-157.

    Notes
    -----
    Newcombe's limits alone leave out no difference too often in few patients (6: up to 12 % of studies without one),
    and the exact test does not. So they are drawn out to 0 where that test does not reject, and P is the larger of the
    test's and of that at which Newcombe's limits reach 0 (larger only for many patients, few of whom differ).
    """
    z = normal_quantile(conf_level)
    cases = sort_arms(times, arm, reference_arm=reference_arm, two_arms=True)
    reference, other = cases.arms
    pairs, caution = _complete_pairs(times, cases.arm, patient, cases.arms, target_min)
    n, (first, second) = pairs.shape[0], pairs.T
    table = (first & second, second & ~first, first & ~second, ~first & ~second)
    both, other_only, reference_only, neither = (int(rows.sum()) for rows in table)
    (low, high), p_value = _limits_and_p((both, other_only, reference_only, neither), conf_level)
    counted = {reference: both + reference_only, other: both + other_only}
    counts = Counts(
        cases=2 * n,
        onsets=sum(counted.values()),
        by_arm=tuple(ArmCount(arm=name, cases=n, onsets=count) for name, count in counted.items()),
    )
    method = f"share by {target_min:g} min of {n} patients treated in both arms"
    told = Told(method=method, n=counts, assumptions=(_PATIENTS, _PERIOD), source=_SOURCE)
    estimate = partial(Estimate, unit="proportion", caution=caution, **told)

    def per_arm(name: str) -> Estimate:
        share = counted[name] / n
        ends = wilson_limits(counted[name], n, conf_level)
        return estimate(
            quantity="success_by_target",
            contrast=name,
            estimate=share,
            std_error=math.sqrt(share * (1 - share) / n) or None,
            interval=Interval(low=ends[0], high=ends[1], level=conf_level, method="Wilson score"),
        )

    # Wald's error of a paired difference; where it is 0, half the width of the limits in its units.
    error = math.sqrt(max(0.0, other_only + reference_only - (other_only - reference_only) ** 2 / n)) / n
    return ArmContrast(
        arms=(per_arm(reference), per_arm(other)),
        difference=estimate(
            quantity="success_difference",
            contrast=f"{other} - {reference}",
            estimate=(other_only - reference_only) / n,
            std_error=(error if error > 0 else (high - low) / 2 / z) or None,
            interval=Interval(low=low, high=high, level=conf_level, method=_LIMITS),
            p_value=p_value,
        ),
        caution=caution,
        **told,
    )


def _limits_and_p(table: tuple[int, int, int, int], conf_level: float) -> tuple[Limits, float]:
    """Limits of the difference and P of none, which agree at every level."""
    _, other_only, reference_only, _ = table
    low, high = newcombe_paired_difference(*table, conf_level)
    by_limits = p_of_limits(lambda a: newcombe_paired_difference(*table, 1 - a), other_only - reference_only)
    p_value = max(mcnemar_exact(other_only, reference_only), by_limits)
    return (low, high) if p_value < 1 - conf_level else (min(low, 0.0), max(high, 0.0)), p_value


def _complete_pairs(
    times: Intervals, arm: StrArray, patient: ArrayLike, arms: tuple[str, ...], target_min: float
) -> tuple[BoolArray, tuple[Caution, ...]]:
    """Per patient whose results are known and arm, shape (patients, 2), numb by the target; and who is left out."""
    names, row = np.unique(np.asarray(patient).astype(str), return_inverse=True)
    if row.shape != arm.shape:
        what = f"patient has the shape {np.shape(patient)} beside {arm.size} cases"
        raise OnsetStudyError.of_key("patient", what, "give one patient per case", code="shape")
    column = (arm == arms[1]).astype(np.intp)
    seen = np.zeros((names.size, 2), dtype=np.intp)
    np.add.at(seen, (row, column), 1)
    mend = "a paired comparison takes one case of a patient per arm"
    problems = [
        Problem.of_key(
            "patient", f"patient {names[i]} has {seen[i, j]} cases in the arm {arms[j]}", mend, code="repeated"
        )
        for i, j in np.argwhere(seen > 1)[:20]
    ]
    if problems:
        raise OnsetStudyError(problems)
    numb, not_numb = decided(times, target_min)
    result, known = np.zeros(seen.shape, dtype=np.bool_), np.zeros(seen.shape, dtype=np.bool_)
    result[row, column], known[row, column] = numb, numb | not_numb
    complete = known.all(axis=1)
    if not complete.any():
        reason = "no patient has a decided result in both arms"
        raise NotEstimable("success_difference", reason, code="no_pairs", bound=(-1.0, 1.0))
    return result[complete], _cautions(int((~complete).sum()), complete.size, target_min)


def _cautions(left_out: int, patients: int, target_min: float) -> tuple[Caution, ...]:
    if left_out == 0:
        return ()
    text = (
        f"{left_out} of {patients} patients are left out: they were not treated in both arms, or a missed test leaves "
        f"open whether they were numb by {target_min:g} min."
    )
    return (Caution(code="incomplete_pairs", text=text),)
