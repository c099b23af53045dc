"""Power of tests of two proportions and of McNemar's exact test by adding up every outcome."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from onsetstudy.core.errors import DesignError

# A size is taken when this many sizes from it on have the power: exact power goes up and down from size to size.
HOLDS_FOR = 6


def exact_shares_power(
    reference_n: int, other_n: int, reference: float, other: float, *, alpha: float = 0.05, test: str = "score"
) -> float:
    """Power of the two-sided ``score`` (pooled chi-square without correction) or ``fisher`` test.

    Notes
    -----
    The score test can pass its error rate a little in small samples; Fisher's stays below it, at the price of power.
    """
    if min(reference_n, other_n) < 1 or test not in ("score", "fisher"):
        raise DesignError("each arm needs a case, and the test is score or fisher")
    x0, x1 = np.arange(reference_n + 1), np.arange(other_n + 1)
    chance = np.outer(stats.binom.pmf(x0, reference_n, reference), stats.binom.pmf(x1, other_n, other))
    reject = _score(x0, x1, reference_n, other_n, alpha) if test == "score" else _fisher(reference_n, other_n, alpha)
    return float(chance[reject].sum())


def _score(x0: NDArray[np.int64], x1: NDArray[np.int64], n0: int, n1: int, alpha: float) -> NDArray[np.bool_]:
    p0, p1 = x0[:, None] / n0, x1[None, :] / n1
    pooled = (x0[:, None] + x1[None, :]) / (n0 + n1)
    variance = pooled * (1 - pooled) * (1 / n0 + 1 / n1)
    apart = np.abs(p1 - p0)
    return np.asarray((variance > 0) & (apart > stats.norm.isf(alpha / 2) * np.sqrt(variance) - 1e-12), dtype=bool)


def _fisher(n0: int, n1: int, alpha: float) -> NDArray[np.bool_]:
    """Rejection region of Fisher's two-sided test: outcomes no more likely than the one seen, given the margin."""
    reject = np.zeros((n0 + 1, n1 + 1), dtype=bool)
    for total in range(n0 + n1 + 1):
        low, high = max(0, total - n1), min(n0, total)
        first = np.arange(low, high + 1)
        mass = stats.hypergeom.pmf(first, n0 + n1, n0, total)
        order = np.argsort(mass, kind="stable")
        cumulated = np.cumsum(mass[order])
        # Outcomes as likely as each other go in together.
        last = np.searchsorted(mass[order], mass[order] * (1 + 1e-7), side="right") - 1
        reject[first[order], total - first[order]] = cumulated[last] <= alpha * (1 + 1e-9)
    return reject


def exact_cases(
    reference: float, other: float, *, power: float = 0.8, alpha: float = 0.05, test: str = "score", most: int = 2000
) -> int:
    """Fewest cases in each of two equal arms from which on the exact power holds.

    Raises
    ------
    DesignError
        If not even ``most`` do.
    """
    start = 2
    while exact_shares_power(start, start, reference, other, alpha=alpha, test=test) < power - 0.1:
        start = int(start * 1.25) + 1
        if start > most:
            raise DesignError(f"not even {most} cases in each arm have a power of {power:g}")
    n = max(2, int(start / 1.25) - 2)
    held = 0
    while held < HOLDS_FOR:
        held = held + 1 if exact_shares_power(n, n, reference, other, alpha=alpha, test=test) >= power else 0
        n += 1
    return n - HOLDS_FOR


def exact_mcnemar_power(pairs: int, only_other: float, only_reference: float, *, alpha: float = 0.05) -> float:
    """Power of McNemar's exact test: over the number of pairs that differ, and how they fall."""
    differ = only_other + only_reference
    if pairs < 1 or not 0 < differ <= 1:
        raise DesignError("there must be a pair, and a share of pairs that differ")
    total = 0.0
    for d, weight in enumerate(stats.binom.pmf(np.arange(pairs + 1), pairs, differ)):
        if d == 0 or weight < 1e-15:
            continue
        x = np.arange(d + 1)
        p = np.minimum(1.0, 2 * np.minimum(stats.binom.cdf(x, d, 0.5), stats.binom.sf(x - 1, d, 0.5)))
        total += weight * float(stats.binom.pmf(x[p <= alpha], d, only_other / differ).sum())
    return total
