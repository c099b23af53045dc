"""Distribution of summed scores when arm labels change places: complete, or drawn at random."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.results import Interval
from onsetstudy.core.seeds import stream
from onsetstudy.inference.proportions import clopper_pearson_limits
from onsetstudy.survival.ranktests.label_exchange import Units

Extremity = Callable[[FloatArray], FloatArray]
"""From summed scores of the arms, shape (r, k), to how far each row lies from its mean, shape (r,)."""

TIE_TOLERANCE = 1e-10
"""Outcomes within this of the observed one count as equally extreme, relative to it or to 1 standard deviation."""

_CHUNK_NUMBERS = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PermutationP:
    """P value from rearranged labels.

    Parameters
    ----------
    p_value : float
    outcomes : int
        Distinct outcomes enumerated, or arrangements drawn.
    smallest : float
        The smallest P value that any arrangement could have given.
    interval : Interval or None
        Monte Carlo interval of the complete P value; ``None`` when complete.
    """

    p_value: float
    outcomes: int
    smallest: float
    interval: Interval | None = None


def _as_extreme(found: FloatArray, observed: float) -> NDArray[np.bool_]:
    return np.asarray(found >= observed - TIE_TOLERANCE * max(1.0, observed), dtype=np.bool_)


def arrangements(units: Units) -> int:
    """Number of ways to arrange the labels within their groups."""
    g, k = units.group_stratum.size, units.n_arms
    per_arm = np.bincount(units.group * k + units.arm, units.count, g * k).reshape(g, k).astype(np.int64)
    total = 1
    for row in per_arm.tolist():
        left = sum(row)
        for size in row:
            total *= math.comb(left, size)
            left -= size
    return total


# --- complete -------------------------------------------------------------------------------------------------------


def enumerate_p_value(units: Units, extremity: Extremity, observed: FloatArray, limit: int) -> PermutationP | None:
    """P value over all arrangements, or ``None`` when they have more than ``limit`` distinct outcomes.

    Units of equal score in a group are told apart by their number in each arm only, weighted by the
    number of arrangements that give it, and equal sums of different groups are merged: complete all the same.

    Parameters
    ----------
    units : Units
    extremity : callable
    observed : ndarray of float, shape (k,)
        Observed sums of the arms.
    limit : int
    """
    k = units.n_arms
    sums, probability = np.zeros((1, k)), np.ones(1)
    quantum = 1e-11 * max(1.0, float(np.sum(units.count * np.abs(units.total))))
    for group in range(units.group_stratum.size):
        rows = units.group == group
        part = _group_outcomes(units.total[rows], units.count[rows], units.arm[rows], k, limit)
        if part is None or sums.shape[0] * part[0].shape[0] > 10 * limit:
            return None
        sums = (sums[:, None, :] + part[0][None, :, :]).reshape(-1, k)
        probability = (probability[:, None] * part[1][None, :]).reshape(-1)
        sums, probability = _merged(sums, probability, quantum)
        if sums.shape[0] > limit:
            return None
    found = extremity(sums)
    # Summed from the lesser side, so that a P value of 1 is 1.
    extreme = _as_extreme(found, float(extremity(observed[None, :])[0]))
    less = float(probability[~extreme].sum())
    p_value = 1 - less if less < 0.5 else float(probability[extreme].sum())
    smallest = float(probability[_as_extreme(found, float(found.max()))].sum())
    return PermutationP(p_value=min(p_value, 1.0), outcomes=sums.shape[0], smallest=smallest)


def _compositions(m: int, k: int) -> IntArray:
    """All ways to write ``m`` as an ordered sum of ``k`` whole numbers of 0 or more, shape (c, k)."""
    heads = np.indices((m + 1,) * (k - 1)).reshape(k - 1, -1).T
    last = m - heads.sum(axis=1)
    found: IntArray = np.column_stack((heads, last))[last >= 0]
    return found


def _group_outcomes(
    total: FloatArray, count: FloatArray, arm: IntArray, k: int, limit: int
) -> tuple[FloatArray, FloatArray] | None:
    """Sums of the arms, shape (s, k), and probability, shape (s,), of the distinct outcomes of one group."""
    size = np.bincount(arm, count, k).astype(np.int64)
    values, member = np.unique(total, return_inverse=True)
    times = np.bincount(member, count).astype(np.int64)
    # How many outcomes the first arm alone has is soon known, and often too many.
    if functools.reduce(np.convolve, (np.ones(m + 1) for m in times.tolist()))[size[0]] > limit:
        return None
    used, sums, log_ways = np.zeros((1, k), dtype=np.int64), np.zeros((1, k)), np.zeros(1)
    for value, m in zip(values.tolist(), times.tolist(), strict=True):
        if used.shape[0] * math.comb(m + k - 1, k - 1) > 20 * limit:
            return None
        each = _compositions(m, k)
        ways = gammaln(m + 1) - gammaln(each + 1).sum(axis=1)
        taken = used[:, None, :] + each
        state, choice = np.nonzero(np.all(taken <= size, axis=2))
        # Every partial outcome can be completed, and distinct ones stay distinct: none too many are counted.
        if state.size > limit:
            return None
        used = taken[state, choice]
        sums = sums[state] + value * each[choice]
        log_ways = log_ways[state] + ways[choice]
    ways = np.exp(log_ways - log_ways.max())
    return sums, ways / ways.sum()


def _merged(sums: FloatArray, probability: FloatArray, quantum: float) -> tuple[FloatArray, FloatArray]:
    """The same distribution, with sums that differ by rounding only taken together."""
    key = np.round(sums[:, 1:] / quantum).astype(np.int64)
    # One number by row is sorted much faster than rows are.
    key, axis = (key[:, 0], None) if key.shape[1] == 1 else (key, 0)
    _, first, member = np.unique(key, axis=axis, return_index=True, return_inverse=True)
    return sums[first], np.asarray(np.bincount(member.ravel(), probability), dtype=np.float64)


# --- drawn ----------------------------------------------------------------------------------------------------------


def draw_p_value(
    units: Units, extremity: Extremity, observed: FloatArray, *, n_resamples: int, seed: int
) -> PermutationP:
    """P value from arrangements drawn at random.

    Parameters
    ----------
    units : Units
    extremity : callable
    observed : ndarray of float, shape (k,)
    n_resamples : int
    seed : int

    Returns
    -------
    PermutationP
        ``(b + 1) / (m + 1)`` with b of m drawn arrangements at least as extreme as the observed one: with the
        observed one counted, the test keeps its level whatever m is [1]_.

    References
    ----------
    .. [1] Phipson B, Smyth GK. Statistical Applications in Genetics and Molecular Biology 2010; 9(1):39.
    """
    repeat = np.repeat(np.arange(units.total.size), units.count.astype(np.int64))
    total, arm, group = units.total[repeat], units.arm[repeat], units.group[repeat]
    per_chunk = max(1, min(n_resamples, _CHUNK_NUMBERS // max(total.size, 1)))
    chunks = [(i, min(per_chunk, n_resamples - start)) for i, start in enumerate(range(0, n_resamples, per_chunk))]
    _, start, size = np.unique(group, return_index=True, return_counts=True)
    same_size = tuple(start[size == s][:, None] + np.arange(s) for s in np.unique(size))
    threshold = float(extremity(observed[None, :])[0])
    label, hits = np.eye(units.n_arms)[arm], 0
    for number, rows in chunks:
        rng, drawn = stream(seed, "compare_arms", number), np.empty((rows, total.size))
        # Scores change places under fixed labels, which comes to the same and can be done for all groups of a size.
        for place in same_size:
            shuffled = np.tile(total[place], (rows, 1))
            if place.shape[1] > 1:
                rng.permuted(shuffled, axis=1, out=shuffled)
            drawn[:, place.ravel()] = shuffled.reshape(rows, -1)
        hits += int(_as_extreme(extremity(drawn @ label), threshold).sum())
    low, high = clopper_pearson_limits(hits, n_resamples)
    return PermutationP(
        p_value=(hits + 1) / (n_resamples + 1),
        outcomes=n_resamples,
        smallest=1 / (n_resamples + 1),
        interval=Interval(low=low, high=high, level=0.95, method="Clopper-Pearson, Monte Carlo error only"),
    )
