from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.serialise import from_dict
from onsetstudy.inference.ranks import superiority_limits
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.summaries.probability_index import (
    _evenly_before,
    ordered_chances,
    probability_numb_sooner,
)
from tests.examples import examples
from tests.survival.build import cases, grid, inf, interval_rows


def sooner(times, arm, **kwargs):
    return probability_numb_sooner(times, arm, reference_arm="plain", **kwargs)


def test_exact_times_give_the_mann_whitney_share():
    chance = np.random.default_rng(4)
    buffered, plain = chance.integers(1, 9, 15).astype(float), chance.integers(2, 12, 12).astype(float)
    values = np.concatenate((buffered, plain))
    result = sooner(Intervals(values, values), ["buffered"] * 15 + ["plain"] * 12)
    # scipy counts pairs in which the first is greater, ties half.
    u = stats.mannwhitneyu(plain, buffered).statistic
    assert result.estimate == pytest.approx(u / (15 * 12), abs=1e-7)
    assert result.caution == ()
    assert result.contrast == "buffered before plain"
    assert from_dict(result.to_dict()) == result


def test_variance_on_exact_times_is_the_one_of_the_placements():
    # DeLong, DeLong & Clarke-Pearson 1988: variances of the mean placements of either arm.
    chance = np.random.default_rng(5)
    x, y = chance.exponential(2.0, 14), chance.exponential(3.0, 11)
    wins = (x[:, None] < y).astype(float)
    expected = math.sqrt(np.var(wins.mean(1), ddof=1) / 14 + np.var(wins.mean(0), ddof=1) / 11)
    values = np.concatenate((x, y))
    result = sooner(Intervals(values, values), ["buffered"] * 14 + ["plain"] * 11)
    assert result.std_error == pytest.approx(expected, rel=1e-5)


def test_on_a_schedule_ties_count_half_and_bounds_say_what_is_open():
    # buffered 5, 3, 2 and plain 2, 3, 5 in (0, 2], (2, 4], never.
    times, arm = cases(buffered=grid([5, 3, 2]), plain=grid([2, 3, 5]))
    result = sooner(times, arm)
    before = Fraction(5 * 8 + 3 * 5, 100)
    tied, never = Fraction(5 * 2 + 3 * 3, 100), Fraction(2 * 5, 100)
    assert result.estimate == pytest.approx(float(before + (tied + never) / 2), abs=1e-9)
    assert (
        f"between {float(before + never / 2):.2f} and {float(before + tied + never / 2):.2f}" in result.caution[0].text
    )
    assert result.interval.low < result.estimate < result.interval.high


def test_chance_of_overlapping_gaps_equals_numerical_integration():
    gaps = [(0, 2), (1, 4), (3, 3), (2, 2.5), (0, 5), (2.5, 6)]
    u = (np.arange(2000) + 0.5) / 2000
    for a, b in gaps:
        for c, d in gaps:
            x, y = a + (b - a) * u, c + (d - c) * u
            # Share of y above each x, by sorting; equal exact times count half.
            slow = np.mean(1 - (np.searchsorted(y, x, "left") + np.searchsorted(y, x, "right")) / 2 / u.size)
            fast = _evenly_before(*(np.array(v, dtype=float) for v in (a, b, c, d)))
            assert float(fast) == pytest.approx(slow, abs=6e-4)


def test_never_numb_comes_last_and_two_never_numb_tie():
    first, second = fit_npmle(Intervals([0, 6], [2, inf])), fit_npmle(Intervals([1, 6], [3, inf]))
    least, even, most = ordered_chances(first, second)
    # (0, 2] against (1, 3]: after it only if both lie in (1, 2] and in that order, 1/2 * 1/2 * 1/2.
    assert even.tolist() == [[7 / 8, 1], [0, 0.5]]
    assert least.tolist() == [[0, 1], [0, 0.5]]
    assert most.tolist() == [[1, 1], [0, 0.5]]


def test_shorter_follow_up_leaves_the_order_of_the_never_numb_open():
    early, late = fit_npmle(Intervals([0, 6], [2, inf])), fit_npmle(Intervals([0, 9], [2, inf]))
    least, even, most = ordered_chances(early, late)
    assert (least[1, 1], even[1, 1], most[1, 1]) == (0.5, 0.5, 1.0)
    least, even, most = ordered_chances(late, early)
    assert (least[1, 1], even[1, 1], most[1, 1]) == (0.0, 0.5, 0.5)


