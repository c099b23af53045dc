"""Shares numb by a minute when every patient was treated in both arms (crossover, split-mouth)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import FloatArray, IntArray, StrArray, one_per_case
from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import PATIENTS, Assumption, Caution, Estimate, Interval
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.inference.proportions import (
    Limits,
    mcnemar_exact,
    mover_difference,
    normal_quantile,
    p_of_limits,
    wilson_limits,
)
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries.clustered import case_influences
from onsetstudy.survival.summaries.npmle_proportion import Share, decided, share_numb_by
from onsetstudy.survival.summaries.standardisation import ArmedCases, sort_arms
from onsetstudy.survival.summaries.success import never_numb_share, success_by

_SOURCE = "Newcombe 1998, Stat Med 17:2635-2650, method 10; exact McNemar test"
_LIMITS = "Newcombe paired, method 10, with 0 unless the exact McNemar test rejects it"
_PERIOD = Assumption(name="no_period_effect", detail="it does not matter which arm came first, or which side it had")


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
    conf_level, grace_min, curves
        As in :func:`~onsetstudy.survival.summaries.success.success_by`.

    Returns
    -------
    ArmContrast
        Quantities as in :func:`~onsetstudy.survival.summaries.success.success_by`, of the patients who were tested in
        both arms; those left out are counted in a caution. No ratio. ``difference.p_value`` is below one less the level
        exactly where its interval leaves out 0.

    Raises
    ------
    OnsetStudyError
        If there are not two arms, or a patient has two cases in one.
    NotEstimable
        If no patient was tested in both arms, or no case of an arm says anything about the minute.

    References
    ----------
    .. [1] R. G. Newcombe, Stat Med 1998;17:2635-2650.
    .. [2] Q. McNemar, Psychometrika 1947;12:153-157.

    Notes
    -----
    Newcombe's limits alone leave out no difference too often in few patients (6: up to 12 % of studies without one),
    and the exact test does not. So they are drawn out to 0 where that test does not reject, and P is the larger of the
    test's and of that at which Newcombe's limits reach 0 (larger only for many patients, few of whom differ).

    Patients with an undecided result are not left out: who is numb early is decided sooner than who is not. The shares
    are those of the arms' curves, and Newcombe's limits are made of Wilson's for as many decided cases as say as
    much (:func:`~onsetstudy.survival.summaries.npmle_proportion.share_numb_by`), with the correlation of what a
    patient's two cases add to the errors of the shares (influence values), corrected as his is. The exact test is of
    the patients with two decided results. Where every result is decided, limits and error are those of the counts.
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
    both, named, told = tested_in_both(times, arm, patient, reference_arm)
    if not len(both):
        reason = "no patient was tested in both arms"
        raise NotEstimable("success_difference", reason, code="no_pairs", bound=(-1.0, 1.0))
    minute, level, curves = asked.minute, asked.conf_level, asked.curves
    verb: Callable[..., ArmContrast] = success_by if asked.numb else never_numb_share
    found = verb(
        both, named, reference_arm=reference_arm, conf_level=level, grace_min=asked.grace_min, curves=curves,
        **{"target_min" if asked.numb else "tau_min": minute},
    )  # fmt: skip
    followed, _ = sort_arms(both, named, reference_arm=reference_arm).follow_to(minute, asked.grace_min)
    (numb, numb_other), (not_numb, not_numb_other) = (each.reshape(2, -1) for each in decided(followed.times, minute))
    reference, other = (
        share_numb_by(followed.times.take(next(followed.rows(name))), minute, level, curves=curves)
        for name in followed.arms
    )
    psi = influences_in_both(followed, minute, waits=False, curves=curves)
    alike = _correlation(*psi)

    def limits(alpha: float) -> Limits:
        ends, ends_other = (_limits_at(share, 1 - alpha) for share in (reference, other))
        return mover_difference(other.bounds, ends_other, reference.bounds, ends, correlation=alike)

    value, (low, high) = other.estimate - reference.estimate, limits(1 - level)
    exact = mcnemar_exact(int((numb_other & not_numb).sum()), int((numb & not_numb_other).sum()))
    p_value = max(exact, p_of_limits(limits, value))
    if p_value >= 1 - level:
        low, high = min(low, 0.0), max(high, 0.0)
    # Where the patients' differences do not vary, half the width of the limits in units of Wald's error.
    error = float(np.linalg.norm(psi[1] - psi[0])) or (high - low) / 2 / normal_quantile(level)
    if not asked.numb:
        value, low, high = 0.0 - value, 0.0 - high, 0.0 - low
    how, method = _LIMITS, f"share by {minute:g} min"
    if reference.undecided or other.undecided:
        how, method = f"{_LIMITS}, of the arms' curves", f"{found.method},"
    method += f" of {psi.shape[1]} patients treated in both arms"
    assumptions = (PATIENTS, _PERIOD, *(each for each in found.assumptions if each != INDEPENDENT_CASES))

    def of_patients(each: Estimate, **more: Any) -> Estimate:
        caution = (*each.caution, *told)
        return replace(each, method=method, assumptions=assumptions, caution=caution, source=_SOURCE, **more)

    span = Interval(low=max(-1.0, low), high=min(1.0, high), level=level, method=how)
    return replace(
        found,
        arms=tuple(of_patients(each) for each in found.arms),
        difference=of_patients(found.difference, estimate=value, std_error=error, interval=span, p_value=p_value),
        ratio=None,
        method=method,
        assumptions=assumptions,
        caution=(*found.caution, *told),
        source=_SOURCE,
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


def tested_in_both(
    times: Intervals, arm: ArrayLike, patient: ArrayLike, reference_arm: str
) -> tuple[Intervals, StrArray, tuple[Caution, ...]]:
    """Cases of the patients who were tested in both arms, and their arms: those of the reference arm, then the others.

    Patients stand in the same order in either arm; with a caution on those who are left out, if there are any.

    Raises
    ------
    OnsetStudyError
        If a label is missing, there are not two arms, or a patient has two cases in one.
    """
    n = len(times)
    given = sort_arms(times, one_per_case(arm, n, "arm"), reference_arm=reference_arm, two_arms=True)
    rows, patients = _rows_in_both(given.arm, one_per_case(patient, n, "patient").astype(str), given.arms)
    rows = rows[times.tested[rows].all(axis=1)]
    order, told = rows.T.reshape(-1), tuple[Caution, ...]()
    if left_out := patients - len(rows):
        are = "is" if left_out == 1 else "are"
        text = f"{left_out} of {patients} patients {are} left out: they were not tested in both arms."
        told = (Caution(code="untested_pairs", text=text),)
    return times.take(order), given.arm[order], told


def influences_in_both(followed: ArmedCases, minute: float, *, waits: bool, curves: Curves) -> FloatArray:
    """What each patient's case adds to the error of either arm, shape (2, patients), of :func:`tested_in_both`."""
    own = [case_influences(followed, name, minute, waits=waits, curves=curves)[0] for name in followed.arms]
    # Rows are patients of one arm, then of the other; an arm's own error comes from its own rows.
    return np.asarray(np.sum(own, axis=0).reshape(2, -1), dtype=np.float64)


def _rows_in_both(arm: StrArray, patient: StrArray, arms: tuple[str, ...]) -> tuple[IntArray, int]:
    """Rows of the patients who have both of two arms, shape (patients, 2), reference first; and of all, how many.

    Raises
    ------
    OnsetStudyError
        If a patient has two cases in one arm.
    """
    names, row = np.unique(patient, return_inverse=True)
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
