"""How it is known that masses maximise the likelihood, and which of them the likelihood determines.

For masses ``m`` on innermost intervals, ``p_i`` the sum that case ``i`` covers, and
``g_j = sum of w_i / p_i over the cases that cover j``, the masses are optimal if and only if no ``g_j`` exceeds
the total weight ``W``; and, the log-likelihood being concave, no distribution at all has a log-likelihood greater
by more than ``max g - W``. The gap is that number divided by ``W``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.survival.curve.innermost import Spans

__all__ = ["chances", "determined_masses", "gradient", "product_limit", "relative_gap"]


_NEARLY_OPTIMAL = 1e-7
"""An interval without mass whose derivative is this close to ``W`` could have mass in another maximiser."""


def chances(spans: Spans, mass: FloatArray) -> FloatArray:
    """Mass that each case covers, shape (m,)."""
    share = np.concatenate(([0.0], np.cumsum(mass)))
    p = share[spans.last + 1] - share[spans.first]
    # A difference of sums would lose the digits of small single masses.
    single = np.flatnonzero(spans.first == spans.last)
    p[single] = mass[spans.first[single]]
    return p


def gradient(spans: Spans, ratio: FloatArray) -> FloatArray:
    """Sum of ``ratio`` over the cases that cover each innermost interval, shape (k,)."""
    k = spans.k
    steps = np.bincount(spans.first, weights=ratio, minlength=k + 1)
    steps -= np.bincount(spans.last + 1, weights=ratio, minlength=k + 1)
    return np.asarray(np.cumsum(steps)[:k])


def relative_gap(spans: Spans, mass: FloatArray) -> float:
    """Kuhn-Tucker gap of ``mass`` relative to the total weight; 0 or more, infinite if a case has no mass."""
    p = chances(spans, mass)
    if not np.all(p > 0):
        return np.inf
    return max(0.0, float(gradient(spans, spans.weight / p).max()) / float(spans.weight.sum()) - 1.0)


def product_limit(spans: Spans) -> FloatArray | None:
    """Masses in closed form if every case covers one innermost interval or reaches to the last; else ``None``.

    This is the Kaplan-Meier estimate, also for onset known to lie in one of several gaps that do not overlap.
    """
    k = spans.k
    single = spans.first == spans.last
    if not np.all(single | (spans.last == k - 1)):
        return None
    onset = np.bincount(spans.first[single], weights=spans.weight[single], minlength=k)
    left_early = np.bincount(spans.first[~single], weights=spans.weight[~single], minlength=k)
    # A case that left before an interval, without onset, is not at risk in it.
    at_risk = np.cumsum((onset + left_early)[::-1])[::-1] - left_early
    hazard = np.ones(k)
    hazard[:-1] = onset[:-1] / at_risk[:-1]
    before = np.concatenate(([1.0], np.cumprod(1.0 - hazard[:-1])))
    return np.asarray(before * hazard)


def determined_masses(spans: Spans, mass: FloatArray) -> NDArray[np.bool_]:
    """Which masses are the same in every maximiser of the likelihood, shape (k,).

    Every maximiser gives each case the same chance. A case thus fixes the difference of the distribution
    function between its two ends. Draw the ends of the intervals that may have mass as points, join the two
    points of each case, and the first with the last (their difference is 1): a mass is fixed if its two points are
    joined. An interval that may have mass but has none cannot lose any, which joins its points in one
    direction only; two points are then as good as joined if each can be reached from the other. This is the
    condition that the cases' columns of ones have full rank, for columns of consecutive ones.

    References
    ----------
    .. [1] Gentleman R, Geyer CJ (1994). Maximum likelihood for interval censored data: consistency and
       computation. Biometrika 81, 618-623, on uniqueness.
    """
    slope = gradient(spans, spans.weight / chances(spans, mass)) / float(spans.weight.sum())
    candidate = (mass > 0) | (slope > 1.0 - _NEARLY_OPTIMAL)
    number = np.concatenate(([0], np.cumsum(candidate)))
    s = int(number[-1])
    begin, end = _distinct_pairs(number[spans.first], number[spans.last + 1], s + 1)
    held = np.flatnonzero(mass[candidate] == 0)
    source = np.concatenate((begin, end, held, [0, s]))
    target = np.concatenate((end, begin, held + 1, [s, 0]))
    joined = sparse.coo_array((np.ones(source.size, dtype=np.int8), (source, target)), shape=(s + 1, s + 1))
    _, label = connected_components(joined.tocsr(), directed=True, connection="strong")
    fixed = np.ones(spans.k, dtype=bool)
    fixed[candidate] = label[:-1] == label[1:]
    return fixed


def _distinct_pairs(begin: IndexArray, end: IndexArray, size: int) -> tuple[IndexArray, IndexArray]:
    """Pairs of numbers below ``size`` without most of their repetitions."""
    if size * size <= 4 * begin.size + 4096:
        code = np.flatnonzero(np.bincount(begin * size + end, minlength=size * size))
        return code // size, code % size
    return begin, end
