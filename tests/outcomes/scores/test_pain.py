from __future__ import annotations

import math
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import NotAvailable
from onsetstudy.core.serialise import from_dict
from onsetstudy.inference import ranks as module
from onsetstudy.outcomes.scores.pain import compare_pain


def compare(x, y, **options):
    return compare_pain(
        [*x, *y],
        ["buffered"] * len(x) + ["plain"] * len(y),
        reference_arm="plain",
        contrast_arm="buffered",
        moment="deposition",
        unit="mm",
        **options,
    )


def test_shift_and_test_of_the_published_example(reference):
    ref = reference("hollander_wolfe_1999_shift")
    x, y = (ref.data.loc[ref.data["sample"] == s, "value"] for s in "xy")
    result = compare(x, y)
    ref.check("w", result.test.statistic)
    ref.check("p_value", result.test.p_value)
    ref.check("shift", result.shift.estimate)
    ref.check("low", result.shift.interval.low)
    ref.check("high", result.shift.interval.high)


scores = st.lists(st.integers(0, 6), min_size=1, max_size=7)


@given(scores, scores)
def test_exact_p_value_is_the_share_of_all_arrangements(x, y):
    pooled = np.array([*x, *y], dtype=float)
    ranks = stats.rankdata(pooled)
    expected = len(x) * (len(pooled) + 1) / 2
    far = abs(ranks[: len(x)].sum() - expected) - 1e-9
    hits = [abs(ranks[list(c)].sum() - expected) >= far for c in combinations(range(len(pooled)), len(x))]
    _, p, _ = module.rank_sum_p_value(np.array(x, float), np.array(y, float))
    assert p == pytest.approx(np.mean(hits), abs=1e-12)


@given(scores, scores)
def test_differences_by_counts_equal_the_sorted_list(x, y):
    every = np.sort(np.subtract.outer(x, y).ravel())
    ranks = np.arange(1, every.size + 1)
    assert module.ordered_differences(np.array(x, float), np.array(y, float), ranks).tolist() == every.tolist()


def test_large_samples_find_the_same_differences_without_listing_them(monkeypatch):
    rng = np.random.default_rng(7)
    x, y = np.sort(rng.normal(size=60)), np.sort(rng.normal(size=50))
    ranks = np.array([1, 17, 1500, 3000])
    direct = module.ordered_differences(x, y, ranks)
    monkeypatch.setattr(module, "DIRECT_PAIRS", 0)
    assert module.ordered_differences(x, y, ranks) == pytest.approx(direct, abs=1e-12)


@pytest.mark.parametrize(("m", "n"), [(4, 4), (5, 9), (8, 7), (2, 9)])
def test_rank_of_the_limit_keeps_the_level(m, n):
    """Against the complete list of arrangements without ties."""
    sums = np.array([sum(c) for c in combinations(range(1, m + n + 1), m)]) - m * (m + 1) // 2
    rng = np.random.default_rng(10 * m + n)
    x, y = rng.normal(0.4, 1, m), rng.normal(size=n)
    every = np.sort(np.subtract.outer(x, y).ravel())
    low, high = module.rank_sum_limits(x, y, 0.05)
    q = int(np.argmin(np.abs(every - low))) + 1
    assert (low, high) == pytest.approx((every[q - 1], every[-q]))
    assert np.mean(sums <= q - 1) <= 0.025 < np.mean(sums <= q)


def test_swapping_the_arms_turns_the_sign():
    x, y = [10, 20, 20, 35, 50, 55], [15, 25, 40, 45, 60, 70]
    one, other = compare(x, y), compare(y, x)
    assert one.shift.estimate == -other.shift.estimate
    assert (one.shift.interval.low, one.shift.interval.high) == (-other.shift.interval.high, -other.shift.interval.low)
    assert one.superiority.estimate == pytest.approx(1 - other.superiority.estimate)
    assert one.test.p_value == other.test.p_value


tied = st.lists(st.integers(0, 3), min_size=5, max_size=14)


