"""Nonparametric maximum likelihood curve of onset from interval-censored times.

Takes :class:`~onsetstudy.core.intervals.Intervals` and weights, gives an
:class:`~onsetstudy.survival.results.OnsetCurve` that is certified by its own optimality condition.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import nnls

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Certificate, Counts
from onsetstudy.survival.innermost import innermost_intervals, support_index
from onsetstudy.survival.results import OnsetCurve

__all__ = ["fit_npmle"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


def fit_npmle(
    times: Intervals,
    *,
    weight: ArrayLike | None = None,
    tolerance: float = 1e-8,
    max_iterations: int = 200,
) -> OnsetCurve:
    """Nonparametric maximum likelihood estimate of the chance of not yet being numb.

    Parameters
    ----------
    times : Intervals, n cases
        Onset in (left, right], minutes from clock zero.
    weight : array_like of float, shape (n,), optional
        Weight of each case, 0 or more; default 1. A case of weight 2 counts as two equal cases.
    tolerance : float
        Largest accepted Kuhn-Tucker gap relative to the total weight.
    max_iterations : int
        Limit of outer steps.

    Returns
    -------
    OnsetCurve
        Certified: no distribution has a log-likelihood greater by more than ``tolerance`` times the total weight.

    Raises
    ------
    NotEstimable
        If there is no case with positive weight (``"no_cases"``), or the gap is not met (``"not_converged"``).
    OnsetStudyError
        If ``weight`` is not one number of 0 or more per case.

    References
    ----------
    .. [1] Gentleman R, Geyer CJ (1994). Maximum likelihood for interval censored data: consistency and
       computation. Biometrika 81, 618-623.
    .. [2] Wang Y (2007). On fast computation of the non-parametric maximum likelihood estimate of a mixing
       distribution. Journal of the Royal Statistical Society B 69, 185-198.
    """
    w = _checked_weight(weight, len(times))
    used = w > 0
    if not used.any():
        raise NotEstimable("onset_curve", "there is no case", code="no_cases")
    counted = Counts(cases=int(used.sum()), onsets=int(np.sum(np.isfinite(times.right) & used)))
    times, w = times.take(used), w[used]
    support = innermost_intervals(times)
    first, last = support_index(times, support)
    k = len(support)
    code, row = np.unique(first * k + last, return_inverse=True)
    w = np.bincount(row, weights=w).astype(np.float64)
    a, b = code // k, code % k
    mass, iterations, gap = _maximise(a, b, w, k, tolerance, max_iterations)
    if not gap <= tolerance:
        raise NotEstimable(
            "onset_curve",
            f"the search for the maximum stopped at a gap of {gap:.1e} instead of {tolerance:.1e}",
            code="not_converged",
        )
    keep = mass > 0
    share = np.concatenate(([0.0], np.cumsum(mass)))
    return OnsetCurve(
        left=support.left[keep],
        right=support.right[keep],
        mass=mass[keep],
        determined=np.ones(int(keep.sum())),
        log_likelihood=float(w @ np.log(share[b + 1] - share[a])),
        certificate=Certificate(
            converged=True,
            iterations=iterations,
            gap=gap,
            tolerance=tolerance,
            condition="Kuhn-Tucker gap relative to the total weight",
        ),
        n=counted,
        assumptions=(Assumption(name="times of testing do not depend on onset"),),
        source="gentleman_geyer_1994",
    )


def _checked_weight(weight: ArrayLike | None, n: int) -> FloatArray:
    if weight is None:
        return np.ones(n)
    w = np.asarray(weight, dtype=np.float64)
    if w.shape != (n,) or not np.all(np.isfinite(w)) or np.any(w < 0):
        raise OnsetStudyError(f"weight must be {n} finite numbers of 0 or more, one per case")
    return w


def _gradient(a: IntArray, b: IntArray, w: FloatArray, p: FloatArray, k: int) -> FloatArray:
    """Derivative of the log-likelihood by each mass, shape (k,)."""
    ratio = w / p
    steps = np.bincount(a, weights=ratio, minlength=k + 1) - np.bincount(b + 1, weights=ratio, minlength=k + 1)
    return np.asarray(np.cumsum(steps)[:k])


def _maximise(
    a: IntArray, b: IntArray, w: FloatArray, k: int, tolerance: float, max_iterations: int
) -> tuple[FloatArray, int, float]:
    """Masses, number of steps and relative gap, by constrained Newton steps on the active masses."""
    total = float(w.sum())
    mass = np.full(k, 1.0 / k)

    def chance(m: FloatArray) -> FloatArray:
        share = np.concatenate(([0.0], np.cumsum(m)))
        return np.asarray(share[b + 1] - share[a])

    p = chance(mass)
    gradient = _gradient(a, b, w, p, k)
    gap = float(gradient.max()) / total - 1.0
    for iteration in range(1, max_iterations + 1):
        mass = mass * gradient / total
        if iteration <= 20:
            mass = mass / mass.sum()
        else:
            mass[mass < 1e-12] = 0.0
        p = chance(mass)
        gradient = _gradient(a, b, w, p, k)
        peak = gradient >= np.maximum(np.r_[0.0, gradient[:-1]], np.r_[gradient[1:], 0.0])
        active = np.flatnonzero((mass > 1e-9) | peak)
        covers = (a[:, None] <= active) & (active <= b[:, None])
        root = np.sqrt(w)
        design = covers / p[:, None] * root[:, None]
        # The weighted sum keeps the total at one: a heavily weighted extra row.
        heavy = 1e4 * np.sqrt(total)
        step, _ = nnls(np.vstack((design, np.full(active.size, heavy))), np.r_[2.0 * root, heavy])
        target = np.zeros(k)
        target[active] = step / step.sum()
        before = float(w @ np.log(p))
        slope = float(gradient @ (target - mass))
        size = 1.0
        while size > 1e-10:
            trial = mass + size * (target - mass)
            q = chance(trial)
            if np.all(q > 0) and float(w @ np.log(q)) >= before + 1e-4 * size * slope - 1e-13 * abs(before):
                mass, p = trial, q
                break
            size *= 0.5
        gradient = _gradient(a, b, w, p, k)
        gap = float(gradient.max()) / total - 1.0
        if gap <= tolerance:
            return mass / mass.sum(), iteration, max(gap, 0.0)
    return mass, max_iterations, gap