def test_arms_wholly_apart_have_an_honest_interval():
    times, arm = cases(buffered=grid([10, 0, 0]), plain=grid([0, 6, 6]))
    result = sooner(times, arm)
    assert result.estimate == 1
    assert result.std_error is None
    assert result.interval.high == 1
    # The lower limit solves (1 - p) = z sqrt(v(p)), v as Hanley & McNeil with the mean size 11.
    p = result.interval.low
    spread = 1 + 10 * ((1 - p) / (2 - p) + p / (1 + p))
    assert (1 - p) ** 2 == pytest.approx(stats.norm.ppf(0.975) ** 2 * p * (1 - p) * spread / 120, rel=1e-6)
    assert 0.6 < p < 0.9


def test_equal_arms_without_spread_are_even():
    times, arm = cases(buffered=[(0, 2, 8)], plain=[(0, 2, 8)])
    result = sooner(times, arm)
    assert result.estimate == pytest.approx(0.5)
    assert result.interval.low < 0.3
    assert result.interval.high > 0.7


@given(st.floats(0, 1), st.integers(2, 50), st.integers(2, 50))
def test_score_like_limits_mirror_and_enclose(chance, n, m):
    low, high = superiority_limits(chance, n, m, 0.95)
    back = superiority_limits(1 - chance, n, m, 0.95)
    assert 0 <= low <= chance <= high <= 1
    assert back == pytest.approx((1 - high, 1 - low), abs=1e-6)


def test_strata_are_averaged_by_their_share():
    one, one_arm = cases(buffered=grid([6, 3, 1]), plain=grid([2, 3, 5]))
    two, two_arm = cases(buffered=grid([2, 2, 1]), plain=grid([1, 2, 2]))
    times = Intervals(np.r_[one.left, two.left], np.r_[one.right, two.right])
    result = sooner(times, np.r_[one_arm, two_arm], stratum=np.repeat(["a", "b"], [20, 10]))
    parts = [sooner(one, one_arm).estimate, sooner(two, two_arm).estimate]
    assert result.estimate == pytest.approx(2 / 3 * parts[0] + parts[1] / 3)


def test_a_level_near_one_leaves_all_open_and_is_no_error():
    times, arm = Intervals([0, 2, 0, 4], [2, 4, 2, 6]), ["plain", "plain", "buffered", "buffered"]
    span = sooner(times, arm, conf_level=0.9999).interval
    assert (span.low, span.high) == pytest.approx((0.0, 1.0))


def test_cases_that_were_never_tested_narrow_no_limits():
    apart, mixed = Intervals([4, 4, 6, 0, 0, 1], [5, 5, 7, 1, 1, 2]), Intervals([4, 0, 6, 0, 5, 1], [5, 2, 7, 1, 6, 2])
    arm = ["plain"] * 3 + ["buffered"] * 3
    for times in (apart, mixed):
        more = Intervals(np.append(times.left, [0] * 60), np.append(times.right, [inf] * 60))
        one, other = sooner(times, arm), sooner(more, [*arm, *["plain", "buffered"] * 30])
        spans = [(each.interval.low, each.interval.high) for each in (one, other)]
        assert spans[0] == pytest.approx(spans[1], abs=1e-9)
    with pytest.raises(NotEstimable, match="fewer than two"):
        sooner(Intervals([1, 0, 1, 1], [2, inf, 2, 2]), ["plain", "plain", "buffered", "buffered"])


def test_a_third_arm_must_be_named():
    times, arm = cases(buffered=grid([6, 3, 1]), plain=grid([2, 3, 5]), warmed=grid([4, 4, 2]))
    with pytest.raises(OnsetStudyError, match=r"2 arms could be compared with 'plain': buffered, warmed\. Name one"):
        sooner(times, arm)
    two_times, two_arm = cases(buffered=grid([6, 3, 1]), plain=grid([2, 3, 5]))
    assert sooner(times, arm, contrast_arm="buffered") == sooner(two_times, two_arm)


def test_one_case_is_too_few():
    times, arm = cases(buffered=grid([1]), plain=grid([2, 3, 5]))
    with pytest.raises(NotEstimable, match="fewer than two cases"):
        sooner(times, arm)


@examples(300, usual=25)
@given(interval_rows(4))
def test_swapping_arms_gives_the_other_chance_and_time_scale_does_nothing(rows):
    arm = ["plain" if i % 2 else "buffered" for i in range(len(rows))]
    times = Intervals([a for a, _ in rows], [b for _, b in rows])
    result = sooner(times, arm)
    swapped = sooner(times, ["buffered" if a == "plain" else "plain" for a in arm])
    assert result.estimate == pytest.approx(1 - swapped.estimate, abs=1e-9)
    assert result.interval.low == pytest.approx(1 - swapped.interval.high, abs=1e-6)
    assert sooner(times.rescale(2.0), arm).estimate == pytest.approx(result.estimate, abs=1e-5)
    assert 0 <= result.interval.low <= result.estimate <= result.interval.high <= 1
