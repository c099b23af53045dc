"""Linear functionals of an onset curve, such as a restricted mean: value, bounds and variance.

A functional is one number per innermost interval; its value is the sum of mass times number.
"""

from __future__ import annotations

import numpy as np
from scipy import linalg, optimize
from scipy.sparse import linalg as sparse_linalg

from onsetstudy.core.arrays import BoolArray, FloatArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.innermost import Kinds, support_index
from onsetstudy.survival.results import OnsetCurve

_DENSE = 1500
"""Innermost intervals up to which the information matrix is held whole."""
NEGLIGIBLE = 1e-8
"""Mass below which an innermost interval counts as empty: numerical remains of a mass at its bound of 0."""


def _kinds(times: Intervals, curve: OnsetCurve, weight: FloatArray | None) -> tuple[Kinds, FloatArray]:
    """Kinds of cases by the innermost intervals that they cover, and cases over the square of their chance."""
    first, last = support_index(times, curve)
    spans, row = np.unique(np.stack((first, last + 1), axis=1), axis=0, return_inverse=True)
    count = np.bincount(row.reshape(-1), weight).astype(np.float64)
    kinds = Kinds(curve.mass.size, spans[:, 0], spans[:, 1], count)
    return kinds, count / kinds.chances(curve.mass) ** 2


def observed_information(times: Intervals, curve: OnsetCurve, weight: FloatArray | None = None) -> FloatArray:
    """Negative second derivative of the log-likelihood in the masses, shape (k, k).

    Of the positive masses only: those at zero are held there. ``weight`` says how many cases a row stands for.
    """
    kinds, each = _kinds(times, curve, weight)
    corner = np.zeros((kinds.k, kinds.k))
    np.add.at(corner, (kinds.first, kinds.after - 1), each)
    # Entry (j, l), j <= l, sums the cases whose span begins by j and ends at or after l.
    upper = np.triu(np.cumsum(np.cumsum(corner, axis=0)[:, ::-1], axis=1)[:, ::-1])
    return np.asarray(upper + np.triu(upper, 1).T, dtype=np.float64)


def functional_variance(
    times: Intervals, curve: OnsetCurve, value: FloatArray, weight: FloatArray | None = None
) -> float:
    """Variance of ``sum(mass * value)`` by the delta method from the observed information.

    Parameters
    ----------
    times : Intervals, n rows that the curve was fitted to
    value : ndarray of float, shape (k,)
        One number per innermost interval.
    weight : ndarray of float, shape (n,), optional
        How many like cases a row stands for; default 1. Not for weights that are no counts: the variance is that of
        so many independent cases.

    Notes
    -----
    With ``c`` the values less their mean under the curve and ``I`` the information, the variance is
    ``c' I^-1 c``: the constraint that the masses sum to 1 is met, since at the maximum ``I`` times the
    masses is n in every place. If every case lies in one cell it is the variance of the cells' values with
    divisor n, divided by n; on exact and right-censored times it is Greenwood's.
    """
    _, target, solution = _solved(times, curve, value, weight)
    return max(0.0, float(target @ solution))


def influence_values(times: Intervals, curve: OnsetCurve, value: FloatArray) -> FloatArray:
    """What each case adds to the error of ``sum(mass * value)``, shape (n,); parameters as :func:`functional_variance`.

    Notes
    -----
    The score of a case times the inverse information. Their sum is 0 and that of their squares, over the cases, is
    :func:`functional_variance`, as the observed information is the sum of the scores' squares. Of one gap that decides
    every case they are the deviations of the cases' values from their mean, over n.
    """
    held, _, solution = _solved(times, curve, value, None)
    moved, mass = np.zeros(curve.mass.size), np.where(held, curve.mass, 0.0)
    moved[held] = mass[held] * solution
    first, last = support_index(times, curve)
    above, below = (np.concatenate(([0.0], np.cumsum(each))) for each in (moved, mass))
    found: FloatArray = (above[last + 1] - above[first]) / (below[last + 1] - below[first])
    return found


def _solved(
    times: Intervals, curve: OnsetCurve, value: FloatArray, weight: FloatArray | None
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Masses above 0, the centred values times these, and the information's solution for that, both mass-scaled."""
    held = curve.mass > NEGLIGIBLE
    mass = curve.mass[held]
    target = mass * (value[held] - float(curve.mass @ value))
    if mass.size > _DENSE:
        return held, target, _solve_by_products(times, curve, held, target, weight)
    # Scaling by the masses keeps the system well conditioned when some are small.
    scaled = observed_information(times, curve, weight)[np.ix_(held, held)] * np.outer(mass, mass)
    try:
        solution = linalg.cho_solve(linalg.cho_factor(scaled), target)
    except linalg.LinAlgError:
        # Masses that are not uniquely determined: the least-norm solution speaks of what is.
        solution = linalg.lstsq(scaled, target)[0]
    return held, target, np.asarray(solution, dtype=np.float64)


def _solve_by_products(
    times: Intervals, curve: OnsetCurve, held: BoolArray, target: FloatArray, weight: FloatArray | None
) -> FloatArray:
    """Solution of the mass-scaled information's system by conjugate gradients, without holding the matrix.

    A product with the information is two running sums, whatever the number of innermost intervals.
    """
    kinds, each = _kinds(times, curve, weight)
    mass = np.where(held, curve.mass, 0.0)

    def product(x: FloatArray) -> FloatArray:
        full = np.zeros(kinds.k)
        full[held] = np.ravel(x)
        return (mass * kinds.slope(each * kinds.chances(mass * full)))[held]

    diagonal = (mass * kinds.slope(each) * mass)[held]
    shape = (target.size, target.size)
    found, info = sparse_linalg.cg(
        sparse_linalg.LinearOperator(shape, matvec=product, dtype=np.float64),
        target,
        rtol=1e-10,
        maxiter=20 * target.size,
        M=sparse_linalg.LinearOperator(shape, matvec=lambda x: np.ravel(x) / diagonal, dtype=np.float64),
    )
    if info != 0:
        raise NotEstimable("variance", "the system of the observed information was not solved", code="not_converged")
    return np.asarray(found, dtype=np.float64)


def functional_bounds(
    times: Intervals, curve: OnsetCurve, lowest: FloatArray, highest: FloatArray
) -> tuple[float, float]:
    """Least and greatest value of the functional that the maximised likelihood allows.

    Parameters
    ----------
    lowest, highest : ndarray of float, shape (k,)
        Value per innermost interval with its mass at either end.
    """
    low, high = float(curve.mass @ lowest), float(curve.mass @ highest)
    if np.all(curve.determined):
        return low, high
    kinds, _ = _kinds(times, curve, None)
    place = np.arange(kinds.k)
    inside = (place >= kinds.first[:, None]) & (place < kinds.after[:, None])
    seen = np.vstack((inside.astype(np.float64), np.ones(kinds.k)))
    for value, sign in ((lowest, 1.0), (highest, -1.0)):
        found = optimize.linprog(sign * value, A_eq=seen, b_eq=seen @ curve.mass, bounds=(0.0, 1.0), method="highs")
        if found.fun is not None:
            low, high = min(low, sign * float(found.fun)), max(high, sign * float(found.fun))
    return low, high
