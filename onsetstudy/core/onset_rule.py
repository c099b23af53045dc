"""The onset rule as array arithmetic: from readings to an interval per case.

Kept on the ground floor so that records, planning by simulation and reduction of large
tables all derive onset by the same lines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["REASONS", "DerivedOnset", "derive_intervals"]

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

    left: NDArray[np.float64]
    right: NDArray[np.float64]
    confirmed_at: NDArray[np.float64]
    loss_left: NDArray[np.float64]
    loss_right: NDArray[np.float64]
    reason: NDArray[np.str_]


def derive_intervals(
    case: NDArray[np.int64],
    minute: NDArray[np.float64],
    felt: NDArray[np.bool_],
    *,
    n_cases: int,
    confirmations: int = 2,
    rescue_min: NDArray[np.float64] | None = None,
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
    m = case.size

    first = np.ones(m, dtype=bool)
    first[1:] = case[1:] != case[:-1]
    last = np.ones(m, dtype=bool)
    last[:-1] = first[1:]
    # A run begins where a not-felt reading follows a felt one or opens the case, and ends before a felt one or with it.
    after_felt, before_felt = np.ones(m, dtype=bool), np.ones(m, dtype=bool)
    after_felt[1:], before_felt[:-1] = felt[:-1], felt[1:]
    run_at = np.flatnonzero(~felt & (first | after_felt))
    run_end = np.flatnonzero(~felt & (last | before_felt))
    run_length = run_end - run_at + 1
    counts = run_length >= confirmations
    if accept_unconfirmed:
        counts |= last[run_end]

    # From here on every array has one entry per case or per run, not per reading.
    opens, ends = np.flatnonzero(first), np.flatnonzero(last)
    read = np.zeros(n_cases, dtype=bool)
    read[case[opens]] = True
    opened, ends_unfelt = np.zeros(n_cases, dtype=bool), np.zeros(n_cases, dtype=bool)
    opened[case[opens]] = ~felt[opens]
    ends_unfelt[case[ends]] = ~felt[ends]

    right = np.full(n_cases, np.inf)
    confirmed_at = np.full(n_cases, np.nan)
    loss_left = np.full(n_cases, np.nan)
    loss_right = np.full(n_cases, np.nan)
    chosen_run = np.full(n_cases, -1, dtype=np.int64)
    confirmed = np.flatnonzero(counts)[::-1]
    # Assigned in reverse, so that the first confirmed run of a case is the one that stays.
    chosen_run[case[run_at[confirmed]]] = confirmed
    with_onset = chosen_run >= 0
    run = chosen_run[with_onset]
    onset_row = run_at[run]
    right[with_onset] = minute[onset_row]
    confirmed_at[with_onset] = minute[onset_row + np.minimum(confirmations, run_length[run]) - 1]
    # What follows a run in its case is felt: sensation is back after the last reading of the run.
    loss_left[with_onset] = minute[run_end[run]]
    back = np.minimum(run_end[run] + 1, m - 1)
    loss_right[with_onset] = np.where(last[run_end[run]], np.inf, minute[back])

    # What comes before a run in its case is felt: before the run of onset, or before one that reaches the last reading.
    follows = np.full(n_cases, -1, dtype=np.int64)
    follows[case[ends]] = ends + felt[ends]
    at_end = np.flatnonzero(last[run_end])
    follows[case[run_at[at_end]]] = run_at[at_end]
    follows[with_onset] = onset_row
    start = np.zeros(n_cases, dtype=np.int64)
    start[case[opens]] = opens
    left = np.zeros(n_cases)
    some = follows > start
    left[some] = np.maximum(minute[follows[some] - 1], 0.0)

    reason = np.full(n_cases, "never_confirmed", dtype="<U20")
    reason[~with_onset & ends_unfelt] = "unconfirmed_last"
    reason[~read] = "no_valid_reading"
    reason[~with_onset & has_rescue] = "rescued"
    reason[with_onset] = "confirmed"
    reason[with_onset & opened & (left == 0)] = "numb_at_first_test"
    return DerivedOnset(
        left=left, right=right, confirmed_at=confirmed_at, loss_left=loss_left, loss_right=loss_right, reason=reason
    )
