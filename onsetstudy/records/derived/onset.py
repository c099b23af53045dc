"""Onset intervals from the readings, as the protocol defines onset."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import DerivedOnset, derive_intervals
from onsetstudy.protocol.earlier_names import todays_strategy
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.planned_minutes import SAME_TIME, TargetTests, answers_on_plan, onset_on_plan
from onsetstudy.records.model import Records

__all__ = ["ONSET_COLUMNS", "Cycles", "OnsetRule", "Onsets", "target_cycles", "valid_tests"]

ONSET_COLUMNS = (
    "case_id",
    "practice_id",
    "arm",
    "left_min",
    "right_min",
    "censoring",
    "reason",
    "confirmed_min",
    "loss_left_min",
    "loss_right_min",
    "valid_readings",
    "missed_tests",
    "invalid_cycles",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OnsetRule:
    """What the readings are read by: all that a derivation depends on beside the records.

    Parameters
    ----------
    confirmations : int
        Not-felt readings in a row that make an onset.
    control_tooth : str
        Whether the control tooth has to have been felt.
    accept_unconfirmed : bool
        Whether a last reading that was not felt counts though nothing confirmed it.
    past_supplement : bool
        Whether readings after a supplement count like any other.
    window_min : float or None
        How far from the planned minute that it answers for a reading may lie; ``None``: anywhere, with its own minute.
    """

    confirmations: int
    control_tooth: str
    accept_unconfirmed: bool
    past_supplement: bool
    window_min: float | None = None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Onsets:
    """Onset of one set of records: derived once by each rule, whatever the number of questions asked of it.

    A value of one piece of work, such as a report, that is passed on. How a question takes a supplement before onset
    moves the ends of those cases only and asks for no other derivation, unless readings after it are to count.
    """

    records: Records
    protocol: Protocol
    _derived: dict[OnsetRule, _Derived] = field(default_factory=dict, init=False, repr=False)

    def rule(
        self,
        *,
        estimand: str = "hazard",
        confirmations: int | None = None,
        control_tooth: str | None = None,
        rescue: str | None = None,
        accept_unconfirmed: bool = False,
        window_min: float | None = None,
    ) -> OnsetRule:
        """The rule behind a question; parameters as of :meth:`table`."""
        protocol = self.protocol
        return OnsetRule(
            confirmations=protocol.onset.confirmations if confirmations is None else confirmations,
            control_tooth=protocol.schedule.control_tooth if control_tooth is None else control_tooth,
            accept_unconfirmed=accept_unconfirmed,
            past_supplement=_strategy(protocol, estimand, rescue) == "treatment_policy",
            window_min=window_min,
        )

    def table(self, *, estimand: str = "hazard", rescue: str | None = None, **choices: Any) -> pd.DataFrame:
        """Onset of every accepted case in ``(left_min, right_min]``.

        Parameters
        ----------
        estimand : str
            ``hazard``, ``success`` or ``wait``: which of the protocol's rescue rules applies.
        confirmations, control_tooth, rescue : optional
            Other choices than the protocol's, for sensitivity analyses.
        accept_unconfirmed : bool
            Count a last reading that was not felt as onset though nothing confirmed it (sensitivity).
        window_min : float, optional
            How far from a planned minute a reading may lie to date onset, and of several for one minute the nearest;
            by default every reading does. Others can but confirm where testing ended with them. The protocol's own
            is :attr:`~onsetstudy.protocol.model.Schedule.window_min`.

        Returns
        -------
        DataFrame, one row per case
            Columns :data:`ONSET_COLUMNS`. ``censoring`` is ``left``, ``interval`` or ``right``; ``reason`` is a key
            of :data:`onsetstudy.core.intervals.REASONS`; ``missed_tests`` counts planned tests up to the case's end
            without a valid reading; ``invalid_cycles`` counts target readings left out for the control tooth.

        Notes
        -----
        A rescue as ``composite`` (in earlier protocols ``failure``) puts onset after the horizon: the case waited for
        all of it with the first injection alone. As ``hypothetical`` (``censored``) the case is followed to the last
        felt test before the supplement, as if it could have gone on without. As ``treatment_policy`` tests after the
        supplement count like any other. ``while_on_treatment`` ends the question at the supplement: for ``success`` a
        tooth that was not numb by then is not numb under the first injection; for ``wait`` the minutes waited up to
        it are what was waited, and known exactly; for ``hazard`` the case leaves the count there.
        """
        strategy = _strategy(self.protocol, estimand, rescue)
        derived = self._by(self.rule(estimand=estimand, rescue=rescue, **choices))
        return _table(self.records, self.protocol, derived, estimand, strategy)

    def _by(self, rule: OnsetRule) -> _Derived:
        if rule not in self._derived:
            self._derived[rule] = _derive(self.records, self.protocol, rule)
        return self._derived[rule]


@dataclass(frozen=True, slots=True, eq=False)
class _Derived:
    """What one rule makes of the readings: those that count, the supplements that end them, and the onset."""

    target: TargetTests
    rescue_min: FloatArray
    onset: DerivedOnset


def _strategy(protocol: Protocol, estimand: str, rescue: str | None) -> str:
    if estimand not in ("hazard", "success", "wait"):
        raise OnsetStudyError(f"the estimand {estimand!r} is not one of hazard, success, wait")
    return todays_strategy(getattr(protocol.rescue, estimand) if rescue is None else rescue)


def _derive(records: Records, protocol: Protocol, rule: OnsetRule) -> _Derived:
    target = _valid_target_readings(records, rule.control_tooth, protocol.schedule.control_window_min)
    rescue_min = records.cases["rescue_min"].to_numpy(dtype=float)
    if rule.past_supplement:
        rescue_min = np.full(len(records.cases), np.nan)

    def derived(case: IntArray, minute: FloatArray, felt: BoolArray) -> DerivedOnset:
        return derive_intervals(
            case,
            minute,
            felt,
            n_cases=len(records.cases),
            confirmations=rule.confirmations,
            rescue_min=rescue_min,
            accept_unconfirmed=rule.accept_unconfirmed,
        )

    if rule.window_min is None:
        return _Derived(target, rescue_min, derived(target.case, target.minute, target.felt))
    planned = np.asarray(protocol.schedule.tests_min, dtype=float)
    kept, _ = answers_on_plan(target, planned, rule.window_min)
    onset = onset_on_plan(target, planned, rule.window_min, rescue_min, derived)
    return _Derived(kept, rescue_min, onset)


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
            "case_id": cases["case_id"].to_numpy(),
            "practice_id": cases["practice_id"].to_numpy(),
            "arm": cases["arm"].to_numpy(),
            "left_min": left,
            "right_min": right,
            "censoring": censoring,
            "reason": derived.reason.astype(object),
            "confirmed_min": derived.confirmed_at,
            "loss_left_min": derived.loss_left,
            "loss_right_min": derived.loss_right,
            "valid_readings": np.bincount(target.case, minlength=len(cases)),
            "missed_tests": _missed_tests(target, protocol, right, rescue_min, len(cases)),
            "invalid_cycles": target.invalid,
        },
        columns=list(ONSET_COLUMNS),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cycles:
    """Tests of the target sorted by case and minute, arrays of shape (m,), each with its control.

    ``case`` is the place in ``records.cases``; ``extra``: their record calls them so. ``control`` is 1 where the
    control reading nearest in the window was felt, 0 where it was not, -1 where there is none.
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


