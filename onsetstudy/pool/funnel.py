"""Units of a group beside each other, fairly: exact limits for as many cases, mix of cases, overdispersion; no ranks.

References
----------
.. [1] Spiegelhalter DJ. Funnel plots for comparing institutional performance. Stat Med 2005;24:1185-202.
.. [2] Hoeffding W. On the distribution of the number of successes in independent trials. Ann Math Stat
   1956;27:713-21 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.results import Caution, Interval
from onsetstudy.pool.results import Funnel, FunnelPoint, small_numbers
from onsetstudy.pool.shrinkage import shrink_to_expected

INNER, OUTER = 0.95, 0.998
"""Levels of the limits; the usual ones of the trade (Spiegelhalter 2005)."""
TRIMMED = 0.1
EDGES = 40
ROUNDED = 1 + 1e-9
"""A tail of exactly half the error counts as no larger, however the last digit falls."""


def exact_limit(share: float, cases: ArrayLike, tail: float) -> FloatArray:
    """Share at which the binomial tail below it is ``tail``, interpolated between whole numbers; one per entry.

    Notes
    -----
    ``r`` is the smallest number with ``P(X <= r) > tail``; the limit is ``(r - (P(X <= r) - tail) / P(X = r)) / n``
    (Spiegelhalter 2005, appendix A.1).
    """
    n = np.asarray(cases, dtype=np.int64)
    r = np.asarray(stats.binom.ppf(tail, n, share), dtype=np.int64)
    while np.any(down := (r > 0) & (stats.binom.cdf(r - 1, n, share) > tail)):
        r = r - down
    while np.any(up := (below := stats.binom.cdf(r, n, share)) <= tail):
        r = r + up
    over = (below - tail) / stats.binom.pmf(r, n, share)
    return np.asarray(np.clip((r - over) / n, 0.0, 1.0), dtype=np.float64)


def funnel(
    failures: ArrayLike, cases: ArrayLike, expected: ArrayLike, labels: Sequence[str], *, quantity: str = "failures"
) -> Funnel:
    """Units against what their mix of cases would give in the whole group.

    Parameters
    ----------
    failures, cases : array_like of int, shape (k,)
    expected : array_like of float, shape (k,)
        Failures that each unit's mix of cases would have at the group's shares.
    labels : sequence of str
        Codes of the units; the points stand in their order.
    quantity : str

    Returns
    -------
    Funnel
        ``adjusted`` is the group's share times observed over expected. Limits are those of a binomial share around the
        group's for as many cases (the mix moves the point, not the limits). Where units differ more than chance allows
        the limits are widened by the root of the dispersion, from squared standardised deviations with the outermost
        tenth drawn in. Limits between whole numbers leave out single failures of a few cases, so that a unit is flagged
        only if it lies beyond them and chance alone, binomial at the share that its mix would have, gives as many (or
        as few) failures no more often than half the limits' error; of cases of unequal shares, less often still [2]_.

    Raises
    ------
    OnsetStudyError
        If lengths differ or counts cannot be.
    NotEstimable
        If nobody or everybody failed, or there is no unit: there is nothing to compare.
    """
    x, n = np.asarray(failures, dtype=np.int64), np.asarray(cases, dtype=np.int64)
    e = np.asarray(expected, dtype=np.float64)
    if not (x.shape == n.shape == e.shape == (len(labels),)) or np.any(x < 0) or np.any(x > n) or np.any(n < 1):
        raise OnsetStudyError(
            "failures, cases and expected failures must be of equal length, with failures among cases"
        )
    if len(set(labels)) < len(labels):
        raise OnsetStudyError("every unit needs a code of its own")
    if not n.size:
        raise NotEstimable(quantity, "of no case is it known whether it failed", code="nobody")
    centre = float(x.sum() / n.sum())
    if not 0 < centre < 1 or np.any(e <= 0):
        raise NotEstimable(quantity, "all cases of the group ended alike, so there is nothing to compare", code="alike")
    adjusted = np.clip(centre * x / e, 0.0, 1.0)
    dispersion, dispersed = _dispersion(adjusted, n, centre)
    widening = float(np.sqrt(dispersion)) if dispersed else 1.0
    shrunken = shrink_to_expected(x, n, e)
    # Numbers of cases at which a drawing shows the limits.
    along = np.unique(np.geomspace(max(2.0, 0.8 * n.min()), 1.15 * n.max(), EDGES).round().astype(np.int64))
    chance = _chance(x, n, e)
    limits = {level: _limits(centre, np.concatenate((n, along)), level, widening) for level in (INNER, OUTER)}
    points = [
        FunnelPoint(
            label=str(labels[k]),
            cases=int(n[k]),
            failures=int(x[k]),
            expected=float(e[k]),
            adjusted=float(adjusted[k]),
            inner=limits[INNER][k],
            outer=limits[OUTER][k],
            shrunken=shrunken[k][0],
            shrunken_interval=shrunken[k][1],
            flag=_flag(float(adjusted[k]), float(chance[k]), limits[INNER][k], limits[OUTER][k]),
        )
        for k in np.argsort(np.asarray(labels).astype(str), kind="stable")
    ]
    edges = along.tolist(), limits[INNER][n.size :], limits[OUTER][n.size :]
    return Funnel(
        quantity=quantity,
        centre=centre,
        points=tuple(points),
        dispersion=dispersion,
        dispersed=dispersed,
        method="interpolated exact binomial limits, expected failures by the mix of cases (Spiegelhalter 2005); "
        "outside only what the exact binomial tail puts there too",
        edges=tuple(
            (cases, inner.low, inner.high, outer.low, outer.high) for cases, inner, outer in zip(*edges, strict=True)
        ),
        caution=_cautions(points),
    )


def _limits(centre: float, n: IntArray, level: float, widening: float) -> list[Interval]:
    tail = (1 - level) / 2
    low, high = exact_limit(centre, n, tail), exact_limit(centre, n, 1 - tail)
    low = np.maximum(0.0, centre - widening * (centre - low))
    high = np.minimum(1.0, centre + widening * (high - centre))
    name = "interpolated exact binomial" + ("" if widening == 1 else f", widened {widening:.2f} times")
    return [Interval(low=a, high=b, level=level, method=name) for a, b in zip(low.tolist(), high.tolist(), strict=True)]


def _dispersion(adjusted: FloatArray, n: IntArray, centre: float) -> tuple[float, bool]:
    """Mean squared standardised deviation, outermost drawn in, and whether chance would hardly give it."""
    z = (adjusted - centre) / np.sqrt(centre * (1 - centre) / n)
    low, high = np.quantile(z, [TRIMMED, 1 - TRIMMED])
    value = float(np.mean(np.clip(z, low, high) ** 2))
    return value, bool(z.size > 1 and value > 1 + 2 * np.sqrt(2 / z.size))


def _chance(x: IntArray, n: IntArray, e: FloatArray) -> FloatArray:
    """Chance of so many failures or more, or of so few or fewer, the smaller of both, at each unit's expected share."""
    share = np.minimum(e / n, 1.0)
    return np.asarray(np.minimum(stats.binom.sf(x - 1, n, share), stats.binom.cdf(x, n, share)), dtype=np.float64)


def _flag(value: float, chance: float, inner: Interval, outer: Interval) -> str:
    for limits, flag in ((outer, "outside"), (inner, "look")):
        if not limits.low <= value <= limits.high and chance <= (1 - limits.level) / 2 * ROUNDED:
            return flag
    return ""


def _cautions(points: Sequence[FunnelPoint]) -> tuple[Caution, ...]:
    text = "Units inside the limits differ by no more than chance would make them; their order means nothing."
    found = [Caution(code="no_ranks", text=text)]
    if text := small_numbers(points):
        found.append(Caution(code="small_numbers", text=text))
    return tuple(found)
