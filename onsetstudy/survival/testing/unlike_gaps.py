"""By how much a difference of mean waits could move because the gaps between tests are not alike in the arms.

Where in its gap an onset lies nobody knows. If the gaps of both arms are alike, whatever holds in one holds in the
other, and the difference of the means does not move. If one arm was tested more coarsely, its mean moves further.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.cases import merge_alike
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.npmle import Curves
from onsetstudy.survival.results import OnsetCurve

UNLIKE = 1.25
"""From so many times as wide on, gaps may be not alike; less moves little (project's choice)."""
BY_CHANCE = 3.0
"""So many standard errors are chance (project's choice)."""
SOME = 1e-9
"""More cases than rounding leaves."""


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """What is known of the gaps of one arm (in a stratum): distinct intervals, cases of each, and their curve."""

    times: Intervals
    weight: FloatArray
    curve: OnsetCurve

    @classmethod
    def of(cls, times: Intervals, weight: FloatArray | None = None, curves: Curves | None = None) -> Gaps:
        """Gaps of cases, ``weight`` like ones in each row; ``curves`` are those of the work that this belongs to."""
        times, weight = merge_alike(times, weight)
        return cls(times, weight, (curves or Curves()).fit(times, weight=weight))

    @property
    def n(self) -> int:
        """Number of cases that were tested: others add nothing, and must not add degrees of freedom either."""
        return round(float(self.weight[self.times.tested].sum()))


def mean_gaps(strata: Sequence[tuple[float, Gaps, Gaps]], tau_min: float) -> tuple[float, float]:
    """Mean width of the gaps in which onset lies, of the two arms, minutes; equal where they count as alike.

    Parameters
    ----------
    strata : sequence of (share, Gaps, Gaps)
        Of each stratum its share of all cases, the reference arm and the other.
    tau_min : float
        Horizon; what lies beyond it has no width.

    Notes
    -----
    Of the same onsets, those of both arms together, so that an arm that goes numb where tests lie close is not taken
    for one that was tested more finely: the width of an arm at a minute is the mean over its cases whose gap holds that
    minute. Where an arm has no such case it is given the other's width. Widths count as alike below :data:`UNLIKE`, or
    while missed tests can be the reason: up to :data:`BY_CHANCE` standard errors of their difference, from the spread
    of both arms around their common mean at each minute, as if they were alike.
    """
    one = two = variance = 0.0
    for share, reference, other in strata:
        wide, spread = _compared(reference, other, tau_min)
        one, two = one + share * wide[0], two + share * wide[1]
        variance += share**2 * spread
    if max(one, two) < UNLIKE * min(one, two) or abs(two - one) <= BY_CHANCE * math.sqrt(variance):
        return (one + two) / 2, (one + two) / 2
    return one, two


def _compared(reference: Gaps, other: Gaps, tau_min: float) -> tuple[tuple[float, float], float]:
    """Mean widths of one stratum, and the variance of their difference if the arms are alike."""
    both = (reference, other)
    ends = (end for g in both for end in (g.times.left, g.times.right, g.curve.left, g.curve.right))
    edges = np.unique(np.minimum(np.concatenate([[0.0, tau_min], *ends]), tau_min))
    total = sum(g.n for g in both)
    if edges.size < 2 or total <= 0:
        return (0.0, 0.0), 0.0
    held = [_Held.of(g, edges, tau_min) for g in both]
    cases, width = (np.sum([getattr(h, name) for h in held], axis=0) for name in ("cases", "width"))
    common = np.divide(width, cases, where=cases > SOME, out=np.zeros(cases.size))
    mass = np.asarray(sum(g.n * _mass(g.curve, edges) for g in both)) / total
    # Minutes at which one arm alone says how wide gaps are tell no difference.
    able = np.all([h.cases > SOME for h in held], axis=0)
    wide, variance = [], 0.0
    for h in held:
        own = np.where(able, h.mean, common)
        wide.append(float(mass @ own))
        each = np.divide(np.where(able, mass, 0.0), h.cases, where=h.cases > SOME, out=np.zeros(mass.size))
        variance += h.spread(each, common)
    return (wide[0], wide[1]), variance


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """Gaps of one arm with both ends, over stretches between edges.

    Of each gap its first stretch, the one after its last, width and weight; of each stretch the ``cases`` whose gap
    holds it and the sum of their widths.
    """

    start: IntArray
    end: IntArray
    wide: FloatArray
    weight: FloatArray
    cases: FloatArray
    width: FloatArray

    @classmethod
    def of(cls, gaps: Gaps, edges: FloatArray, tau_min: float) -> _Held:
        """Gaps that hold the horizon are cut there; those that begin there or later hold no minute before it."""
        seen = np.isfinite(gaps.times.right) & ((gaps.times.left < tau_min) | (gaps.times.right <= tau_min))
        left, right = np.minimum(gaps.times.left[seen], tau_min), np.minimum(gaps.times.right[seen], tau_min)
        weight = gaps.weight[seen]
        end = np.searchsorted(edges, right)
        # An onset known to the moment has no width in the stretch that ends with it.
        start = np.minimum(np.searchsorted(edges, left), np.maximum(end - 1, 0))
        cases, width = np.zeros(edges.size), np.zeros(edges.size)
        for place, sign in ((start, 1.0), (end, -1.0)):
            np.add.at(cases, place, sign * weight)
            np.add.at(width, place, sign * weight * (right - left))
        return cls(start, end, right - left, weight, np.cumsum(cases)[:-1], np.cumsum(width)[:-1])

    @property
    def mean(self) -> FloatArray:
        """Mean width at each stretch, 0 where no gap holds it."""
        return np.divide(self.width, self.cases, where=self.cases > SOME, out=np.zeros(self.cases.size))

    def spread(self, each: FloatArray, common: FloatArray) -> float:
        """Variance of the mean width, every case taken from the common mean; ``each`` is what a case counts at one."""
        one, mean = (np.concatenate([[0.0], np.cumsum(v)]) for v in (each, each * common))
        pulled = self.wide * (one[self.end] - one[self.start]) - (mean[self.end] - mean[self.start])
        return float(self.weight @ pulled**2)


def _mass(curve: OnsetCurve, edges: FloatArray) -> FloatArray:
    """Mass of a curve in each stretch, spread evenly inside each innermost interval; none beyond the last test."""
    ended = np.isfinite(curve.right)
    left, right, mass = curve.left[ended], curve.right[ended], curve.mass[ended]
    wide = right > left
    share = np.clip(np.minimum(right[wide, None], edges[1:]) - np.maximum(left[wide, None], edges[:-1]), 0.0, None)
    found = (mass[wide, None] * share / (right - left)[wide, None]).sum(axis=0)
    at = np.searchsorted(edges, right[~wide]) - 1
    inside = (at >= 0) & (at < found.size)
    np.add.at(found, at[inside], mass[~wide][inside])
    return np.asarray(found, dtype=np.float64)
