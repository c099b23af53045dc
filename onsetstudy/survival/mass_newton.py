"""Constrained Newton steps for the masses of a moderate number of intervals.

The data are a table: ``count[a, b]`` is the weight of the cases that cover the intervals ``a`` to ``b``.
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
from scipy.linalg import lapack

__all__ = ["MassFit", "maximise_masses", "maximise_quadratic"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_RIDGE = 1e-12
_MOST_PIVOTS = 100
_DUAL_SLACK = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class MassFit:
    """Masses, the chance ``p[a, b]`` of each kind of case (1 where there is none), gap, steps taken."""

    mass: FloatArray
    chance: FloatArray
    gap: float
    steps: int


def maximise_masses(
    count: FloatArray, start: FloatArray, *, tolerance: float, max_steps: int, polish: bool = True
) -> MassFit:
    """Masses that maximise the sum of ``count[a, b] * log(mass[a] + ... + mass[b])``.

    Parameters
    ----------
    count : ndarray of float, shape (k, k)
        Zero below the diagonal.
    start : ndarray of float, shape (k,)
        Masses of sum 1 that give every kind of case a positive chance.
    tolerance : float
        Wanted gap; the last step is taken before the limit of ``max_steps`` even if it is not met.
    polish : bool
        Whether steps that still diminish the gap are taken beyond the tolerance.
    """
    total = float(count.sum())
    seen = count > 0
    mass, chance = start, _chance(start, seen)
    value = _value(count, chance, mass, total)
    gap = np.inf
    for step in range(max_steps + 1):
        ratio = count / chance
        slope = _slope(ratio)
        before, gap = gap, max(0.0, float(slope.max()) / total - 1.0)
        done = gap <= tolerance and (not polish or gap <= 1e-13 or gap > 0.1 * before)
        if done or step == max_steps:
            break
        aim = maximise_quadratic(_curvature(ratio / chance), 2.0 * slope - total, (mass > 0) | (slope > total))
        moved = _step_towards(count, seen, mass, aim, slope - total, value, total)
        if moved is None:
            # No rise along the quadratic's maximiser: an EM step always rises.
            moved = _step_towards(count, seen, mass, mass * slope / total, slope - total, value, total)
        if moved is None:
            break
        mass = moved / moved.sum()
        chance = _chance(mass, seen)
        value = _value(count, chance, mass, total)
    return MassFit(mass, chance, gap, step)


def _chance(mass: FloatArray, seen: BoolArray) -> FloatArray:
    share = np.zeros(mass.size + 1)
    np.cumsum(mass, out=share[1:])
    chance = share[None, 1:] - share[:-1, None]
    # A difference of sums would lose the digits of small single masses.
    np.fill_diagonal(chance, mass)
    return np.where(seen, chance, 1.0)


def _value(count: FloatArray, chance: FloatArray, mass: FloatArray, total: float) -> float:
    return float(np.vdot(count, np.log(chance))) - total * float(mass.sum())


def _slope(ratio: FloatArray) -> FloatArray:
    """Derivative by each mass: sum of ``ratio[a, b]`` over ``a <= j <= b``."""
    slope = ratio.sum(axis=1)
    slope[1:] -= ratio.sum(axis=0)[:-1]
    return np.asarray(np.cumsum(slope))


def _curvature(corner: FloatArray) -> FloatArray:
    """Sum of ``corner[a, b]`` over ``a <= j`` and ``b >= l``, for ``j <= l``; symmetric, shape (k, k)."""
    whole = np.cumsum(np.cumsum(corner, axis=0)[:, ::-1], axis=1)[:, ::-1]
    upper = np.triu(whole)
    return np.asarray(upper + np.triu(upper, 1).T)


def _step_towards(
    count: FloatArray,
    seen: BoolArray,
    mass: FloatArray,
    aim: FloatArray,
    slope: FloatArray,
    value: float,
    total: float,
) -> FloatArray | None:
    """Point between ``mass`` and ``aim`` at which the function has risen enough; ``None`` if there is none."""
    direction = aim - mass
    rise = float(slope @ direction)
    if not rise > 0:
        return None
    size = 1.0
    while size > 1e-9:
        trial = mass + size * direction
        chance = _chance(trial, seen)
        if chance.min() > 0 and _value(count, chance, trial, total) >= value + 1e-4 * size * rise - 1e-13 * abs(value):
            return trial
        size *= 0.5
    return None


def maximise_quadratic(curvature: FloatArray, linear: FloatArray, positive: BoolArray) -> FloatArray:
    """Maximiser of ``linear @ x - x @ curvature @ x / 2`` over ``x >= 0``, shape (k,).

    Parameters
    ----------
    curvature : ndarray of float, shape (k, k)
        Symmetric, positive semidefinite.
    linear : ndarray of float, shape (k,)
    positive : ndarray of bool, shape (k,)
        First guess of the positive places.
    """
    diagonal = np.diagonal(curvature)
    scale = 1.0 / np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    slack = _DUAL_SLACK * float(np.abs(linear).max())
    fewest, patience = linear.size + 1, 3
    x = np.zeros(linear.size)
    for _ in range(_MOST_PIVOTS):
        inside = np.flatnonzero(positive)
        x = np.zeros(linear.size)
        x[inside] = _solve(curvature, linear, scale, inside)
        excess = linear - curvature[:, inside] @ x[inside]
        wrong = np.where(positive, x < 0, excess > slack)
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


def _solve(curvature: FloatArray, linear: FloatArray, scale: FloatArray, inside: NDArray[np.intp]) -> FloatArray:
    """Solution on the places ``inside``; a trace of ridge keeps undetermined masses finite."""
    if inside.size == 0:
        return np.zeros(0)
    own = scale[inside]
    matrix = curvature[inside[:, None], inside] * own * own[:, None]
    ridge = _RIDGE
    while True:
        matrix.flat[:: inside.size + 1] += ridge
        _, solution, info = lapack.dposv(matrix, linear[inside] * own, lower=0)
        if info == 0:
            return np.asarray(solution * own)
        ridge *= 100.0
