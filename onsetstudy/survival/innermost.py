"""The only places where a nonparametric curve can put its mass, and which of them each case covers.

A case says that onset lies in ``(left, right]``, or exactly at ``left == right``. The maximiser of the
likelihood puts mass on *innermost* intervals only: an opening end directly followed by a closing end when
all ends are put in order. At one value ``v`` the order is: an exact time opens, then intervals
and exact times close, then half-open intervals open; so that on a shared schedule ``(0, 2]`` and ``(2, 4]``
touch without having a point in common.

References
----------
.. [1] Peto R (1973). Experimental survival curves for interval-censored data. Applied Statistics 22, 86-91.
.. [2] Turnbull BW (1976). The empirical distribution function with arbitrarily grouped, censored and
   truncated data. Journal of the Royal Statistical Society B 38, 290-295.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.intervals import Intervals

__all__ = ["innermost_intervals", "support_index"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


class Support(Protocol):
    """Anything with ordered, disjoint intervals: an ``OnsetCurve``, or ``Intervals``."""

    @property
    def left(self) -> FloatArray:
        """Opening ends, shape (k,)."""
        ...

    @property
    def right(self) -> FloatArray:
        """Closing ends, shape (k,)."""
        ...


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
    opens = np.where(times.exact, 0, 2)
    value = np.concatenate((times.left, times.right))
    kind = np.concatenate((opens, np.ones(len(times), dtype=opens.dtype)))
    order = np.lexsort((kind, value))
    kind = kind[order]
    at = np.flatnonzero((kind[:-1] != 1) & (kind[1:] == 1))
    return Intervals(value[order[at]], value[order[at + 1]])


def support_index(times: Intervals, support: Support) -> tuple[IntArray, IntArray]:
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
    points = left[left == right]
    first = np.searchsorted(left, times.left, side="left")
    open_left = ~times.exact
    at = times.left[open_left]
    # An exact time at v comes before an interval that opens at v.
    first[open_left] += np.searchsorted(points, at, side="right") - np.searchsorted(points, at, side="left")
    last = np.searchsorted(right, times.right, side="right") - 1
    return first, last
