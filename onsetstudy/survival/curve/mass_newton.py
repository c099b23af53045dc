"""Constrained Newton steps for the masses of a moderate number of intervals.

Scaled by the total weight ``W``, the log-likelihood less ``W`` times the sum of the masses has its maximum over
all non-negative masses at masses of sum 1. Each step maximises the quadratic model of that function over
non-negative masses exactly, by block principal pivoting, and is shortened until the function rises.

References
----------
.. [1] Wang Y (2007). On fast computation of the non-parametric maximum likelihood estimate of a mixing
   distribution. Journal of the Royal Statistical Society B 69, 185-198.
.. [2] Portugal LF, Judice JJ, Vicente LN (1994). A comparison of block pivoting and interior-point algorithms
   for linear least squares problems with nonnegative variables. Mathematics of Computation 63, 625-643.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.arrays import BoolArray, FloatArray, IndexArray
from onsetstudy.survival.curve.blocked_solve import solve_positive
from onsetstudy.survival.curve.innermost import Kinds

_RIDGE = 1e-12
_MOST_PIVOTS = 100
_DUAL_SLACK = 1e-12
_EXHAUSTED = 1e-13


def kinds_of(code: NDArray[np.signedinteger], weight: FloatArray, k: int) -> Kinds:
    """Distinct kinds of cases in order of their codes: ``first * k + last`` of the intervals that a case covers."""
    count = np.bincount(code, weights=weight, minlength=k * k)
    kinds = np.flatnonzero(count)
    first = kinds // k
    return Kinds(k, first, kinds - first * k + 1, count[kinds].astype(np.float64))


@dataclass(frozen=True, slots=True, eq=False)
class MassFit:
    """Masses, the chance of each kind of case, gap, steps taken."""

    mass: FloatArray
    chance: FloatArray
    gap: float
    steps: int


def maximise_masses(
    kinds: Kinds, start: FloatArray, *, tolerance: float, max_steps: int, polish: bool = True
) -> MassFit:
    """Masses that maximise the sum over kinds of weight times log chance.

    Parameters
    ----------
    kinds : Kinds
    start : ndarray of float, shape (k,)
        Masses of sum 1 that give every kind of case a positive chance.
    tolerance : float
        Wanted gap.
    max_steps : int
        Steps taken at most, whether the gap is met or not.
    polish : bool
        Whether steps that still diminish the gap are taken beyond the tolerance.
    """
    total = float(kinds.weight.sum())
    mass, chance = start, kinds.chances(start)
    value = _value(kinds, chance, mass, total)
    gap, step = np.inf, 0
    for step in range(max_steps + 1):
        ratio = kinds.weight / chance
        slope = kinds.slope(ratio)
        before, gap = gap, max(0.0, float(slope.max()) / total - 1.0)
        done = gap <= tolerance and (not polish or gap <= _EXHAUSTED or gap > 0.1 * before)
        if done or step == max_steps:
            break
        aim = _maximise_quadratic(kinds, ratio / chance, 2.0 * slope - total, (mass > 0) | (slope > total))
        moved = _step_towards(kinds, mass, aim, slope - total, value)
        if moved is None:
            # No rise along the quadratic's maximiser: an EM step always rises.
            moved = _step_towards(kinds, mass, mass * slope / total, slope - total, value)
        if moved is None:
            break
        mass = moved / moved.sum()
        chance = kinds.chances(mass)
        value = _value(kinds, chance, mass, total)
    return MassFit(mass, chance, gap, step)


def _value(kinds: Kinds, chance: FloatArray, mass: FloatArray, total: float) -> float:
    return float(np.sum(kinds.weight * np.log(chance))) - total * float(mass.sum())


def _step_towards(
    kinds: Kinds, mass: FloatArray, aim: FloatArray, slope: FloatArray, value: float
) -> FloatArray | None:
    """Point between ``mass`` and ``aim`` at which the function has risen enough; ``None`` if there is none."""
    direction = aim - mass
    rise = float(slope @ direction)
    if not rise > 0:
        return None
    total = float(kinds.weight.sum())
    size = 1.0
    while size > 1e-9:
        trial = mass + size * direction
        chance = kinds.chances(trial)
        enough = value + 1e-4 * size * rise - 1e-13 * abs(value)
        if chance.min() > 0 and _value(kinds, chance, trial, total) >= enough:
            return trial
        size *= 0.5
    return None


def _maximise_quadratic(kinds: Kinds, corner: FloatArray, linear: FloatArray, positive: BoolArray) -> FloatArray:
    """Maximiser of ``linear @ x - x @ H @ x / 2`` over ``x >= 0``, shape (k,).

    Parameters
    ----------
    kinds : Kinds
    corner : ndarray of float, shape (m,)
        Weight of each kind in ``H``, which is the sum of ``corner`` over the kinds that cover two places.
    linear : ndarray of float, shape (k,)
    positive : ndarray of bool, shape (k,)
        First guess of the positive places.
    """
    k = linear.size
    # Sum of ``corner`` over the kinds that cover both of two places, right above the diagonal only.
    curvature = np.zeros((k, k))
    curvature[kinds.first, kinds.after - 1] = corner
    np.cumsum(curvature, axis=0, out=curvature)
    backwards = curvature[:, ::-1]
    np.cumsum(backwards, axis=1, out=backwards)
    slack = _DUAL_SLACK * float(np.abs(linear).max())
    fewest, patience = k + 1, 3
    x = np.zeros(k)
    for _ in range(_MOST_PIVOTS):
        inside = np.flatnonzero(positive)
        x = np.zeros(k)
        x[inside] = _solve(curvature, linear, inside)
        wrong = positive & (x < 0)
        if inside.size < k:
            excess = linear - kinds.slope(corner * kinds.chances(x))
            wrong |= ~positive & (excess > slack)
        count = int(np.count_nonzero(wrong))
        if count == 0:
            break
        if count < fewest:
            fewest, patience = count, 3
        elif patience > 0:
            patience -= 1
        else:
            wrong[: np.flatnonzero(wrong)[-1]] = False
        positive = positive ^ wrong
    return np.maximum(x, 0.0)


def _solve(curvature: FloatArray, linear: FloatArray, inside: IndexArray) -> FloatArray:
    """Solution on the places ``inside``; a trace of ridge keeps undetermined masses finite."""
    if inside.size == 0:
        return np.zeros(0)
    matrix = curvature.copy() if inside.size == linear.size else curvature[inside[:, None], inside]
    diagonal = np.diagonal(matrix).copy()
    ridge = _RIDGE
    while True:
        matrix.flat[:: inside.size + 1] = diagonal * (1.0 + ridge)
        solution = solve_positive(matrix, linear[inside])
        if solution is not None:
            return solution
        ridge *= 100.0
