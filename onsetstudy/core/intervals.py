"""Times known only to lie between two tests.

Onset lies in ``(left, right]``: not numb at ``left``, numb at ``right``, in minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.arrays import FloatArray, real_numbers
from onsetstudy.core.errors import OnsetStudyError, Problem, require

__all__ = ["Intervals", "frozen_array", "require_intervals"]


def frozen_array(values: ArrayLike) -> FloatArray:
    """Read-only copy of ``values`` as floats."""
    array: FloatArray = np.array(values, dtype=np.float64, copy=True)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, slots=True, eq=False)
class Intervals:
    """Checked, read-only event times in ``(left, right]``.

    Parameters
    ----------
    left : array_like of float, shape (n,)
        Last moment without the event, minutes; at least 0. 0 when the event was seen at the first test.
    right : array_like of float, shape (n,)
        First moment with the event, minutes; ``inf`` when it was never seen.
        ``left == right`` is an exactly known time.

    Raises
    ------
    OnsetStudyError
        If they are not numbers (text, dates and durations are refused: nobody knows how they were meant);
        if the arrays differ in length, hold a missing, negative or infinite left end,
        or a right end before its left end. All faulty rows are named (from 0).

    Examples
    --------
    >>> from onsetstudy import Intervals
    >>> times = Intervals([0, 2, 4], [2, 4, float("inf")])
    >>> times.right_censored
    array([False, False,  True])
    >>> len(times.take([0, 1]))
    2
    """

    left: FloatArray
    right: FloatArray

    def __post_init__(self) -> None:
        left, right = (real_numbers(ends, name) for ends, name in ((self.left, "left"), (self.right, "right")))
        left.setflags(write=False)
        right.setflags(write=False)
        if left.ndim != 1 or left.shape != right.shape:
            raise OnsetStudyError(
                f"left and right must be two equally long rows of numbers, not {left.shape} and {right.shape}"
            )
        faults = {
            "has a missing end": np.isnan(left) | np.isnan(right),
            "has a left end that is negative or infinite": (left < 0) | np.isinf(left),
            "ends before it begins": right < left,
        }
        problems = [
            Problem(
                what=f"interval {i} ({left[i]:g}, {right[i]:g}] {fault}",
                mend="write left as 0 or more minutes and right as at least left, or infinity",
                code="interval",
            )
            for fault, rows in faults.items()
            for i in np.flatnonzero(rows)[:20]
        ]
        if problems:
            raise OnsetStudyError(problems)
        object.__setattr__(self, "left", left)
        object.__setattr__(self, "right", right)

    @classmethod
    def _of_valid(cls, left: FloatArray, right: FloatArray) -> Self:
        """Intervals of ends that are known to be valid, new arrays of which nobody else holds a writeable one."""
        made = object.__new__(cls)
        for name, ends in (("left", left), ("right", right)):
            ends.setflags(write=False)
            object.__setattr__(made, name, ends)
        return made

    def __len__(self) -> int:
        return int(self.left.size)

    @property
    def exact(self) -> NDArray[np.bool_]:
        """Which times are known exactly."""
        return np.equal(self.left, self.right)

    @property
    def right_censored(self) -> NDArray[np.bool_]:
        """Which events were never seen."""
        return np.isinf(self.right)

    @property
    def left_censored(self) -> NDArray[np.bool_]:
        """Which events were there at the first test."""
        return np.asarray((self.left == 0) & np.isfinite(self.right) & ~self.exact, dtype=np.bool_)

    def take(self, rows: ArrayLike) -> Intervals:
        """Intervals of the chosen rows (indices or a boolean mask), in that order; they are not checked again."""
        rows = np.asarray(rows)
        if rows.ndim != 1:
            raise OnsetStudyError(f"rows must be one row of indices or a boolean mask, not of shape {rows.shape}")
        return self._of_valid(self.left[rows], self.right[rows])

    def with_row(self, left: float, right: float) -> Intervals:
        """The same intervals and one more at the end; only that one is checked."""
        if not (0 <= left <= right and np.isfinite(left)):
            raise OnsetStudyError(f"({left:g}, {right:g}] is no interval of minutes")
        return self._of_valid(np.append(self.left, left), np.append(self.right, right))

    def felt_until(self, rows: NDArray[np.intp], minute: float) -> Intervals:
        """The chosen rows, where the event was never seen, followed to ``minute`` (0 or more, finite) without it.

        Raises
        ------
        OnsetStudyError
            If the event was seen in a chosen row, or the minute cannot be a left end.
        """
        if not (np.isfinite(minute) and minute >= 0 and np.all(np.isinf(self.right[rows]))):
            raise OnsetStudyError(f"only cases in which the event was never seen can be followed to {minute:g} minutes")
        left = self.left.copy()
        left[rows] = minute
        return self._of_valid(left, self.right)

    def rescale(self, factor: float) -> Intervals:
        """Intervals in another unit of time: every end times ``factor``."""
        return Intervals(self.left * factor, self.right * factor)


def require_intervals(times: object, name: str = "times") -> None:
    """Refuse what is not :class:`Intervals`.

    Raises
    ------
    OnsetStudyError
    """
    mend = "give Intervals(left, right): the last minute without the event and the first with it"
    require(times, Intervals, name, mend)
