"""The only places where a nonparametric curve can put its mass, and which of them each case covers.

A case says that onset lies in ``(left, right]``, or exactly at ``left == right``. The maximiser of the
likelihood puts mass on *innermost* intervals only: an opening end directly followed by a closing end when
all ends are put in order. At one value ``v`` the order is: an exact time opens, then intervals
and exact times close, then half-open intervals open; so that on a shared schedule ``(0, 2]`` and ``(2, 4]``
touch without having a point in common. Ends that differ by rounding only (``TIE``) count as equal.

References
----------
.. [1] Peto R (1973). Experimental survival curves for interval-censored data. Applied Statistics 22, 86-91.
.. [2] Turnbull BW (1976). The empirical distribution function with arbitrarily grouped, censored and
   truncated data. Journal of the Royal Statistical Society B 38, 290-295.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import AnyInt, BoolArray, FloatArray, IndexArray
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.results import OnsetCurve

TIE = 1e-12
"""Two times that differ by no more than this share of themselves are one time, written with rounding."""

_FEW = 1024
_GRID_FROM = 4096
_MERGE_BY_SORTING = 50_000
"""Rows up to which equal rows are always looked for; beyond it only where there are fewer ends than rows."""


@dataclass(frozen=True, slots=True, eq=False)
class Kinds:
    """Kinds of cases by which of ``k`` intervals they cover.

    Parameters
    ----------
    k : int
    first, after : ndarray of int, shape (m,)
        First interval covered, and the one after the last.
    weight : ndarray of float, shape (m,)
        Positive.
    single : ndarray of int
        Kinds that cover one interval only.
    """

    k: int
    first: AnyInt
    after: AnyInt
    weight: FloatArray
    single: IndexArray = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "single", np.flatnonzero(self.after - self.first == 1))

    def chances(self, mass: FloatArray) -> FloatArray:
        """Mass that each kind covers, shape (m,)."""
        share = np.zeros(self.k + 1)
        np.cumsum(mass, out=share[1:])
        chance: FloatArray = share[self.after] - share[self.first]
        # A difference of sums would lose the digits of small single masses.
        chance[self.single] = mass[self.first[self.single]]
        return chance

    def slope(self, ratio: FloatArray) -> FloatArray:
        """Sum of ``ratio`` over the kinds that cover each interval, shape (k,)."""
        steps = np.bincount(self.first, ratio, self.k + 1) - np.bincount(self.after, ratio, self.k + 1)
        return np.asarray(np.cumsum(steps[:-1]))


@dataclass(frozen=True, slots=True, eq=False)
class Spans(Kinds):
    """Cases as spans of innermost intervals; ``first`` never decreases.

    Equal cases have been merged where that was worth while.

    Parameters
    ----------
    left, right : ndarray of float, shape (k,)
        The innermost intervals.
    """

    left: FloatArray
    right: FloatArray

    def gap(self, mass: FloatArray) -> float:
        """Kuhn-Tucker gap of ``mass`` relative to the total weight; 0 or more, infinite if a case has no mass.

        For masses ``m``, ``p_i`` the sum that case ``i`` covers, and ``g_j = sum of w_i / p_i over the cases that cover
        j``, the masses are optimal if and only if no ``g_j`` exceeds the total weight ``W``; and, the log-likelihood
        being concave, no distribution at all has a log-likelihood greater by more than ``max g - W``. The gap is that
        number divided by ``W``.
        """
        p = self.chances(mass)
        if not np.all(p > 0):
            return np.inf
        return max(0.0, float(self.slope(self.weight / p).max()) / float(self.weight.sum()) - 1.0)


def innermost_of_ranks(opens: AnyInt, closes: AnyInt, size: int) -> tuple[AnyInt, AnyInt, IndexArray, IndexArray]:
    """Spans of cases and the innermost intervals of whole-numbered ends, all different places on one line.

    Parameters
    ----------
    opens, closes : ndarray of int, shape (n,)
        Places below ``size`` of the ends of each case. No place is both an opening and a closing one.

    Returns
    -------
    first, after : ndarray of int, shape (n,)
        First innermost interval of each case, and the one after its last.
    inner_opens, inner_closes : ndarray of int, shape (k,)
        Places of the innermost intervals' ends.
    """
    mark = np.zeros(size, dtype=np.int8)
    mark[opens] = 1
    mark[closes] = 2
    at = np.flatnonzero(mark)
    kind = mark[at]
    pair = np.flatnonzero((kind[:-1] == 1) & (kind[1:] == 2))
    inner_opens, inner_closes = at[pair], at[pair + 1]
    closing = np.zeros(size, dtype=np.int8)
    closing[inner_closes] = 1
    # Number of innermost intervals that have closed by each place. No opening end lies inside one.
    closed = np.cumsum(closing, dtype=np.int32)
    return closed[opens], closed[closes], inner_opens, inner_closes


def innermost_intervals(times: Intervals) -> Intervals:
    """Innermost intervals of ``times``, in order of time.

    Parameters
    ----------
    times : Intervals, n cases
        Onset in (left, right], minutes; ``left == right`` for an exact time.

    Returns
    -------
    Intervals, k of them
        Disjoint, increasing; ``left == right`` for an exact time; the last ``right`` may be ``inf``.
    """
    if len(times) == 0:
        return times
    spans = reduce_cases(times.left, times.right, None)
    return Intervals(spans.left, spans.right)


def support_index(times: Intervals, support: Intervals | OnsetCurve | Spans) -> tuple[IndexArray, IndexArray]:
    """First and last interval of ``support`` that lie wholly in each case's interval.

    Parameters
    ----------
    times : Intervals, n cases
    support : OnsetCurve or Intervals, k intervals
        Disjoint and in order, as ``innermost_intervals`` or ``fit_npmle`` give them.

    Returns
    -------
    first, last : ndarray of int, shape (n,)
        Case ``i`` covers ``support`` from ``first[i]`` to ``last[i]``, both included; ``last[i] < first[i]``
        where it covers none.
    """
    left, right = np.asarray(support.left), np.asarray(support.right)
    ends = np.unique(np.concatenate((left, right)))
    case_left, case_right = _settled(times.left, ends), _settled(times.right, ends)
    exact = case_left == case_right
    points = left[left == right]
    first = np.searchsorted(left, case_left, side="left")
    # An exact time at v comes before an interval that opens at v.
    at = case_left[~exact]
    first[~exact] += np.searchsorted(points, at, side="right") - np.searchsorted(points, at, side="left")
    last = np.searchsorted(right, case_right, side="right") - 1
    return first, last


def _settled(values: FloatArray, ends: FloatArray) -> FloatArray:
    """``values``, replaced by the end that they equal up to rounding."""
    if ends.size == 0:
        return values
    above = np.minimum(np.searchsorted(ends, values), ends.size - 1)
    settled = values
    for near in (ends[np.maximum(above - 1, 0)], ends[above]):
        with np.errstate(invalid="ignore"):
            close = np.abs(values - near) <= TIE * np.minimum(values, near)
        settled = np.where(close & np.isfinite(near), near, settled)
    return settled


def reduce_cases(left: FloatArray, right: FloatArray, weight: FloatArray | None) -> Spans:
    """Cases as spans of innermost intervals, equal cases merged.

    Parameters
    ----------
    left, right : ndarray of float, shape (n,), n >= 1
        Onset in (left, right], minutes.
    weight : ndarray of float, shape (n,), optional
        Positive weights; default 1.
    """
    value, left_rank, right_rank, order = _rank_ends(left, right)
    left_rank, right_rank, weight = _merged(left_rank, right_rank, weight, value.size, order)
    exact = left_rank == right_rank
    # Three places per value: exact times open, then everything closes, then intervals open.
    opens = 3 * left_rank + np.where(exact, 0, 2).astype(left_rank.dtype)
    first, after, inner_opens, inner_closes = innermost_of_ranks(opens, 3 * right_rank + 1, 3 * value.size)
    return Spans(inner_opens.size, first, after, weight, value[inner_opens // 3], value[inner_closes // 3])


def _merged(
    left: AnyInt, right: AnyInt, weight: FloatArray | None, size: int, order: IndexArray | None
) -> tuple[AnyInt, AnyInt, FloatArray]:
    """Distinct pairs of ranks in order, with the sum of their weights."""
    n = left.size
    cells = size * size
    if cells <= max(4 * n, 4096):
        total = np.bincount(left * left.dtype.type(size) + right, weights=weight, minlength=cells)
        code = np.flatnonzero(total)
        return code // size, code % size, total[code].astype(np.float64)
    if n <= _MERGE_BY_SORTING or size < n:
        code, row = np.unique(left.astype(np.int64) * size + right, return_inverse=True)
        if code.size < n:
            return code // size, code % size, np.bincount(row, weights=weight).astype(np.float64)
    if order is None:
        order = np.argsort(left, kind="stable")
    return left[order], right[order], np.ones(n) if weight is None else weight[order]


def _rank_ends(left: FloatArray, right: FloatArray) -> tuple[FloatArray, AnyInt, AnyInt, IndexArray | None]:
    """Distinct ends in order, the rank of each case's ends among them, and the cases in order of their left ends.

    Parameters
    ----------
    left, right : ndarray of float, shape (n,), n >= 1
        Without missing values, 0 or more; ``right`` may be ``inf``.

    Returns
    -------
    value : ndarray of float, shape (u,)
    left_rank, right_rank : ndarray of int, shape (n,)
    order : ndarray of int, shape (n,), or None
        ``None`` where it did not come by itself.
    """
    n = left.size
    values = np.concatenate((left, right))
    if n >= _GRID_FROM and np.unique(values[:: values.size // 2048]).size <= _FEW:
        rank, value = pd.factorize(values, sort=True)
        if np.all(_is_new(value)):
            return value, rank[:n].astype(np.int32), rank[n:].astype(np.int32), None
    order = np.argsort(values, kind=None if n >= _GRID_FROM else "stable")
    ordered = values[order]
    new = _is_new(ordered)
    rank = np.empty(2 * n, dtype=np.int64 if n < _GRID_FROM else np.int32)
    rank[order] = np.cumsum(new) - 1
    return ordered[new], rank[:n], rank[n:], order[order < n]


def _is_new(ordered: FloatArray) -> BoolArray:
    """Which of the ordered values differ from the one before by more than rounding."""
    new = np.ones(ordered.size, dtype=bool)
    before = ordered[:-1]
    with np.errstate(invalid="ignore"):
        new[1:] = ordered[1:] - before > TIE * before
    return new