def target_cycles(records: Records, window_min: float) -> Cycles:
    """All tests of the target, and what the control tooth said no more than ``window_min`` from each."""
    readings = records.readings
    number = pd.Index(records.cases["case_id"]).get_indexer(readings["case_id"])
    minute = readings["minute"].to_numpy(dtype=float)
    order = np.lexsort((minute, number))
    order = order[number[order] >= 0]
    number, minute, felt = (
        number[order].astype(np.int64),
        minute[order],
        (readings["response"] == "felt").to_numpy()[order],
    )
    target = (readings["tooth_role"] == "target").to_numpy()[order]
    tested, control = (number[target], minute[target]), (number[~target], minute[~target], felt[~target])
    found, control_felt = _nearest_control(*tested, *control, window_min)
    return Cycles(
        case=tested[0],
        minute=tested[1],
        felt=felt[target],
        extra=_recorded_as_extra(readings)[order][target],
        control=np.where(found, control_felt.astype(np.int64), -1),
    )


def _valid_target_readings(records: Records, control: str, window_min: float) -> TargetTests:
    tests = target_cycles(records, window_min + SAME_TIME)
    valid = tests.valid(control)
    invalid = np.bincount(tests.case[~valid], minlength=len(records.cases))
    found = TargetTests(case=tests.case, minute=tests.minute, felt=tests.felt, extra=tests.extra, invalid=invalid)
    return found.take(valid)


def valid_tests(records: Records, protocol: Protocol) -> tuple[IntArray, FloatArray, BoolArray]:
    """Tests of the target that count, sorted: place of the case in ``records.cases``, minute, whether it was felt."""
    schedule = protocol.schedule
    found = _valid_target_readings(records, schedule.control_tooth, schedule.control_window_min)
    return found.case, found.minute, found.felt


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
) -> tuple[BoolArray, BoolArray]:
    """For each target reading, whether a control reading of its case lies in the window, and whether it was felt.

    The nearest counts; of two equally near, the earlier.
    """
    if control_case.size == 0:
        return np.zeros(case.size, dtype=bool), np.zeros(case.size, dtype=bool)
    # Cases far apart on one axis: the nearest reading on it is the nearest of the same case.
    stride = float(max(at.max(initial=0.0), control_at.max(initial=0.0))) + 2 * window_min + 1.0
    here, there = case * stride + at, control_case * stride + control_at
    after = np.clip(np.searchsorted(there, here), 0, there.size - 1)
    before = np.clip(after - 1, 0, there.size - 1)
    gap_before = np.where(control_case[before] == case, np.abs(at - control_at[before]), np.inf)
    gap_after = np.where(control_case[after] == case, np.abs(at - control_at[after]), np.inf)
    nearest = np.where(gap_before <= gap_after, before, after)
    found = np.minimum(gap_before, gap_after) <= window_min
    return found, control_felt[nearest]


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
    # A reading stands for the nearest planned minute.
    middles = (planned[1:] + planned[:-1]) / 2
    slot = np.searchsorted(middles, target.minute)
    done = np.zeros((n_cases, planned.size), dtype=bool)
    done[target.case, slot] = True
    due = planned[None, :] <= end[:, None] + SAME_TIME
    return np.asarray((due & ~done).sum(axis=1), dtype=np.int64)
