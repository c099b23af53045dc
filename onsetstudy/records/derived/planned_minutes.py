"""Onset on the protocol's planned minutes: what tests say when a patient's tingling may have brought them about.

When a test is done must not depend on how the tooth is doing. It does where somebody tests again, or a little earlier,
because a patient says that it tingles; and the minutes of such tests tell of the patient's telling. So tests answer for
planned minutes, and onset lies between two of these. What minute in its window a test was done at then decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.core.intervals import DerivedOnset

SAME_TIME = 1e-9
"""Minutes closer than this are one."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TargetTests:
    """Tests of the target sorted by case and minute, arrays of shape (m,), each with its control.

    ``case`` is the place in ``records.cases``; ``extra``: recorded as a test that the plan did not ask for.
    ``control`` is 1 where the control reading nearest in the window was felt, 0 where it was not, -1 where there is
    none.
    """

    case: IntArray
    minute: FloatArray
    felt: BoolArray
    extra: BoolArray
    control: IntArray

    def valid(self, control_tooth: str) -> BoolArray:
        """Which tests count where the control tooth is ``required``, ``optional`` or ``none``."""
        if control_tooth == "none":
            return np.ones(self.case.size, dtype=bool)
        return np.where(self.control >= 0, self.control == 1, control_tooth != "required")

    def take(self, kept: BoolArray) -> TargetTests:
        """Some of the tests."""
        return TargetTests(**{each.name: getattr(self, each.name)[kept] for each in fields(self)})


def nearest(planned: FloatArray, minute: FloatArray) -> IntArray:
    """Place of the planned minute that each is nearest to; of two alike the earlier."""
    return np.searchsorted((planned[1:] + planned[:-1]) / 2, minute)


def answers_on_plan(tests: TargetTests, planned: FloatArray, window_min: float) -> tuple[TargetTests, FloatArray]:
    """Of each case and planned minute the test that answers for it, and the planned minutes, shape (k,).

    It is the nearest within the window, of two alike the earlier: of a planned test and an extra one close by, nearly
    always the planned one. What is recorded as extra answers for no planned minute, however near.
    """
    slot = nearest(planned, tests.minute)
    gap = np.where(tests.extra, np.inf, np.abs(tests.minute - planned[slot]))
    order = np.lexsort((tests.minute, np.round(gap, 9), slot, tests.case))
    _, first = np.unique((tests.case * planned.size + slot)[order], return_index=True)
    kept = np.zeros(order.size, dtype=bool)
    kept[order[first]] = True
    kept &= gap <= window_min + SAME_TIME
    return tests.take(kept), planned[slot[kept]]


def onset_on_plan(
    tests: TargetTests,
    planned: FloatArray,
    window_min: float,
    rescue_min: FloatArray,
    derive: Callable[[IntArray, FloatArray, BoolArray], DerivedOnset],
) -> DerivedOnset:
    """Onset between two planned minutes.

    Parameters
    ----------
    tests : TargetTests
        All that count, with their own minutes.
    planned : ndarray, shape (k,)
        Planned minutes.
    window_min : float
        How far from its planned minute a test may lie.
    rescue_min : ndarray, shape (n,)
        Minute of a supplement, ``nan`` if none. A test done before it whose planned minute lies after it keeps its own.
    derive : callable of (case, minute, felt)
        The onset rule; uses no test from the supplement on.

    Notes
    -----
    Planned tests date onset and confirm it. Where a planned minute has no answer, other tests speak for it as far as
    they leave no doubt: they were felt after it, or it lies after the onset that all tests together confirm. Without
    that, a case of which testing ended because an extra test confirmed onset would be followed to its last felt test
    just because it went numb. Extra tests never overrule the answer of a planned minute.
    """
    until = np.where(np.isnan(rescue_min), np.inf, rescue_min)
    tests = tests.take(tests.minute < until[tests.case])
    kept, at = answers_on_plan(tests, planned, window_min)
    at = np.where(at < until[kept.case], at, kept.minute)
    onset, every = derive(kept.case, at, kept.felt), derive(tests.case, tests.minute, tests.felt)
    seen = _due(every.right, planned)
    # Of the test that shows onset to all, if it answers for a planned minute, that minute: it may lie after it.
    own = np.abs(kept.minute - every.right[kept.case]) <= SAME_TIME
    seen[kept.case[own]] = at[own]
    # The last test that was felt may have been done before its planned minute, and onset shown before that is reached.
    asked = np.zeros(onset.left.size)
    last = at == onset.left[kept.case]
    asked[kept.case[last]] = kept.minute[last]
    later = planned[np.minimum(np.searchsorted(planned, onset.left + SAME_TIME), planned.size - 1)]
    seen = np.where((seen <= onset.left) & (every.right > asked), later, seen)
    spoken = np.isfinite(every.right) & (seen > onset.left)
    right = np.where(spoken, np.minimum(onset.right, seen), onset.right)
    felt = _passed(every.left, planned)
    left = np.where(spoken & (felt < right), np.maximum(onset.left, felt), onset.left)
    return _completed(onset, every, left, right)


def _due(minute: FloatArray, planned: FloatArray) -> FloatArray:
    """The first planned minute at or after each; itself where there is none."""
    place = np.searchsorted(planned, minute - SAME_TIME)
    return np.where(place < planned.size, planned[np.minimum(place, planned.size - 1)], minute)


def _passed(minute: FloatArray, planned: FloatArray) -> FloatArray:
    """The last planned minute at or before each; 0 where there is none."""
    place = np.searchsorted(planned, minute + SAME_TIME, side="right") - 1
    return np.where(place >= 0, planned[np.maximum(place, 0)], 0.0)


def _completed(onset: DerivedOnset, every: DerivedOnset, left: FloatArray, right: FloatArray) -> DerivedOnset:
    """Onset with other ends; where planned tests alone had none, with what all tests say of the time after it."""
    ends = ~np.isfinite(onset.right) & np.isfinite(right)

    def either(own: FloatArray, other: FloatArray) -> FloatArray:
        return np.where(ends, np.maximum(other, right), own)

    changed = ends | (onset.reason == "numb_at_first_test")
    return DerivedOnset(
        left=left,
        right=right,
        confirmed_at=either(onset.confirmed_at, every.confirmed_at),
        loss_left=either(onset.loss_left, every.loss_left),
        loss_right=either(onset.loss_right, every.loss_right),
        reason=np.where(changed, np.where(left > 0, "confirmed", "numb_at_first_test"), onset.reason),
    )
