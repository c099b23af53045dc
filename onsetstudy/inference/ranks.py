"""Rank methods for two samples with ties: exact where it is cheap, on counts where the samples are large."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats
from scipy.optimize import brentq

from onsetstudy.core.arrays import FloatArray, IndexArray

EXACT_TOTAL = 100
DIRECT_PAIRS = 4_000_000


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
        if middle in (low, high):
            break
        low, high = (low, middle) if at_most(middle) >= rank else (middle, high)
    return high


def shift_rank(m: int, n: int, conf_level: float) -> int:
    """Rank (from 1) of the lower confidence limit among the ordered differences; 0 if the samples are too small.

    References
    ----------
    .. [1] Hollander M, Wolfe DA. Nonparametric Statistical Methods, 2nd ed., Wiley 1999, equation 4.37.
    """
    half = (1 - conf_level) / 2
    if m + n <= EXACT_TOTAL:
        # Generating function of the number of pairs in favour: product over i of (1 - x^(n+i)) / (1 - x^i).
        counts = np.zeros(m * n + 1)
        counts[0] = 1.0
        for i in range(1, m + 1):
            if n + i <= m * n:
                counts[n + i :] -= counts[: counts.size - n - i].copy()
            for start in range(i):
                counts[start::i] = np.cumsum(counts[start::i])
        cumulative = np.cumsum(counts / counts.sum())
        return int(np.searchsorted(cumulative, half, side="right"))
    z = special.ndtri(1 - half)
    return max(0, int(np.floor(m * n / 2 - z * np.sqrt(m * n * (m + n + 1) / 12))))


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
    total = int(doubled.sum())
    # ways[k, s]: subsets of k of the ranks seen so far with doubled rank sum s.
    ways = np.zeros((m + 1, total + 1))
    ways[0, 0] = 1.0
    for rank in doubled:
        ways[1:, rank:] += ways[:-1, : total + 1 - rank].copy()
    chance = ways[m] / ways[m].sum()
    expected = m * (m + n + 1)
    far = abs(int(doubled[:m].sum()) - expected)
    p = float(chance[np.abs(np.arange(total + 1) - expected) >= far].sum())
    return u, min(1.0, p), "exact permutation distribution given the ties"


def superiority_limits(theta: float, m: int, n: int, conf_level: float) -> tuple[float, float]:
    """Confidence limits for the probability that one sample's value exceeds the other's.

    Score-like limits that stay inside 0 to 1 and are honest at both ends.

    References
    ----------
    .. [1] Newcombe RG. Confidence intervals for an effect size measure based on the Mann-Whitney statistic. Part 2.
       Statistics in Medicine 2006;25:559-573, method 5 (from memory).
    """
    z = special.ndtri((1 + conf_level) / 2)
    star = (m + n) / 2 - 1

    def excess(t: float) -> float:
        variance = t * (1 - t) * (1 + star * (1 - t) / (2 - t) + star * t / (1 + t)) / (m * n)
        return float((theta - t) ** 2 - z**2 * variance)

    # At 0 and 1 the excess is zero without being a limit: the search stops just short of them.
    edge = 1e-12
    low = 0.0 if theta <= 0 else float(brentq(excess, 0.0, min(theta, 1 - edge)))
    high = 1.0 if theta >= 1 else float(brentq(excess, max(theta, edge), 1.0))
    return low, high
