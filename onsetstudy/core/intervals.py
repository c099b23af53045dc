"""Times known only to lie between two tests, and the rule that makes them of the tests.

Onset lies in ``(left, right]``: not numb at ``left``, numb at ``right``, in minutes. The onset rule is array arithmetic
on the ground floor, so that records, planning by simulation and reduction of large tables all derive onset by the same
lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import BoolArray, FloatArray, IndexArray, IntArray, StrArray, real_numbers, require_number
from onsetstudy.core.errors import OnsetStudyError, Problem, require


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
        or a right end before its left end. Of each fault the first row is named (from 0), with how many have it.

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
        mend = "write left as 0 or more minutes and right as at least left, or infinity"
        swapped = "; or were the two exchanged? The last minute without the event stands first"
        problems = []
        for fault, rows in faults.items():
            if n := int(np.count_nonzero(rows)):
                i = int(np.argmax(rows))
                alike = f"; {n} of {left.size} are so" if n > 1 else ""
                what = f"interval {i} ({left[i]:g}, {right[i]:g}] {fault}{alike}"
                more = swapped if fault == "ends before it begins" else ""
                problems.append(Problem(what=what, mend=mend + more, code="interval"))
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
    def exact(self) -> BoolArray:
        """Which times are known exactly."""
        return np.equal(self.left, self.right)

    @property
    def right_censored(self) -> BoolArray:
        """Which events were never seen."""
        return np.isinf(self.right)

    @property
    def left_censored(self) -> BoolArray:
        """Which events were there at the first test."""
        return np.asarray((self.left == 0) & np.isfinite(self.right) & ~self.exact, dtype=np.bool_)

    @property
    def tested(self) -> BoolArray:
        """Which cases were tested at all: an interval (0, inf] fits every curve and adds nothing."""
        return np.asarray((self.left > 0) | np.isfinite(self.right), dtype=np.bool_)

    def take(self, rows: ArrayLike) -> Intervals:
        """Intervals of the chosen rows (indices or a boolean mask), in that order; they are not checked again."""
        rows = chosen_rows(rows)
        return self._of_valid(self.left[rows], self.right[rows])

    def with_row(self, left: float, right: float) -> Intervals:
        """The same intervals and one more at the end; only that one is checked."""
        if not (0 <= left <= right and np.isfinite(left)):
            raise OnsetStudyError(f"({left:g}, {right:g}] is no interval of minutes")
        return self._of_valid(np.append(self.left, left), np.append(self.right, right))

    def felt_until(self, rows: IndexArray, minute: float) -> Intervals:
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
        mend = "write a number above 0, for example 60"
        require_number(factor, "factor", mend)
        if not 0 < factor < np.inf:
            raise OnsetStudyError.of_key("factor", f"factor is {factor!r}", mend)
        return Intervals(self.left * factor, self.right * factor)


def chosen_rows(rows: ArrayLike) -> IndexArray | BoolArray:
    """Indices or a boolean mask, as an array; no row at all is a choice too.

    Raises
    ------
    OnsetStudyError
    """
    chosen: IndexArray = np.asarray(rows)
    if chosen.ndim != 1 or (chosen.size and chosen.dtype.kind not in "iub"):
        raise OnsetStudyError(
            f"rows must be one row of indices or a boolean mask, not {chosen.dtype} of shape {chosen.shape}"
        )
    return chosen if chosen.size else np.zeros(0, dtype=np.intp)


def require_intervals(times: object, name: str = "times") -> None:
    """Refuse what is not :class:`Intervals`.

    Raises
    ------
    OnsetStudyError
    """
    mend = "give Intervals(left, right): the last minute without the event and the first with it"
    require(times, Intervals, name, mend)


REASONS: dict[str, str] = {
    "confirmed": "numb between a felt and a confirmed not-felt test",
    "numb_at_first_test": "already numb at the first valid test",
    "never_confirmed": "never confirmed numb; followed to the last felt test",
    "unconfirmed_last": "not felt at the end, not confirmed; followed to the last felt test",
    "rescued": "supplemental injection before a confirmed onset",
    "no_valid_reading": "no valid reading before the end of observation",
}
"""Readable code of every way an interval can come about."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DerivedOnset:
    """One entry per case, arrays of shape (n,), minutes.

    ``left``, ``right``: onset in ``(left, right]``. ``confirmed_at``: reading that confirmed it, ``nan`` if none.
    ``loss_left``, ``loss_right``: sensation returned in this interval after a confirmed onset (``inf`` right: not
    seen to return; both ``nan`` without onset). ``reason``: a key of :data:`REASONS`.
    """

    left: FloatArray
    right: FloatArray
    confirmed_at: FloatArray
    loss_left: FloatArray
    loss_right: FloatArray
    reason: StrArray


