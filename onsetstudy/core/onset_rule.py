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
    # Readings once a supplement was given say nothing of the first injection.
    keep = ~(minute >= np.where(has_rescue, rescue, np.inf)[case])
    case, minute, felt = case[keep], minute[keep], felt[keep]
    m = case.size

    first = np.ones(m, dtype=bool)
    first[1:] = case[1:] != case[:-1]
    last = np.ones(m, dtype=bool)
    last[:-1] = first[1:]
    run_start = ~felt & (first | np.concatenate(([True], felt[:-1]))[:m])
    # A run begins where a not-felt reading follows a felt one or opens the case; length by the next break.
    breaks = first | run_start | felt
    starts = np.flatnonzero(breaks)
    lengths = np.diff(np.concatenate((starts, [m])))
    run_at = starts[run_start[starts]]
    run_length = lengths[run_start[starts]]
    run_end = run_at + run_length - 1
    counts = run_length >= confirmations
    if accept_unconfirmed:
        counts |= last[run_end] if run_end.size else False

    right = np.full(n_cases, np.inf)
    confirmed_at = np.full(n_cases, np.nan)
    onset_index = np.full(n_cases, -1, dtype=np.int64)
    chosen = run_at[counts]
    # Assigned in reverse, so that the first confirmed run of a case is the one that stays.
    onset_index[case[chosen[::-1]]] = chosen[::-1]
    with_onset = onset_index >= 0
    onset_row = onset_index[with_onset]
    right[with_onset] = minute[onset_row]
    run_length_at = np.zeros(m, dtype=np.int64)
    run_length_at[run_at] = run_length
    confirm_row = onset_row + np.minimum(confirmations, run_length_at[onset_row]) - 1
    confirmed_at[with_onset] = minute[confirm_row]

    left = np.zeros(n_cases)
    before = np.ones(m, dtype=bool)
    before[with_onset[case]] = (np.arange(m) < onset_index[case])[with_onset[case]]
    felt_before = felt & before
    np.maximum.at(left, case[felt_before], minute[felt_before])

    loss_left = np.full(n_cases, np.nan)
    loss_right = np.full(n_cases, np.nan)
    after = with_onset[case] & (np.arange(m) > onset_index[case])
    loss_right[with_onset] = np.inf
    felt_after = felt & after
    np.minimum.at(loss_right, case[felt_after], minute[felt_after])
    loss_left[with_onset] = right[with_onset]
    numb_before_loss = after & ~felt & (minute < np.where(np.isnan(loss_right), -np.inf, loss_right)[case])
    np.maximum.at(loss_left, case[numb_before_loss], minute[numb_before_loss])

    read = np.bincount(case, minlength=n_cases) > 0
    ends_unfelt = np.zeros(n_cases, dtype=bool)
    ends_unfelt[case[last & ~felt]] = True
    reason = np.full(n_cases, "never_confirmed", dtype="<U20")
    reason[~with_onset & ends_unfelt] = "unconfirmed_last"
    reason[~read] = "no_valid_reading"
    reason[~with_onset & has_rescue] = "rescued"
    reason[with_onset] = "confirmed"
    opened = np.zeros(n_cases, dtype=bool)
    opened[case[first & ~felt]] = True
    reason[with_onset & opened & (left == 0)] = "numb_at_first_test"
    return DerivedOnset(
        left=left, right=right, confirmed_at=confirmed_at, loss_left=loss_left, loss_right=loss_right, reason=reason
    )
