"""Shares numb by a minute when every patient was treated in both arms (crossover, split-mouth)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray, StrArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import PATIENTS, ArmCount, Assumption, Caution, Counts, Estimate, Interval
from onsetstudy.inference.parameter import Told
from onsetstudy.inference.proportions import (
    Limits,
    mcnemar_exact,
    mover_difference,
    newcombe_paired_difference,
    normal_quantile,
    p_of_limits,
    wilson_limits,
)
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries.clustered import case_influences
from onsetstudy.survival.summaries.npmle_proportion import Share, decided, share_numb_by, tells_something
from onsetstudy.survival.summaries.standardisation import SCHEDULE_ASSUMPTION, ArmedCases, sort_arms
from onsetstudy.survival.summaries.success import success_by

_SOURCE = "Newcombe 1998, Stat Med 17:2635-2650, method 10; exact McNemar test"
_LIMITS = "Newcombe paired, method 10, with 0 unless the exact McNemar test rejects it"
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
    (low, high), p_value = _limits_and_p(
        lambda alpha: newcombe_paired_difference(both, other_only, reference_only, neither, 1 - alpha),
        other_only - reference_only,
        (other_only, reference_only),
        conf_level,
    )
    counted = {reference: both + reference_only, other: both + other_only}
    counts = Counts(
        cases=2 * n,
        onsets=sum(counted.values()),
        by_arm=tuple(ArmCount(arm=name, cases=n, onsets=count) for name, count in counted.items()),
    )
    method = f"share by {target_min:g} min of {n} patients treated in both arms"
    told = Told(method=method, n=counts, assumptions=(PATIENTS, _PERIOD), source=_SOURCE)
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


def paired_numb_by(
    times: Intervals,
    arm: ArrayLike,
    patient: ArrayLike,
    *,
    reference_arm: str,
    target_min: float,
    conf_level: float = 0.95,
    grace_min: float | None = None,
    curves: Curves | None = None,
) -> ArmContrast:
    """Share numb by ``target_min`` in either arm of the same patients, whether or not every result is decided.

    Parameters
    ----------
    times, arm, patient, reference_arm, target_min, conf_level
        As in :func:`paired_success`.
    grace_min, curves
        As in :func:`~onsetstudy.survival.summaries.success.success_by`.

    Returns
    -------
    ArmContrast
        Of the patients who were tested in both arms; those left out are counted in a caution. Every result decided:
        :func:`paired_success`. No ratio.

    Raises
    ------
    OnsetStudyError
        If there are not two arms, or a patient has two cases in one.
    NotEstimable
        If no patient was tested in both arms, or no case of an arm says anything about the minute.

    Notes
    -----
    Patients with an undecided result are not left out: who is numb early is decided sooner than who is not. The shares
    are then those of the arms' curves, and Newcombe's limits are made of Wilson's for as many decided cases as say as
    much (:func:`~onsetstudy.survival.summaries.npmle_proportion.share_numb_by`), with the correlation of what a
    patient's two cases add to the errors of the shares (influence values), corrected as his is. The exact test is of
    the patients with two decided results.
    """
    asked = _Asked(target_min, conf_level, grace_min, curves or Curves(), numb=True)
    return _shares(times, arm, patient, reference_arm, asked)


def paired_not_numb(
    times: Intervals,
    arm: ArrayLike,
    patient: ArrayLike,
    *,
    reference_arm: str,
    tau_min: float,
    conf_level: float = 0.95,
    grace_min: float | None = None,
    curves: Curves | None = None,
) -> ArmContrast:
    """Share not numb by ``tau_min`` in either arm of the same patients: the others of :func:`paired_numb_by`."""
    asked = _Asked(tau_min, conf_level, grace_min, curves or Curves(), numb=False)
    return _shares(times, arm, patient, reference_arm, asked)


@dataclass(frozen=True, slots=True)
class _Asked:
    """By which minute, at which level, and whether the share of those numb is asked for or that of the others."""

    minute: float
    conf_level: float
    grace_min: float | None
    curves: Curves
    numb: bool


def _shares(times: Intervals, arm: ArrayLike, patient: ArrayLike, reference_arm: str, asked: _Asked) -> ArmContrast:
    given = sort_arms(times, arm, reference_arm=reference_arm, two_arms=True)
    rows, patients = rows_in_both(given.arm, patient, given.arms)
    rows = rows[tells_something(times)[rows].all(axis=1)]
    if not len(rows):
        reason = "no patient was tested in both arms"
        raise NotEstimable("success_difference", reason, code="no_pairs", bound=(-1.0, 1.0))
    order = rows.T.reshape(-1)
    named, whose = given.arm[order], np.tile(np.arange(len(rows)), 2)
    cases, moved = sort_arms(times.take(order), named, reference_arm=reference_arm).follow_to(
        asked.minute, asked.grace_min, "by then"
    )
    numb, not_numb = decided(cases.times, asked.minute)
    if (numb | not_numb).all():
        found = paired_success(
            cases.times, named, whose, reference_arm=reference_arm, target_min=asked.minute,
            conf_level=asked.conf_level,
        )  # fmt: skip
    else:
        found = _undecided(cases, asked)
    told = left_out_of_pairs(patients - len(rows), patients, "they were not tested in both arms")
    told = (*(caution for arm in cases.arms for caution in moved[arm]), *told)

    def turned(each: Estimate) -> Estimate:
        each = replace(each, caution=(*each.caution, *told))
        return each if asked.numb else _of_the_others(each, Counts.of(not_numb, named, cases.arms))

    return replace(
        found,
        arms=tuple(turned(each) for each in found.arms),
        difference=turned(found.difference),
        n=found.n if asked.numb else Counts.of(not_numb, named, cases.arms),
        caution=(*found.caution, *told),
    )


def _undecided(cases: ArmedCases, asked: _Asked) -> ArmContrast:
    """Shares of which some cases leave open what they were; rows are patients of one arm, then of the other."""
    minute, level, curves = asked.minute, asked.conf_level, asked.curves
    (numb, numb_other), (not_numb, not_numb_other) = (each.reshape(2, -1) for each in decided(cases.times, minute))
    unequal = int((numb_other & not_numb).sum()), int((numb & not_numb_other).sum())
    m = numb.size
    psi = [case_influences(cases, name, minute, waits=False, curves=curves)[0] for name in cases.arms]
    psi_reference, psi_other = psi[0][:m], psi[1][m:]
    alike = _correlation(psi_reference, psi_other)
    shares = [
        share_numb_by(cases.times.take(next(cases.rows(name))), minute, level, curves=curves) for name in cases.arms
    ]

    def limits(alpha: float) -> Limits:
        of_reference, of_other = (_limits_at(share, 1 - alpha) for share in shares)
        return mover_difference(shares[1].bounds, of_other, shares[0].bounds, of_reference, correlation=alike)

    found = success_by(
        cases.times, cases.arm, reference_arm=cases.arms[0], target_min=minute, conf_level=level, grace_min=0.0,
        curves=curves,
    )  # fmt: skip
    value = found.difference.estimate
    (low, high), p_value = _limits_and_p(limits, value, unequal, level)
    error = float(np.linalg.norm(psi_other - psi_reference)) or (high - low) / 2 / normal_quantile(level)
    method = f"{found.method}, of {m} patients treated in both arms"
    told = Told(method=method, n=found.n, assumptions=(PATIENTS, _PERIOD, SCHEDULE_ASSUMPTION), source=_SOURCE)
    of_patients = partial(replace, method=method, assumptions=told["assumptions"], source=_SOURCE)
    span = Interval(low=max(-1.0, low), high=min(1.0, high), level=level, method=f"{_LIMITS}, of the arms' curves")
    return ArmContrast(
        arms=tuple(of_patients(each) for each in found.arms),
        difference=of_patients(found.difference, std_error=error, interval=span, p_value=p_value),
        caution=found.caution,
        **told,
    )


def _limits_at(share: Share, conf_level: float) -> Limits:
    """Limits of an arm's share at any level, from as many decided cases as say as much at the level asked for."""
    n = share.effective_n
    low, high = (wilson_limits(bound * n, n, conf_level)[side] for side, bound in enumerate(share.bounds))
    return min(share.low, low), max(share.high, high)


