"""Onset intervals from the readings, as the protocol defines onset."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import DerivedOnset, derive_intervals
from onsetstudy.protocol.earlier_names import todays_strategy
from onsetstudy.protocol.estimands import ReadingRule
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.planned_minutes import SAME_TIME, TargetTests, answers_on_plan, nearest, onset_on_plan
from onsetstudy.records.model import Records


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Onsets:
    """Onset of one set of records: derived once by each rule, whatever the number of questions asked of it.

    A value of one piece of work, such as a report, that is passed on. How a question takes a supplement before onset
    moves the ends of those cases only and asks for no other derivation, unless readings after it are to count.
    """

    records: Records
    protocol: Protocol
    _derived: dict[tuple[ReadingRule, bool], _Derived] = field(default_factory=dict, init=False, repr=False)

    def table(
        self, *, estimand: str = "hazard", rescue: str | None = None, rule: ReadingRule | None = None, **choices: Any
    ) -> pd.DataFrame:
        """Onset of every accepted case in ``(left_min, right_min]``.

        Parameters
        ----------
        estimand : str
            ``hazard``, ``success`` or ``wait``: which of the protocol's rescue rules applies.
        rescue : str, optional
            Another strategy for a supplement than the protocol's, for sensitivity analyses.
        rule : ReadingRule, optional
            How onset is read off the tests; by default with the confirmations and the control tooth of the protocol,
            every test with its own minute. The protocol's own window is
            :attr:`~onsetstudy.protocol.model.Schedule.window_min`; tests beyond it can but confirm where testing ended
            with them.
        **choices
            Parts of the rule to be taken otherwise.

        Returns
        -------
        DataFrame, one row per case
            Columns ``case_id, practice_id, arm, left_min, right_min, censoring, reason, confirmed_min, loss_left_min,
            loss_right_min, valid_readings, missed_tests, invalid_cycles``. ``censoring`` is ``left``, ``interval`` or
            ``right``; ``reason`` is a key of :data:`onsetstudy.core.intervals.REASONS`; ``missed_tests`` counts planned
            tests up to the case's end without a valid reading; ``invalid_cycles`` counts target readings left out for
            the control tooth.

        Notes
        -----
        A rescue as ``composite`` (in earlier protocols ``failure``) puts onset after the horizon: the case waited for
        all of it with the first injection alone. As ``hypothetical`` (``censored``) the case is followed to the last
        felt test before the supplement, as if it could have gone on without. As ``treatment_policy`` tests after the
        supplement count like any other. ``while_on_treatment`` ends the question at the supplement: for ``success`` a
        tooth that was not numb by then is not numb under the first injection; for ``wait`` the minutes waited up to
        it are what was waited, and known exactly; for ``hazard`` the case leaves the count there.
        """
        if estimand not in ("hazard", "success", "wait"):
            raise OnsetStudyError(f"the estimand {estimand!r} is not one of hazard, success, wait")
        protocol = self.protocol
        strategy = todays_strategy(getattr(protocol.rescue, estimand) if rescue is None else rescue)
        rule = rule or ReadingRule(
            confirmations=protocol.onset.confirmations, control_tooth=protocol.schedule.control_tooth
        )
        derived = self._by(replace(rule, **choices), past_supplement=strategy == "treatment_policy")
        return _table(self.records, protocol, derived, estimand, strategy)

    def _by(self, rule: ReadingRule, *, past_supplement: bool) -> _Derived:
        asked = rule, past_supplement
        if asked not in self._derived:
            self._derived[asked] = _derive(self.records, self.protocol, *asked)
        return self._derived[asked]


@dataclass(frozen=True, slots=True, eq=False)
class _Derived:
    """What one rule makes of the readings.

    ``target`` are the tests that count, ``invalid`` says how many of each case do not because of the control tooth;
    ``rescue_min`` are the supplements that end them.
    """

    target: TargetTests
    invalid: IntArray
    rescue_min: FloatArray
    onset: DerivedOnset


def _derive(records: Records, protocol: Protocol, rule: ReadingRule, past_supplement: bool) -> _Derived:
    tests = target_tests(records, protocol)
    valid = tests.valid(rule.control_tooth)
    target, invalid = tests.take(valid), np.bincount(tests.case[~valid], minlength=len(records.cases))
    rescue_min = records.cases["rescue_min"].to_numpy(dtype=float)
    if past_supplement:
        rescue_min = np.full(len(records.cases), np.nan)

    derived = partial(
        derive_intervals,
        n_cases=len(records.cases),
        confirmations=rule.confirmations,
        rescue_min=rescue_min,
        accept_unconfirmed=rule.accept_unconfirmed,
    )
    if rule.window_min is None:
        return _Derived(target, invalid, rescue_min, derived(target.case, target.minute, target.felt))
    planned = np.asarray(protocol.schedule.tests_min, dtype=float)
    kept, _ = answers_on_plan(target, planned, rule.window_min)
    return _Derived(kept, invalid, rescue_min, onset_on_plan(target, planned, rule.window_min, rescue_min, derived))


def _table(records: Records, protocol: Protocol, found: _Derived, estimand: str, strategy: str) -> pd.DataFrame:
    """Derived onset with supplements taken as a strategy says, one row per case."""
    cases, derived, target, rescue_min = records.cases, found.onset, found.target, found.rescue_min
    left, right = derived.left.copy(), derived.right.copy()
    rescued = derived.reason == "rescued"
    if strategy == "composite" or (strategy == "while_on_treatment" and estimand == "success"):
        left[rescued] = np.maximum(left[rescued], protocol.onset.tau_min)
    elif strategy == "while_on_treatment" and estimand == "wait":
        # All that was felt lies before the supplement, which ends the wait.
        left[rescued] = right[rescued] = np.maximum(rescue_min[rescued], SAME_TIME)
    censoring = np.where(np.isinf(right), "right", np.where(left == 0, "left", "interval"))
    return pd.DataFrame(
        {
            **{name: cases[name].to_numpy() for name in ("case_id", "practice_id", "arm")},
            "left_min": left,
            "right_min": right,
            "censoring": censoring,
            "reason": derived.reason.astype(object),
            "confirmed_min": derived.confirmed_at,
            "loss_left_min": derived.loss_left,
            "loss_right_min": derived.loss_right,
            "valid_readings": np.bincount(target.case, minlength=len(cases)),
            "missed_tests": _missed_tests(target, protocol, right, rescue_min, len(cases)),
            "invalid_cycles": found.invalid,
        }
    )


def target_tests(records: Records, protocol: Protocol) -> TargetTests:
    """All tests of the target, and what the control tooth said in the protocol's window about each."""
    readings = records.readings
    number = pd.Index(records.cases["case_id"]).get_indexer(readings["case_id"])
    minute = readings["minute"].to_numpy(dtype=float)
    order = np.lexsort((minute, number))
    order = order[number[order] >= 0]
    number, minute = number[order].astype(np.int64), minute[order]
    felt = (readings["response"] == "felt").to_numpy()[order]
    target = (readings["tooth_role"] == "target").to_numpy()[order]
    tested, control = (number[target], minute[target]), (number[~target], minute[~target])
    return TargetTests(
        case=tested[0],
        minute=tested[1],
        felt=felt[target],
        extra=_recorded_as_extra(readings)[order][target],
        control=_nearest_control(*tested, *control, felt[~target], protocol.schedule.control_window_min + SAME_TIME),
    )