def derive_intervals(
    case: IntArray,
    minute: FloatArray,
    felt: BoolArray,
    *,
    n_cases: int,
    confirmations: int = 2,
    rescue_min: FloatArray | None = None,
    accept_unconfirmed: bool = False,
) -> DerivedOnset:
    """Onset intervals of ``n_cases`` cases from their valid target readings.

    Parameters
    ----------
    case : ndarray of int, shape (m,)
        Case of each reading, 0 to ``n_cases - 1``, sorted.
    minute : ndarray of float, shape (m,)
        Minutes after clock zero, strictly increasing within a case. Missed or invalid tests are simply absent.
    felt : ndarray of bool, shape (m,)
        Whether the cold was felt.
    n_cases : int
        Number of cases, also those without a reading.
    confirmations : int
        Consecutive not-felt readings that make an onset, dated at the first of them.
    rescue_min : ndarray of float, shape (n_cases,), optional
        Minute of a supplemental injection, ``nan`` if none. Readings at or after it are not used for onset.
    accept_unconfirmed : bool
        Count a run of not-felt readings that reaches the last reading as onset although too short (sensitivity).

    Returns
    -------
    DerivedOnset
    """
    case = np.asarray(case, dtype=np.int64)
    minute = np.asarray(minute, dtype=np.float64)
    felt = np.asarray(felt, dtype=bool)
    rescue = np.full(n_cases, np.nan) if rescue_min is None else np.asarray(rescue_min, dtype=np.float64)
    has_rescue = ~np.isnan(rescue)
    if has_rescue.any():
        # Readings once a supplement was given say nothing of the first injection.
        keep = ~(minute >= np.where(has_rescue, rescue, np.inf)[case])
        case, minute, felt = case[keep], minute[keep], felt[keep]
    # From here on every array has one entry per case or per run, not per reading.
    runs = _runs_of(case, felt)
    counts = runs.length >= confirmations
    if accept_unconfirmed:
        counts |= runs.at_close
    right = np.full(n_cases, np.inf)
    confirmed_at, loss_left, loss_right = np.full((3, n_cases), np.nan)
    chosen_run = np.full(n_cases, -1, dtype=np.int64)
    confirmed = np.flatnonzero(counts)[::-1]
    # Assigned in reverse, so that the first confirmed run of a case is the one that stays.
    chosen_run[case[runs.start[confirmed]]] = confirmed
    with_onset = chosen_run >= 0
    run = chosen_run[with_onset]
    onset_row, end = runs.start[run], runs.end[run]
    right[with_onset] = minute[onset_row]
    confirmed_at[with_onset] = minute[onset_row + np.minimum(confirmations, runs.length[run]) - 1]
    # What follows a run in its case is felt: sensation is back after the last reading of the run.
    loss_left[with_onset] = minute[end]
    loss_right[with_onset] = np.where(runs.at_close[run], np.inf, minute[np.minimum(end + 1, case.size - 1)])

    follows = _rows_after_felt(case, felt, runs, n_cases)
    follows[with_onset] = onset_row
    start = np.zeros(n_cases, dtype=np.int64)
    start[case[runs.opens]] = runs.opens
    left = np.zeros(n_cases)
    some = follows > start
    left[some] = np.maximum(minute[follows[some] - 1], 0.0)

    reason = np.full(n_cases, "no_valid_reading", dtype="<U20")
    reason[case[runs.closes]] = np.where(felt[runs.closes], "never_confirmed", "unconfirmed_last")
    opened = np.zeros(n_cases, dtype=bool)
    opened[case[runs.opens]] = ~felt[runs.opens]
    reason[~with_onset & has_rescue] = "rescued"
    reason[with_onset] = "confirmed"
    reason[with_onset & opened & (left == 0)] = "numb_at_first_test"
    return DerivedOnset(
        left=left, right=right, confirmed_at=confirmed_at, loss_left=loss_left, loss_right=loss_right, reason=reason
    )


class _Runs(NamedTuple):
    """Runs of not-felt readings, by the rows that begin and end each; rows that open and close every case.

    ``at_close`` are the runs that reach the last reading of their case.
    """

    start: IndexArray
    end: IndexArray
    at_close: BoolArray
    opens: IndexArray
    closes: IndexArray

    @property
    def length(self) -> IndexArray:
        """Readings of each run."""
        return self.end - self.start + 1


def _runs_of(case: IntArray, felt: BoolArray) -> _Runs:
    """A run begins after a felt reading or with its case, and ends before a felt one or with it."""
    m = case.size
    first, last = np.ones(m, dtype=bool), np.ones(m, dtype=bool)
    first[1:] = case[1:] != case[:-1]
    last[:-1] = first[1:]
    after_felt, before_felt = np.ones(m, dtype=bool), np.ones(m, dtype=bool)
    after_felt[1:], before_felt[:-1] = felt[:-1], felt[1:]
    end = np.flatnonzero(~felt & (last | before_felt))
    return _Runs(
        start=np.flatnonzero(~felt & (first | after_felt)),
        end=end,
        at_close=last[end],
        opens=np.flatnonzero(first),
        closes=np.flatnonzero(last),
    )


def _rows_after_felt(case: IntArray, felt: BoolArray, runs: _Runs, n_cases: int) -> IntArray:
    """The row after the last felt reading of each case without an onset, -1 without a reading.

    What comes before a run in its case is felt: so is what comes before one that reaches the last reading.
    """
    follows = np.full(n_cases, -1, dtype=np.int64)
    follows[case[runs.closes]] = runs.closes + felt[runs.closes]
    at_end = runs.start[runs.at_close]
    follows[case[at_end]] = at_end
    return follows