@given(tied, tied, st.sampled_from([0.8, 0.9, 0.95]))
def test_limits_leave_out_no_shift_where_the_test_rejects_and_nowhere_else(x, y, level):
    found = compare(x, y, conf_level=level)
    if isinstance(found.shift, NotAvailable):
        assert len(set(x)) == len(set(y)) == 1
        return
    low, high = found.shift.interval.low, found.shift.interval.high
    assert (low <= 0 <= high) == (found.test.p_value >= 1 - level)
    assert low <= found.shift.estimate <= high
    assert low < high
    turned = compare(y, x, conf_level=level).shift
    assert (turned.interval.low, turned.interval.high) == (-high, -low)


LEVELS = (0.8, 0.9, 0.95, 0.99)


def spans_of(found):
    """Limits of the shift at every level at which there are some."""
    return [(f.shift.interval.low, f.shift.interval.high) for f in found if not isinstance(f.shift, NotAvailable)]


@pytest.mark.parametrize("step", [1, 2, 5])
@pytest.mark.parametrize("n", [8, 30])
def test_limits_of_a_higher_level_hold_those_of_a_lower_one(n, step):
    """Scores of 0 to 10 in whole points, steps of two and of five, most of them alike."""
    rng = np.random.default_rng([n, step])
    for shift in (0, 0, 0, step, step, step, 2 * step):
        x, y = np.clip(step * np.rint(rng.normal(5, 1.3, (2, n)) / step) + [[0], [shift]], 0, 10)
        found = [compare(x, y, conf_level=level) for level in LEVELS]
        spans = spans_of(found)
        for (low, high), (lower, higher) in pairwise(spans):
            assert lower <= low < high <= higher
        for (low, high), each, level in zip(spans, found, LEVELS, strict=False):
            assert (low <= 0 <= high) == (each.test.p_value >= 1 - level)


def test_a_single_shift_that_is_not_rejected_narrows_no_limits_of_a_higher_level():
    """Of 30 an arm all gave 4 or 6: at 95 % only 0 is not rejected, at 99 % nor is what lies below it."""
    x, y = [4] * 14 + [6] * 16, [4] * 8 + [6] * 22
    spans = spans_of([compare(x, y, conf_level=level) for level in LEVELS])
    assert spans == [(-2, -0.2), (-2, 2), (-2, 2), (-2, 2)]


@pytest.mark.parametrize("n", [40, 70])
def test_words_of_many_cases_agree_with_their_p(n):
    rng = np.random.default_rng(n)
    for _ in range(15):
        found = compare(rng.choice(4, n, p=[0.3, 0.5, 0.15, 0.05]), rng.choice(4, n, p=[0.15, 0.55, 0.2, 0.1]))
        span = found.shift.interval
        assert (span.low <= 0 <= span.high) == (found.test.p_value >= 0.05)
        assert span.low < span.high


def test_a_shift_of_words_is_told_where_the_test_rejects_none():
    """None, mild, moderate: a third and two thirds, half of all pairs alike."""
    found = compare([0] * 12 + [1] * 26 + [2] * 2, [0] * 3 + [1] * 24 + [2] * 13)
    assert found.test.p_value < 0.05
    assert -1 <= found.shift.interval.low < found.shift.interval.high == -0.1
    assert found.shift.estimate == -0.1


def test_scores_that_are_all_alike_in_an_arm_have_no_certain_shift():
    found = compare([2] * 10, [7] * 10)
    assert found.shift.code == "scores_alike"
    assert found.test.p_value == pytest.approx(2 / math.comb(20, 10))


def test_many_scores_are_tried_in_part_and_agree(monkeypatch):
    rng = np.random.default_rng(11)
    x, y = rng.normal(0.4, 1, 80), rng.normal(size=90)
    whole = module.rank_sum_limits(x, y, 0.05)
    monkeypatch.setattr(module, "DIRECT_PAIRS", 400)
    assert module.rank_sum_limits(x, y, 0.05) == pytest.approx(whole, abs=0.05)
    # Without ties they are ordered differences, one beside those that a table without correction for steps names.
    rank = math.floor(80 * 90 / 2 - 1.959964 * math.sqrt(80 * 90 * 171 / 12))
    near = module.ordered_differences(x, y, np.array([rank - 1, rank + 1]))
    assert near[0] <= whole[0] <= near[1]