def _correlation(one: FloatArray, two: FloatArray) -> float:
    """Of influence values of the same patients; a positive one less what Newcombe takes off."""
    m, spread = one.size, float(np.linalg.norm(one) * np.linalg.norm(two))
    if spread == 0:
        return 0.0
    phi = float(one @ two) / spread
    return max(0.0, phi - 1 / (2 * m**2 * spread)) if phi > 0 else max(-1.0, phi)


def _of_the_others(each: Estimate, counts: Counts) -> Estimate:
    """The share of those not numb, or its difference, of that of those numb."""
    span, single = each.interval, each.contrast in {arm.arm for arm in counts.by_arm}
    whole = 1.0 if single else 0.0
    n, of_arm = counts, counts.arm(str(each.contrast))
    if each.n.cases < counts.cases:
        n = Counts(cases=of_arm.cases, onsets=of_arm.onsets, by_arm=(of_arm,))
    return replace(
        each,
        quantity="not_numb" if single else "not_numb_difference",
        estimate=whole - each.estimate,
        interval=replace(span, low=whole - span.high, high=whole - span.low),
        n=n,
    )


def _limits_and_p(
    limits: Callable[[float], Limits], difference: float, unequal: tuple[int, int], conf_level: float
) -> tuple[Limits, float]:
    """Limits of the difference and P of none, which agree at every level.

    ``limits`` are of one less the level, ``unequal`` the patients numb in the other arm alone, and in the reference's.
    """
    low, high = limits(1 - conf_level)
    p_value = max(mcnemar_exact(*unequal), p_of_limits(limits, difference))
    return (low, high) if p_value < 1 - conf_level else (min(low, 0.0), max(high, 0.0)), p_value


