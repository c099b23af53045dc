from __future__ import annotations

import numpy as np
import pytest

from onsetstudy.core.cases import Cases
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.summaries.duration import compare_durations, duration_intervals, fit_duration
from tests.survival.build import inf

nan = np.nan


def test_duration_lies_between_the_nearest_and_the_farthest_ends():
    onset = Intervals([2, 0, 4, 6], [4, 2, 4, inf])
    # Return in (40, 45], not by 60, exactly at 50; never numb.
    durations, used = duration_intervals(onset, [40, 60, 50, nan], [45, inf, 50, nan])
    assert used.tolist() == [True, True, True, False]
    assert durations.left.tolist() == [36, 58, 46]
    assert durations.right.tolist() == [43, inf, 46]


def test_a_known_onset_gives_the_curve_of_the_return_itself():
    onset = Intervals([2.0] * 6, [2.0] * 6)
    left, right = np.array([20, 25, 30, 30, 35, 40.0]), np.array([25, 30, 35, 35, 40, inf])
    curve, plain = fit_duration(onset, left, right), fit_npmle(Intervals(left - 2, right - 2))
    assert curve.mass.tolist() == plain.mass.tolist()
    assert curve.left.tolist() == plain.left.tolist()
    assert [c.code for c in curve.caution] == ["duration_gap"]
    assert any(a.name == "reduced_duration" for a in curve.assumptions)


@pytest.mark.parametrize("many", [1, 2_000_000_000])
def test_the_middle_gap_of_counted_cases_is_found_without_copies(many):
    onset = Cases(Intervals([2.0] * 4, [2.0] * 4), weight=[3 * many, many, many, many])
    (caution,) = fit_duration(onset, [20, 30, 40, 50], [24, 36, 48, 60]).caution
    assert "within 5 min in the middle case" in caution.text


def test_those_never_numb_are_counted_out_loud():
    onset = Intervals([2, 2, 6], [2, 2, inf])
    curve = fit_duration(onset, [20, 25, nan], [25, 30, nan])
    assert "1 of 3 cases never became numb" in curve.caution[0].text
    assert curve.n.cases == 2


def test_comparison_is_that_of_the_reduced_intervals():
    chance = np.random.default_rng(8)
    n = 40
    arm = np.where(np.arange(n) % 2, "buffered", "plain")
    begin = np.floor(chance.uniform(0, 6, n))
    onset = Intervals(begin, np.where(np.arange(n) < 3, inf, begin + 1))
    left = np.floor(begin + np.where(arm == "plain", 45, 30) + chance.uniform(0, 15, n)) + 1
    test = compare_durations(onset, left, left + 5, arm, reference_arm="plain", stratum=["s"] * n)
    used = np.arange(n) >= 3
    twin = compare_arms(
        Intervals(left - begin - 1, left + 5 - begin).take(used), arm[used], reference_arm="plain", stratum=["s"] * 37
    )
    assert test.statistic == twin.statistic
    assert test.p_value == twin.p_value
    assert test.quantity == "duration_test"
    # Sensation returns sooner in the buffered arm of these data.
    assert test.statistic > 3
    assert "reduced to intervals" in test.method


def test_all_faults_are_named_at_once():
    onset = Intervals([2, 2, 2], [4, 4, 4])
    with pytest.raises(OnsetStudyError) as caught:
        duration_intervals(onset, [nan, 3, 20], [nan, 9, 10])
    assert [p.what for p in caught.value.problems] == [
        "case 0 (counted from 0) has no interval of return although it became numb",
        "case 1 (counted from 0) has sensation back before it was seen numb",
        "case 2 (counted from 0) has a return that ends before it begins",
    ]
    with pytest.raises(OnsetStudyError, match="must be 3 numbers each"):
        duration_intervals(onset, [5], [6])


def test_minutes_written_as_text_are_refused():
    with pytest.raises(OnsetStudyError, match="loss_left holds '40'"):
        fit_duration(Intervals([2, 4], [4, 6]), ["40", "50"], [45, 55])


def test_nobody_numb_is_not_estimable():
    onset = Intervals([6, 6], [inf, inf])
    with pytest.raises(NotEstimable, match="no case became numb"):
        fit_duration(onset, [nan, nan], [nan, nan])
    with pytest.raises(NotEstimable, match="no case became numb"):
        compare_durations(onset, [nan, nan], [nan, nan], ["a", "b"], reference_arm="a")
