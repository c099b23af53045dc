"""Ranks of the ends of many intervals, fast on a shared grid as well as for all-different times."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.arrays import AnyInt, FloatArray, IndexArray

__all__ = ["TIE", "rank_ends"]


TIE = 1e-12
"""Two times that differ by no more than this share of themselves are one time, written with rounding."""

_FEW = 1024
_BUCKETS = 1 << 20
_GRID_FROM = 4096


def rank_ends(left: FloatArray, right: FloatArray) -> tuple[FloatArray, AnyInt, AnyInt, IndexArray | None]:
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
    found = _grid_ranks(values) if n >= _GRID_FROM else None
    if found is not None:
        value, rank = found
        return value, rank[:n], rank[n:], None
    order = np.argsort(values, kind=None if n >= _GRID_FROM else "stable")
    ordered = values[order]
    new = _is_new(ordered)
    rank = np.empty(2 * n, dtype=np.int64 if n < _GRID_FROM else np.int32)
    rank[order] = np.cumsum(new) - 1
    return ordered[new], rank[:n], rank[n:], order[order < n]


def _is_new(ordered: FloatArray) -> NDArray[np.bool_]:
    """Which of the ordered values differ from the one before by more than rounding."""
    new = np.ones(ordered.size, dtype=bool)
    before = ordered[:-1]
    with np.errstate(invalid="ignore"):
        new[1:] = ordered[1:] - before > TIE * before
    return new


def _grid_ranks(values: FloatArray) -> tuple[FloatArray, AnyInt] | None:
    """Distinct values and ranks by a table, without sorting; ``None`` where there are many distinct values."""
    distinct = np.unique(values[:: max(1, values.size // 2048)])
    for _ in range(3):
        if distinct.size > _FEW or not np.all(_is_new(distinct)):
            return None
        rank = _look_up(distinct, values)
        if rank is None:
            return None
        missed = distinct[rank] != values
        count = int(np.count_nonzero(missed))
        if count == 0:
            return distinct, rank
        if count > values.size // 8:
            return None
        distinct = np.union1d(distinct, values[missed])
    return None


def _look_up(distinct: FloatArray, values: FloatArray) -> AnyInt | None:
    """Rank of each value if it is one of ``distinct`` (else any rank), by buckets of half the least step."""
    finite = distinct[np.isfinite(distinct)]
    if finite.size < 2:
        return np.minimum(np.searchsorted(distinct, values), distinct.size - 1).astype(np.int32)
    step = float(np.diff(finite).min())
    top = float(finite[-1]) + step
    scale = 2.0 / step
    if not top * scale < _BUCKETS:
        return None
    table = np.full(int(top * scale) + 2, distinct.size - 1, dtype=np.int32)
    table[(np.minimum(distinct, top) * scale).astype(np.int32)] = np.arange(distinct.size, dtype=np.int32)
    return table[(np.minimum(values, top) * scale).astype(np.int32)]