def test_missing_scores_are_counted_and_said():
    result = compare([1, 2, float("nan"), 4, 5], [2, 3, 4, 5, 6])
    assert result.n.onsets == 9
    assert [s.missing for s in result.scores] == [0, 1]
    assert result.caution[0].text == "1 of 10 cases have no score at deposition."


def test_an_arm_without_scores_gives_no_number():
    result = compare([float("nan")], [1, 2])
    assert isinstance(result.shift, NotAvailable)
    assert result.shift.reason == "one arm has no pain score"
    assert isinstance(result.test, NotAvailable)


def test_three_scores_an_arm_are_too_few_for_an_interval():
    result = compare([1, 2, 3], [4, 5, 6])
    assert isinstance(result.shift, NotAvailable)
    assert result.shift.code == "too_few_scores"


def test_complete_separation_gives_an_honest_one_sided_end():
    result = compare([0] * 10, [50] * 10)
    assert result.superiority.estimate == 1
    assert 0.6 < result.superiority.interval.low < 1
    assert result.superiority.interval.high == 1


@given(tied, tied, st.sampled_from(LEVELS))
def test_the_chance_of_less_pain_leaves_out_one_half_where_its_test_does_and_nowhere_else(x, y, level):
    found, turned = compare(x, y, conf_level=level), compare(y, x, conf_level=level)
    span, other = found.superiority.interval, turned.superiority.interval
    assert (span.low <= 0.5 <= span.high) == (found.test.p_value >= 1 - level)
    assert 0 <= span.low <= found.superiority.estimate <= span.high <= 1
    assert (other.low, other.high) == pytest.approx((1 - span.high, 1 - span.low), abs=1e-6)


def test_limits_of_the_chance_are_moved_only_where_they_contradict_the_test():
    """Words of 13 and 14 cases, most of them alike: 9.5 of 182 pairs, at 95 %, and scores without ties."""
    few = compare([0] * 12 + [1], [0] * 7 + [1] * 7)
    low, high = module.superiority_limits(few.superiority.estimate, 13, 14, 0.95)
    assert few.test.p_value < 0.05
    assert low < 0.5 < few.superiority.interval.low == 0.5 + 0.5 / (13 * 14)
    assert few.superiority.interval.high == high
    assert few.superiority.interval.method.endswith("at one half as in its test")
    plain = compare(range(20), range(5, 25))
    assert (plain.superiority.interval.low, plain.superiority.interval.high) == module.superiority_limits(
        plain.superiority.estimate, 20, 20, 0.95
    )
    assert plain.superiority.interval.method == "score-like, Mann-Whitney variance"


def test_what_converting_leaves_breaks_no_ties():
    """Three tenths as a sum and as themselves are one score, to the test as to its limits."""
    x, y = [0.1 + 0.2] * 6 + [0.4, 0.6], [0.3] * 6 + [0.4, 0.6]
    found = compare(x, y)
    assert found.test.p_value == 1
    assert found.superiority.estimate == 0.5
    assert found.shift.interval.low <= 0 == found.shift.estimate <= found.shift.interval.high


def test_unequal_lengths_are_refused():
    with pytest.raises(OnsetStudyError, match="arm has 2 entries for 1 cases"):
        compare_pain([1.0], ["a", "b"], reference_arm="a", contrast_arm="b", moment="deposition", unit="mm")


def test_result_survives_the_way_through_json():
    result = compare([1, 2, 3, 9, 11], [4, 5, 6, 7, 8])
    back = from_dict(result.to_dict())
    assert back.to_dict() == result.to_dict()
    assert back.to_frame().equals(result.to_frame())


def test_arms_are_told_whatever_they_are_called():
    found = compare_pain(
        [1, 2, 3, 4, 5, 6, 7, 8], ["a - b"] * 4 + ["plain"] * 4, reference_arm="plain", contrast_arm="a - b",
        moment="deposition", unit="mm",
    )  # fmt: skip
    assert found.test.arms == ("plain", "a - b")
    assert found.test.contrast == "a - b - plain"