def rows_in_both(arm: StrArray, patient: ArrayLike, arms: tuple[str, ...]) -> tuple[IntArray, int]:
    """Rows of the patients who have both of two arms, shape (patients, 2), reference first; and of all, how many.

    Raises
    ------
    OnsetStudyError
        If a patient has two cases in one arm.
    """
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
    where = np.zeros(seen.shape, dtype=np.int64)
    where[row, column] = np.arange(arm.size)
    return where[seen.all(axis=1)], names.size


def _complete_pairs(
    times: Intervals, arm: StrArray, patient: ArrayLike, arms: tuple[str, ...], target_min: float
) -> tuple[BoolArray, tuple[Caution, ...]]:
    """Per patient whose results are known and arm, shape (patients, 2), numb by the target; and who is left out."""
    rows, patients = rows_in_both(arm, patient, arms)
    numb, not_numb = decided(times, target_min)
    complete = (numb | not_numb)[rows].all(axis=1)
    if not complete.any():
        reason = "no patient has a decided result in both arms"
        raise NotEstimable("success_difference", reason, code="no_pairs", bound=(-1.0, 1.0))
    return numb[rows][complete], left_out_of_pairs(
        patients - int(complete.sum()),
        patients,
        "they were not treated in both arms, or a missed test leaves "
        f"open whether they were numb by {target_min:g} min",
    )


def left_out_of_pairs(left_out: int, patients: int, why: str) -> tuple[Caution, ...]:
    """What is said of patients who are left out of a comparison within patients, if there are any."""
    if left_out == 0:
        return ()
    are = "is" if left_out == 1 else "are"
    return (Caution(code="untested_pairs", text=f"{left_out} of {patients} patients {are} left out: {why}."),)
