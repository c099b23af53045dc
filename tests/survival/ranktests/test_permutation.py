"""Rearranged labels: hand-enumerated fractions, brute force, scipy and R, and the drawing of arrangements."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu, permutation_test

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.ranktests.rank_scores import case_scores
from tests.examples import examples
from tests.survival.build import cases, inf, interval_rows
from tests.survival.ranktests.test_compare import random_cases


def exact(times, arm, **kwargs):
    kwargs.setdefault("reference_arm", sorted(set(np.asarray(arm).astype(str)))[0])
    return compare_arms(times, arm, method="permutation", **kwargs)


# --- by hand --------------------------------------------------------------------------------------------------------


def test_three_against_three_worked_to_fractions():
    # Scores 1/2 (three cases), -1/6 (two), -7/6 (one). Buffered has 1/2, 1/2, -1/6: sum 5/6.
    # Of the 20 ways to choose three: 1/2+1/2+1/2 = 3/2 (1 way), 1/2+1/2-1/6 = 5/6 (6), 1/2+1/2-7/6 = -1/6 (3),
    # 1/2-1/6-1/6 = 1/6 (3), 1/2-1/6-7/6 = -5/6 (6), -1/6-1/6-7/6 = -3/2 (1): 14 of 20 are at least 5/6 away from 0.
    times, arm = cases(plain=[(0, 1, 1), (1, 2, 1), (2, inf, 1)], buffered=[(0, 1, 2), (1, 2, 1)])
    ours = exact(times, arm, reference_arm="plain")
    assert ours.p_value == pytest.approx(14 / 20, abs=1e-12)
    assert ours.p_interval is None
    assert ours.method == "log-rank (Sun) scores; exact permutation test, all 20 arrangements"
    # The smallest P value that could have come out is 2/20.
    assert [c.text for c in ours.caution if c.code == "test_cannot_show"] == [
        "With so few cases the smallest P value that could have come out is 0.1: "
        "this test could not have shown any difference at the 5 % level."
    ]


def test_split_mouth_worked_by_hand():
    # Five patients, one side each: buffered numb in (0, 1], plain never. Only the order within patients may change:
    # 2 of 2^5 arrangements are as extreme, 2/32; without blocks 2 of 252 would be.
    times, arm = cases(plain=[(1, inf, 5)], buffered=[(0, 1, 5)])
    patient = [0, 1, 2, 3, 4] * 2
    within = exact(times, arm, reference_arm="plain", block=patient)
    assert within.p_value == pytest.approx(2 / 32, abs=1e-12)
    assert exact(times, arm, reference_arm="plain").p_value == pytest.approx(2 / 252, abs=1e-12)
    assert within.method.endswith("all 32 arrangements; labels change places within blocks")
    # Variance within blocks: each pair adds (difference of scores / 2)^2 * ... = (a - b)^2 / 4.
    high, low = case_scores(times).value[[-1, 0]]
    assert within.variance[0] == pytest.approx(5 * (high - low) ** 2 / 4, abs=1e-12)
    assert within.observed_minus_expected[0] == pytest.approx(5 * (high - low) / 2, abs=1e-12)


def test_whole_clusters_worked_by_hand():
    # Four clinicians of three cases, two per arm: 6 arrangements, 2 as extreme as complete separation.
    times, arm = cases(plain=[(1, inf, 6)], buffered=[(0, 1, 6)])
    ours = exact(times, arm, reference_arm="plain", cluster=np.repeat(["a", "b", "c", "d"], 3))
    assert ours.p_value == pytest.approx(2 / 6, abs=1e-12)
    assert ours.method.endswith("all 6 arrangements; whole clusters change places")


def test_three_arms_worked_by_hand():
    # Three arms of one case each in three gaps: all 6 arrangements are equally far: P = 1.
    times, arm = cases(a=[(0, 1, 1)], b=[(1, 2, 1)], c=[(2, 3, 1)])
    assert exact(times, arm).p_value == 1.0
    # A trend along a, b, c: 2 of 6 arrangements are as extreme as perfect order.
    trend = exact(times, arm, trend={"a": 2.0, "b": 1.0, "c": 0.0}, scores="wilcoxon")
    assert trend.p_value == pytest.approx(2 / 6, abs=1e-12)
    assert trend.statistic > 0  # the higher score had onset sooner


# --- outside --------------------------------------------------------------------------------------------------------


def test_untied_exact_times_give_the_exact_rank_sum_test():
    rng = np.random.default_rng(11)
    time = rng.permutation(np.arange(1.0, 18.0))
    arm = np.array(["a"] * 8 + ["b"] * 9)
    ours = exact(Intervals(time, time), arm, scores="wilcoxon")
    outside = mannwhitneyu(time[:8], time[8:], method="exact")
    assert ours.p_value == pytest.approx(outside.pvalue, abs=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_complete_enumeration_equals_scipy(seed):
    times, arm = random_cases(seed, 14)
    score = case_scores(times).value
    score = score - score.mean()
    observed = abs(score[arm == "arm1"].sum())

    def statistic(x, y, axis):
        # Sums that differ by rounding only are ties.
        sums = np.abs(np.sum(x, axis=axis))
        return np.where(np.isclose(sums, observed, rtol=0, atol=1e-9), observed, sums)

    chosen = arm == "arm1"
    outside = permutation_test(
        (score[chosen], score[~chosen]),
        statistic,
        permutation_type="independent",
        n_resamples=np.inf,
        alternative="greater",
        vectorized=True,
    )
    assert exact(times, arm).p_value == pytest.approx(outside.pvalue, abs=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_pairs_equal_scipy(seed):
    times, _ = random_cases(seed, 20)
    arm = np.tile(["arm0", "arm1"], 10)
    score = case_scores(times).value
    outside = permutation_test(
        (score[1::2], score[::2]),
        lambda x, y, axis: np.abs(np.sum(x - y, axis=axis)),
        permutation_type="samples",
        n_resamples=np.inf,
        alternative="greater",
        vectorized=True,
    )
    assert exact(times, arm, block=np.repeat(np.arange(10), 2)).p_value == pytest.approx(outside.pvalue, abs=1e-12)


@pytest.mark.parametrize("kind", ["logrank", "finkelstein", "wilcoxon"])
def test_drawn_p_values_agree_with_those_of_r(reference, kind):
    ref = reference("interval_cosmesis_tests")
    ours = exact(
        Intervals(ref.data["left"], ref.data["right"]),
        ref.data["treatment"],
        reference_arm="Rad",
        scores=kind,
        seed=20240,
        n_resamples=49_999,
    )
    # Both are drawn: within three standard errors of their difference.
    theirs = ref.value(f"{kind}_drawn_p")
    assert abs(ours.p_value - theirs) < 3 * math.sqrt(2 * theirs * (1 - theirs) / 50_000)
    assert ours.p_interval.low < ref.value(f"{kind}_drawn_high")
    assert ours.p_interval.high > ref.value(f"{kind}_drawn_low")


# --- brute force ----------------------------------------------------------------------------------------------------


def naive_p(times, arm, group, unit):
    """Every arrangement of the labels of units within groups, one by one; chi-square of all arms."""
    score = case_scores(times).value
    names = sorted(set(arm))
    units = sorted(set(unit))
    total = np.array([score[unit == u].sum() for u in units])
    label = np.array([arm[unit == u][0] for u in units])
    place = np.array([group[unit == u][0] for u in units])
    blocks = [np.flatnonzero(place == g) for g in sorted(set(place))]
    sums = []
    for choice in itertools.product(*(list(itertools.permutations(label[b])) for b in blocks)):
        moved = label.copy()
        for b, names_here in zip(blocks, choice, strict=True):
            moved[b] = names_here
        sums.append([total[moved == name].sum() for name in names[1:]])
    sums = np.array(sums)
    middle = sums.mean(axis=0)
    inverse = np.linalg.pinv(np.atleast_2d(np.cov(sums.T, bias=True)), rcond=1e-9)
    seen = np.array([total[label == name].sum() for name in names[1:]]) - middle
    far = np.einsum("ri,ij,rj->r", sums - middle, inverse, sums - middle)
    observed = seen @ inverse @ seen
    return float(np.mean(far >= observed * (1 - 1e-9) - 1e-12)), observed


@pytest.mark.parametrize("arms", [2, 3])
def test_strata_and_blocks_equal_brute_force(arms):
    times, arm = random_cases(7 + arms, 12, arms=arms)
    block = np.repeat(np.arange(3), 4)
    p_value, chi_square = naive_p(times, arm, block, np.arange(12))
    ours = exact(times, arm, block=block)
    assert ours.p_value == pytest.approx(p_value, abs=1e-9)
    # Mean and covariance over all arrangements are those of the formula.
    assert (ours.statistic**2 if arms == 2 else ours.statistic) == pytest.approx(chi_square, rel=1e-8)


def test_clusters_within_blocks_equal_brute_force():
    times, _ = random_cases(3, 24)
    cluster = np.repeat(np.arange(12), 2)
    arm = np.repeat(np.tile(["arm0", "arm1", "arm1", "arm0"], 3), 2)
    block = np.repeat(np.arange(3), 8)
    p_value, chi_square = naive_p(times, arm, block, cluster)
    ours = exact(times, arm, block=block, cluster=cluster)
    assert ours.p_value == pytest.approx(p_value, abs=1e-9)
    assert ours.statistic**2 == pytest.approx(chi_square, rel=1e-8)


@examples(300, usual=25)
@given(rows=interval_rows(min_size=4, max_size=8), seed=st.integers(0, 99))
def test_ties_and_merging_leave_the_distribution_as_it_is(rows, seed):
    arm = np.random.default_rng(seed).permutation(np.array(["arm0", "arm1"])[np.arange(len(rows)) % 2])
    times = Intervals([a for a, _ in rows], [b for _, b in rows])
    if np.any((times.left == 0) & np.isinf(times.right)):
        return
    try:
        ours = exact(times, arm)
    except NotEstimable:
        return
    p_value, _ = naive_p(times, arm, np.zeros(len(rows)), np.arange(len(rows)))
    assert ours.p_value == pytest.approx(p_value, abs=1e-9)


def test_weights_are_as_many_cases():
    times, arm = random_cases(5, 9)
    weight = np.array([2, 1, 1, 3, 1, 2, 1, 1, 1])
    split = np.repeat(np.arange(9), weight)
    counted = exact(times, arm, weight=weight)
    assert counted.p_value == pytest.approx(exact(times.take(split), arm[split]).p_value, abs=1e-12)
    drawn = exact(times, arm, weight=weight, max_enumeration=1, seed=3, n_resamples=20_000)
    assert drawn.p_interval.low < counted.p_value < drawn.p_interval.high


# --- drawn ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "restriction",
    [
        {},
        {"stratum": np.arange(16) % 2},
        {"block": np.arange(16) // 4},
        {"cluster": np.arange(16) // 2},
        {"trend": {"arm0": 0.0, "arm1": 1.0}},
    ],
)
def test_drawn_agrees_with_complete(restriction):
    times, _ = random_cases(21, 16)
    arm = np.repeat(np.tile(["arm0", "arm1"], 4), 2)
    complete = exact(times, arm, **restriction)
    drawn = exact(times, arm, max_enumeration=1, seed=5, n_resamples=40_000, **restriction)
    assert complete.p_interval is None
    assert drawn.p_interval is not None
    error = math.sqrt(complete.p_value * (1 - complete.p_value) / 40_000)
    assert abs(drawn.p_value - complete.p_value) < 4 * error + 1 / 40_000
    assert drawn.statistic == pytest.approx(complete.statistic, rel=1e-12)


def test_three_arms_drawn_agree_with_complete():
    times, arm = random_cases(22, 12, arms=3)
    complete = exact(times, arm)
    drawn = exact(times, arm, max_enumeration=1, seed=5, n_resamples=40_000)
    error = math.sqrt(complete.p_value * (1 - complete.p_value) / 40_000)
    assert abs(drawn.p_value - complete.p_value) < 4 * error


def test_a_seed_draws_the_same():
    times, arm = random_cases(23, 400)
    one = exact(times, arm, seed=9)
    assert one == exact(times, arm, seed=9)
    assert one.p_value != exact(times, arm, seed=10).p_value


def test_the_observed_arrangement_counts_and_p_is_never_zero():
    times, arm = cases(plain=[(5, inf, 40)], buffered=[(0, 1, 40)])
    ours = exact(times, arm, reference_arm="plain", seed=1, n_resamples=999, max_enumeration=1)
    assert ours.p_value == 1 / 1000
    assert (ours.p_interval.low, ours.p_interval.high) == (0.0, pytest.approx(1 - 0.025 ** (1 / 999), rel=1e-9))


def test_large_but_tied_studies_are_gone_through_completely():
    # 60 cases in four cells: C(60, 30) arrangements, but few distinct tables.
    times, arm = cases(
        plain=[(0, 2, 8), (2, 4, 8), (4, 6, 6), (6, inf, 8)], buffered=[(0, 2, 14), (2, 4, 8), (4, 6, 5), (6, inf, 3)]
    )
    ours = exact(times, arm, reference_arm="plain")
    assert ours.p_interval is None
    assert "all about 1e17 arrangements" in ours.method
    drawn = exact(times, arm, reference_arm="plain", max_enumeration=1, seed=2, n_resamples=40_000)
    assert drawn.p_interval.low < ours.p_value < drawn.p_interval.high
