"""The signed-rank test of paired differences, and the limits of their middle that are this very test turned round."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import special, stats

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.inference.ranks import DIGITS, Tried

EXACT_PAIRS = 50
MOST_POINTS = 2000
"""More values of the middle than these are not tried one by one; limits are then drawn out to the next tried."""


class SignedRanks(NamedTuple):
    """Median of all means of two (Walsh averages), its limits, and the two-sided P of no difference beside them."""

    middle: float
    low: float
    high: float
    p_value: float


def signed_ranks(difference: FloatArray, conf_level: float = 0.95) -> SignedRanks:
    """Hodges-Lehmann middle of paired differences, with limits and P of one test.

    Parameters
    ----------
    difference : ndarray of float, shape (n,)
    conf_level : float

    Returns
    -------
    SignedRanks
        Limits leave out no difference where P is below one minus the level, and nowhere else.

    Raises
    ------
    NotEstimable
        If there are too few pairs for limits at this level.

    Notes
    -----
    Every value that the middle may have is tested, ties and all: means of two differences, at which ranks change, and a
    value between each two neighbours. The limits span the values that the test does not reject. P is the largest of the
    values on the side of no difference on which it is smaller; but for patterns of ties in which the test is not
    monotone that is P at no difference itself. Where no difference is rejected and what lies between it and the next
    mean of two is not, the limit is drawn close beside it; so is the middle, where most pairs do not differ and those
    that do differ to one side. Where a single mean of two is not rejected, or nothing is, differences are too
    coarse to tell a smaller one: limits are drawn out to its neighbours, never across no difference that is rejected.
    """
    alpha, middle = 1 - conf_level, float(np.median(_walsh(difference)))
    tried, tried_p = _tested(difference)
    low, high = _limits(difference, tried, tried_p, alpha)
    p_value = _of_limits(tried, tried_p)
    if p_value < alpha and low <= 0 <= high:
        low, high = tried.beside_none(low, high)
    return SignedRanks(middle=min(max(low, middle), high), low=low, high=high, p_value=p_value)


def _tested(difference: FloatArray) -> tuple[Tried, FloatArray]:
    """Values of the middle, and P of each: ranks change at means of two."""
    means = np.unique(np.round(_walsh(difference), DIGITS + 1))
    tried = Tried.of(np.append(means[:: -(-means.size // MOST_POINTS)], means[-1]))
    return tried, p_values(difference, tried.value)


def _limits(difference: FloatArray, tried: Tried, p_value: FloatArray, alpha: float) -> tuple[float, float]:
    """Ends of what is not rejected and of what is likeliest; on one side of no difference where that is rejected."""
    kept = np.flatnonzero(p_value >= alpha)
    if 0 in kept:
        reason = f"{difference.size} pairs are too few for an interval at {100 * (1 - alpha):g} %"
        raise NotEstimable("pain_shift", reason, code="too_few_pairs")
    first, last = tried.likeliest(p_value, alike=bool(np.ptp(difference) == 0))
    up = (first + last, rank_sum(difference)) > (2 * tried.none, rank_sum(-difference))
    held = (first, last, *kept.tolist())
    return tried.ends(min(held), max(held), up=up if _of_limits(tried, p_value) < alpha else None)


def _of_limits(tried: Tried, p_value: FloatArray) -> float:
    """Largest P on the side of no difference on which it is smaller; that at no difference, if ties do not matter."""
    return float(min(p_value[: tried.none + 1].max(), p_value[tried.none :].max()))


def _walsh(difference: FloatArray) -> FloatArray:
    """All means of two, each with itself too."""
    means: FloatArray = (difference[:, None] + difference[None, :])[np.triu_indices(difference.size)] / 2
    return means


def rank_sum(difference: FloatArray) -> float:
    """Sum of the ranks of positive differences, those that are 0 left out."""
    ranks, positive = _ranked(np.round(difference, DIGITS)[None, :])
    return float(ranks[0][positive[0]].sum())


def p_values(difference: FloatArray, middles: FloatArray) -> FloatArray:
    """Two-sided P that the differences are spread alike around each of these values; those equal to it are left out."""
    found = np.empty(middles.size)
    distributions: dict[bytes, FloatArray] = {}
    step = max(1, 1_000_000 // difference.size)
    for start in range(0, middles.size, step):
        part = slice(start, start + step)
        ranks, positive = _ranked(np.round(difference - middles[part, None], DIGITS + 2))
        excess = (2 * ranks * positive).sum(axis=1) - ranks.sum(axis=1)
        if difference.size > EXACT_PAIRS:
            spread = np.sqrt((ranks**2).sum(axis=1))
            z = np.divide(np.abs(excess), spread, out=np.zeros(spread.size), where=spread > 0)
            found[part] = 2 * special.ndtr(-z)
        else:
            found[part] = [_exact(r, e, distributions) for r, e in zip(ranks, excess, strict=True)]
    return np.minimum(found, 1.0)


def _ranked(difference: FloatArray) -> tuple[FloatArray, np.ndarray[tuple[int, ...], np.dtype[np.bool_]]]:
    """Ranks of the sizes of each row, those that are 0 ranked 0, and which are positive."""
    ranks = stats.rankdata(np.abs(difference), axis=1) - (difference == 0).sum(axis=1, keepdims=True)
    return np.where(difference == 0, 0.0, ranks), difference > 0


def _exact(ranks: FloatArray, excess: float, distributions: dict[bytes, FloatArray]) -> float:
    """Two-sided P over all signs of these ranks, tied or not; ``excess``: those of positive less those of negative."""
    doubled = np.sort(np.rint(2 * ranks).astype(np.int64))
    whole = int(doubled.sum())
    key = doubled.tobytes()
    if key not in distributions:
        distributions[key] = np.cumsum(_chance_of_sums(doubled[doubled > 0]))
    smaller = round((whole - 2 * abs(excess)) / 2)
    # The distribution is symmetric: both tails are alike.
    return float(2 * distributions[key][smaller])


def _chance_of_sums(steps: IntArray) -> FloatArray:
    """Chance of every sum, from 0, of whole numbers each of which counts or does not with the same chance."""
    chance = np.ones(1)
    for step in steps:
        longer = np.zeros(chance.size + step)
        longer[: chance.size] += chance / 2
        longer[step:] += chance / 2
        chance = longer
    return chance
