"""Search for the few innermost intervals that have mass when there are very many.

Only the masses of *active* intervals are worked on: cases that cover the same active intervals are one kind
of case, so that the Newton steps cost nothing per case. Each round then looks at all innermost intervals
through running sums, takes up the best one between any two active intervals, and drops those left without
mass.

References
----------
.. [1] Wang Y (2008). Dimension-reduced nonparametric maximum likelihood computation for interval-censored
   data. Computational Statistics and Data Analysis 52, 2388-2402.
.. [2] Groeneboom P, Jongbloed G, Wellner JA (2008). The support reduction algorithm for computing
   non-parametric function estimates in mixture models. Scandinavian Journal of Statistics 35, 385-399.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.arrays import AnyInt, FloatArray, IndexArray
from onsetstudy.survival.curve.innermost import Kinds, Spans
from onsetstudy.survival.curve.mass_newton import kinds_of, maximise_masses

MOST_ACTIVE = 2500
"""Active intervals beyond which this search gives up."""

_FIRST_GUESS = 40
_FINE = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Active:
    """Places of the active intervals among all, increasing, and their masses."""

    place: IndexArray
    mass: FloatArray


def _fewest_intervals(spans: Spans) -> IndexArray:
    """Fewest innermost intervals so that every case covers one, shape (h,)."""
    earliest_end = np.append(np.minimum.accumulate(spans.after[::-1])[::-1], spans.k + 1)
    following: list[int] = earliest_end[np.searchsorted(spans.first, np.arange(spans.k + 1))].tolist()
    chosen, end = [], following[0]
    while end <= spans.k:
        chosen.append(end - 1)
        end = following[end]
    return np.array(chosen, dtype=np.intp)


def search_support(spans: Spans, *, tolerance: float, max_rounds: int) -> tuple[FloatArray, float, int] | None:
    """Masses of all innermost intervals, their gap, and the rounds taken.

    ``None`` if more intervals would have to be active than the search is made for.
    """
    needed, rounds = _fewest_intervals(spans), 0
    if needed.size > MOST_ACTIVE // 2:
        return None
    spread = np.linspace(0, spans.k - 1, min(spans.k, _FIRST_GUESS)).astype(np.intp)
    place = np.union1d(needed, spread)
    active = Active(place, np.full(place.size, 1.0 / place.size))
    while active.place.size <= MOST_ACTIVE:
        rounds += 1
        active, better, gap = _round(spans, active, tolerance)
        if gap <= tolerance or rounds >= max_rounds:
            mass = np.zeros(spans.k)
            mass[active.place] = active.mass
            return mass, gap, rounds
        at = np.searchsorted(active.place, better)
        active = Active(np.insert(active.place, at, better), np.insert(active.mass, at, 0.0))
    return None


def _number_before(place: IndexArray, k: int) -> NDArray[np.int32]:
    """Number of ``place`` before each innermost interval, shape (k + 1,)."""
    mark = np.zeros(k + 1, dtype=np.int8)
    mark[place + 1] = 1
    return np.cumsum(mark, dtype=np.int32)


def _round(spans: Spans, active: Active, tolerance: float) -> tuple[Active, IndexArray, float]:
    """Better masses for the active intervals, intervals worth taking up, and the gap over all intervals."""
    s = active.place.size
    total = float(spans.weight.sum())
    number = _number_before(active.place, spans.k)
    code = number[spans.first] * np.int32(s) + (number[spans.after] - np.int32(1))
    kinds = kinds_of(code, spans.weight, s)
    mass = active.mass
    for steps in (2, 4):
        fit = maximise_masses(kinds, mass, tolerance=_FINE, max_steps=steps, polish=False)
        slope = _slope(spans, code, kinds, fit.chance)
        gap, mass = max(0.0, float(slope.max()) / total - 1.0), fit.mass
        if gap > tolerance or fit.gap <= _FINE:
            break
        # Nothing else to take up: settle the masses to the last digits, and look again.
    better = _best_between(slope, active.place, number, total)
    kept = mass > 0
    return Active(active.place[kept], mass[kept]), better, gap


def _slope(spans: Spans, code: AnyInt, kinds: Kinds, chance: FloatArray) -> FloatArray:
    """Derivative of the log-likelihood by the mass of every innermost interval, shape (k,)."""
    table = np.zeros((kinds.k, kinds.k))
    table[kinds.first, kinds.after - 1] = 1.0 / chance
    return spans.slope(table.ravel()[code] * spans.weight)


def _best_between(slope: FloatArray, place: IndexArray, number: NDArray[np.int32], total: float) -> IndexArray:
    """The interval of steepest rise in each gap between active intervals, if it rises at all."""
    bounds = np.concatenate(([0], place[place > 0]))
    highest = np.maximum.reduceat(slope, bounds)
    # The gap of an interval: how many active ones there are up to and with it, less one if the first is active.
    gap_of = number[1:] - np.int32(place[0] == 0)
    rising = np.flatnonzero((slope == highest[gap_of]) & (slope > total * (1.0 + 1e-10)))
    _, one = np.unique(gap_of[rising], return_index=True)
    candidates = rising[one]
    return np.setdiff1d(candidates, place, assume_unique=True)