def _recorded_as_extra(readings: pd.DataFrame) -> BoolArray:
    """Tests that their record calls extra; none where nobody told them apart."""
    if "test_kind" not in readings:
        return np.zeros(len(readings), dtype=bool)
    return np.asarray((readings["test_kind"] == "extra").fillna(False), dtype=bool)


def _nearest_control(
    case: IntArray,
    at: FloatArray,
    control_case: IntArray,
    control_at: FloatArray,
    control_felt: BoolArray,
    window_min: float,
) -> IntArray:
    """For each target reading, whether the control reading of its case in the window was felt; -1 where there is none.

    The nearest counts; of two equally near, the earlier.
    """
    if control_case.size == 0:
        return np.full(case.size, -1)
    # Cases far apart on one axis: the nearest reading on it is the nearest of the same case.
    stride = float(max(at.max(initial=0.0), control_at.max(initial=0.0))) + 2 * window_min + 1.0
    here, there = case * stride + at, control_case * stride + control_at
    after = np.clip(np.searchsorted(there, here), 0, there.size - 1)
    before = np.clip(after - 1, 0, there.size - 1)
    gap_before = np.where(control_case[before] == case, np.abs(at - control_at[before]), np.inf)
    gap_after = np.where(control_case[after] == case, np.abs(at - control_at[after]), np.inf)
    nearest = np.where(gap_before <= gap_after + SAME_TIME, before, after)
    return np.where(np.minimum(gap_before, gap_after) <= window_min, control_felt[nearest].astype(np.int64), -1)


def _missed_tests(
    target: TargetTests, protocol: Protocol, right: FloatArray, rescue_min: FloatArray, n_cases: int
) -> IntArray:
    """Planned tests without a valid reading, up to onset, the supplement or the last valid reading."""
    planned = np.asarray(protocol.schedule.tests_min)
    if target.case.size == 0:
        return np.zeros(n_cases, dtype=np.int64)
    last = np.zeros(n_cases)
    np.maximum.at(last, target.case, target.minute)
    end = np.minimum(np.where(np.isfinite(right), right, last), np.where(np.isnan(rescue_min), np.inf, rescue_min))
    done = np.zeros((n_cases, planned.size), dtype=bool)
    # A reading stands for the nearest planned minute.
    done[target.case, nearest(planned, target.minute)] = True
    due = planned[None, :] <= end[:, None] + SAME_TIME
    return np.asarray((due & ~done).sum(axis=1), dtype=np.int64)
