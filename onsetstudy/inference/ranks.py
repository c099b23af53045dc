"""Rank methods for two samples with ties: exact where it is cheap, on counts where the samples are large."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import brentq

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.inference.proportions import normal_quantile

EXACT_TOTAL = 100
DIRECT_PAIRS = 4_000_000
DIGITS = 9
"""Decimals of differences that count: further ones are what subtracting left, and would break ties."""
ROUNDING = 1e-9
"""Part of the largest P by which another may be smaller and is the same."""
INSET = 0.1
"""Share of the way to the next value tried at which a limit is drawn that lies at no shift, ruled out itself."""


def ordered_differences(x: FloatArray, y: FloatArray, ranks: NDArray[np.int64]) -> FloatArray:
    """Chosen order statistics of all ``len(x) * len(y)`` differences ``x - y``.

    Parameters
    ----------
    x, y : ndarray of float, shapes (m,) and (n,)
    ranks : ndarray of int, shape (k,)
        1 for the smallest difference, ``m * n`` for the largest.

    Returns
    -------
    ndarray of float, shape (k,)
    """
    (ux, cx), (uy, cy) = (np.unique(values, return_counts=True) for values in (x, y))
    if ux.size * uy.size <= DIRECT_PAIRS:
        differences = np.subtract.outer(ux, uy).ravel()
        order = np.argsort(differences, kind="stable")
        reached = np.cumsum(np.multiply.outer(cx, cy).ravel()[order])
        return np.asarray(differences[order][np.searchsorted(reached, ranks)], dtype=np.float64)
    return np.array([_difference_by_bisection(ux, cx, uy, cy, int(rank)) for rank in ranks])


def _difference_by_bisection(ux: FloatArray, cx: IndexArray, uy: FloatArray, cy: IndexArray, rank: int) -> float:
    cumulative = np.concatenate(([0], np.cumsum(cy)))

    def at_most(d: float) -> int:
        # x - y <= d  <=>  y >= x - d
        return int(np.sum(cx * (cumulative[-1] - cumulative[np.searchsorted(uy, ux - d, side="left")])))

    low, high = float(ux[0] - uy[-1]), float(ux[-1] - uy[0])
    while np.nextafter(low, high) < high:
        middle = low + (high - low) / 2
        low, high = (low, middle) if at_most(middle) >= rank else (middle, high)
    return high


def rank_sum_p_value(x: FloatArray, y: FloatArray) -> tuple[float, float, str]:
    """Mann-Whitney statistic of ``x`` (pairs with ``x`` larger, ties half), two-sided p-value and how it was found.

    Up to 100 scores in all the permutation distribution given the ties is complete; beyond that
    the normal approximation with correction for ties and continuity is taken from scipy.
    """
    m, n = x.size, y.size
    ranks = stats.rankdata(np.concatenate((x, y)))
    u = float(ranks[:m].sum() - m * (m + 1) / 2)
    if m + n > EXACT_TOTAL:
        result = stats.mannwhitneyu(x, y, alternative="two-sided", method="asymptotic")
        return u, float(result.pvalue), "normal approximation, corrected for ties and continuity"
    doubled = np.rint(2 * ranks).astype(np.int64)
    # ways[k, s]: subsets of k of the ranks seen so far with doubled rank sum s, which is at most that of all of them.
    ways = np.zeros((m + 1, int(doubled.sum()) + 1))
    ways[0, 0] = 1.0
    total = 0
    for seen, rank in enumerate(np.sort(doubled)):
        most = min(seen, m - 1)
        ways[1 : most + 2, rank : total + rank + 1] += ways[: most + 1, : total + 1].copy()
        total += int(rank)
    chance = ways[m] / ways[m].sum()
    expected = m * (m + n + 1)
    far = abs(int(doubled[:m].sum()) - expected)
    p = float(chance[np.abs(np.arange(total + 1) - expected) >= far].sum())
    return u, min(1.0, p), "exact permutation distribution given the ties"


@dataclass(frozen=True, slots=True)
class Tried:
    """Values of a shift at which a test of ranks is asked, in order, to be turned round into limits.

    Points at which ranks change stand at odd places, what lies between and beyond at even ones; no shift is a point.
    """

    value: FloatArray

    @classmethod
    def of(cls, points: FloatArray) -> Tried:
        """Of the points, in any order."""
        points = np.union1d(points, 0.0) + 0.0
        edged = np.concatenate(([points[0] - 2], points, [points[-1] + 2]))
        return cls(np.insert(points, np.arange(points.size + 1), (edged[1:] + edged[:-1]) / 2))

    @property
    def none(self) -> int:
        """Place of no shift."""
        return int(np.flatnonzero(self.value == 0)[0])

    def likeliest(self, p_value: FloatArray, start: int = 0, *, alike: bool) -> tuple[int, int]:
        """First and last place of the largest P, of places from ``start``: limits of every level hold them.

        A single point stands for what lies on either side, too, unless all scores are ``alike``: scores so coarse do
        not tell a smaller shift.
        """
        first, last = (start + int(k) for k in np.flatnonzero(p_value >= p_value.max() * (1 - ROUNDING))[[0, -1]])
        if first == last and first % 2 and not alike:
            return max(first - 1, 1), min(last + 1, self.value.size - 2)
        return first, last

    def ends(self, first: int, last: int, *, up: bool | None) -> tuple[float, float]:
        """Ends from the first place to the last; an open end is told with its point.

        Where no shift is ruled out they are on its side that is ``up`` or is not.
        """
        if up is not None:
            first, last = (max(first, self.none + 1), last) if up else (first, min(last, self.none - 1))
        return float(self.value[first - 1 + first % 2]), float(self.value[last + 1 - last % 2])

    def beside_none(self, low: float, high: float) -> tuple[float, float]:
        """Limits of which one lies at no shift, which is ruled out: drawn close beside it."""
        if low == 0:
            return INSET * float(self.value[self.none + 2]), high
        return low, INSET * float(self.value[self.none - 2])


def rank_sum_limits(x: FloatArray, y: FloatArray, alpha: float) -> tuple[float, float] | None:
    """Limits of the shift of ``x`` against ``y``: the rank-sum test turned round, ties and all.

    Returns
    -------
    tuple of float, or None
        They leave out no shift where :func:`rank_sum_p_value` is below ``alpha``, and nowhere else. ``None`` where
        the test rejects no shift, however large.

    Notes
    -----
    Differences are tried, at which ranks change, and a value between each two neighbours. Limits of every level hold
    the value at which the arms are most alike; where that is a single difference, scores are too coarse to tell a
    smaller shift, and limits reach the differences on either side. The ends of what is not rejected are sought by
    bisection outwards from there, and from no shift on its other side, unless that is rejected: never across it then.
    So limits of a higher level hold those of a lower one. Where no shift is rejected and what lies between it and the
    next difference is not, the limit is drawn close beside it.
    """
    x, y = np.round(x, DIGITS), np.round(y, DIGITS)
    # Of very many different values every few are tried; the test itself is of all.
    thin = -(-max(np.unique(x).size, np.unique(y).size) // int(DIRECT_PAIRS**0.5))
    ux, uy = (np.union1d(np.unique(values)[::thin], values.max()) for values in (x, y))
    tried = Tried.of(np.round(np.subtract.outer(ux, uy), DIGITS))
    places = range(tried.value.size)

    def moved(place: int) -> FloatArray:
        return np.asarray(np.round(x - tried.value[place], DIGITS + 2))

    def excess(place: int) -> float:
        ranks = stats.rankdata(np.concatenate((moved(place), y)))[: x.size]
        return float(ranks.sum()) - x.size * (x.size + y.size + 1) / 2

    def p_value(place: int) -> float:
        return rank_sum_p_value(moved(place), y)[1]

    def outwards(start: int, end: int) -> int:
        """The last place on the way that is not rejected, beyond no shift if that is not."""
        if min(start, end) < none < max(start, end):
            start, end = (start, none) if ruled_out else (none, end)
        step = 1 if end > start else -1
        later = range(1, abs(end - start))
        return start + step * bisect_left(later, True, key=lambda k: p_value(start + step * k) < alpha)

    if max(p_value(places[0]), p_value(places[-1])) >= alpha:
        return None
    none = tried.none
    ruled_out = p_value(none) < alpha
    alike = (
        bisect_left(places, True, key=lambda k: excess(k) < 0) - 1,
        bisect_left(places, True, key=lambda k: excess(k) <= 0),
    )
    asked = range(min(alike), max(alike) + 1)
    first, last = tried.likeliest(np.array([p_value(k) for k in asked]), asked[0], alike=max(ux.size, uy.size) == 1)
    up = excess(none) > 0 if ruled_out else None
    low, high = tried.ends(outwards(first, places[0]), outwards(last, places[-1]), up=up)
    return tried.beside_none(low, high) if ruled_out and 0 in (low, high) else (low, high)


def superiority_limits(theta: float, m: int, n: int, conf_level: float) -> tuple[float, float]:
    """Confidence limits for the probability that one sample's value exceeds the other's.

    Score-like limits that stay inside 0 to 1 and are honest at both ends.

    References
    ----------
    .. [1] Newcombe RG. Confidence intervals for an effect size measure based on the Mann-Whitney statistic. Part 2.
       Statistics in Medicine 2006;25:559-573, method 5 (from memory).
    """
    z = normal_quantile(conf_level)
    star = (m + n) / 2 - 1

    def excess(t: float) -> float:
        variance = t * (1 - t) * (1 + star * (1 - t) / (2 - t) + star * t / (1 + t)) / (m * n)
        return float((theta - t) ** 2 - z**2 * variance)

    # At 0 and 1 the excess is zero without being a limit: the search stops just short of them.
    edge = 1e-12
    low = 0.0 if theta <= 0 else float(brentq(excess, 0.0, min(theta, 1 - edge)))
    high = 1.0 if theta >= 1 else float(brentq(excess, max(theta, edge), 1.0))
    return low, high
