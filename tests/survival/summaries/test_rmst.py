from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Result
from onsetstudy.core.serialise import from_dict
from onsetstudy.survival.curve import functionals
from onsetstudy.survival.curve.functionals import functional_bounds, functional_variance, observed_information
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.summaries.rmst import estimate_rmst, waits_of_masses
from tests.examples import examples
from tests.survival.build import cases, grid, inf, interval_rows


def limits(estimate):
    return estimate.interval.low, estimate.interval.high


@pytest.mark.parametrize("tau", [10, 20, 23])
def test_right_censored_times_give_the_area_under_kaplan_meier(reference, tau):
    ref = reference("survrm2_freireich_rmst")
    times = Intervals(ref.data["time"], np.where(ref.data["status"] == 1, ref.data["time"], inf))
    result = estimate_rmst(times, ref.data["trt"], reference_arm="placebo", tau_min=tau, small_sample=False)
    for arm in result.arms:
        ref.check(f"tau {tau} {arm.contrast} mean", arm.estimate)
        ref.check(f"tau {tau} {arm.contrast} se", arm.std_error)
        ref.check(f"tau {tau} {arm.contrast} low", arm.interval.low)
        ref.check(f"tau {tau} {arm.contrast} high", arm.interval.high)
    for name, contrast in (("diff", result.difference), ("ratio", result.ratio)):
        ref.check(f"tau {tau} {name}", contrast.estimate)
        ref.check(f"tau {tau} {name} low", contrast.interval.low)
        ref.check(f"tau {tau} {name} high", contrast.interval.high)


def test_right_censored_times_with_ties_and_many_cases(reference):
    ref = reference("survrm2_lung_rmst")
    times = Intervals(ref.data["time"], np.where(ref.data["st"] == 1, ref.data["time"], inf))
    result = estimate_rmst(times, ref.data["sex"], reference_arm="1", tau_min=600, small_sample=False)
    for name, arm in (("arm0", result.arms[0]), ("arm1", result.arms[1])):
        ref.check(f"{name} mean", arm.estimate)
        ref.check(f"{name} se", arm.std_error)
    ref.check("diff", result.difference.estimate)
    ref.check("diff low", result.difference.interval.low)
    ref.check("diff high", result.difference.interval.high)
    ref.check("ratio low", result.ratio.interval.low)
    ref.check("ratio high", result.ratio.interval.high)


def test_on_a_schedule_it_is_the_t_interval_of_the_midpoints():
    # 12 plain: 3, 4, 2 in the gaps of two minutes, 3 never: (3*1 + 4*3 + 2*5 + 3*6) / 12 = 43/12.
    times, arm = cases(plain=grid([3, 4, 2, 3]), buffered=grid([7, 2, 1, 2]))
    result = estimate_rmst(times, arm, reference_arm="plain", tau_min=6)
    plain, buffered = result.arms
    assert plain.estimate == pytest.approx(43 / 12, abs=1e-9)
    assert buffered.estimate == pytest.approx((7 + 6 + 5 + 12) / 12, abs=1e-9)
    waits = np.repeat([1, 3, 5, 6], [3, 4, 2, 3]), np.repeat([1, 3, 5, 6], [7, 2, 1, 2])
    welch = stats.ttest_ind(waits[1], waits[0], equal_var=False).confidence_interval()
    assert limits(result.difference) == pytest.approx((welch.low, welch.high), abs=1e-7)
    assert plain.std_error == pytest.approx(np.std(waits[0]) / math.sqrt(12), abs=1e-9)
    # Each arm on the logit of its share of six minutes: error times the derivative 6 / (m (6 - m)).
    m = 43 / 12
    half = stats.t.ppf(0.975, 11) * stats.sem(waits[0]) * 6 / (m * (6 - m))
    own = 6 / (1 + math.exp(half) * (6 - m) / m), 6 / (1 + math.exp(-half) * (6 - m) / m)
    assert limits(plain) == pytest.approx(own, abs=1e-7)
    assert result.difference.estimate < 0
    assert (plain.unit, result.difference.unit, result.ratio.unit) == ("min", "min", "ratio")
    assert [(a.cases, a.onsets) for a in result.n.by_arm] == [(12, 9), (12, 10)]


def test_a_case_never_tested_adds_nothing():
    times, arm = cases(plain=grid([3, 4, 2, 3]), buffered=grid([7, 2, 1, 2]))
    more, more_arm = cases(plain=[*grid([3, 4, 2, 3]), (0, inf, 4)], buffered=grid([7, 2, 1, 2]))
    one, two = (estimate_rmst(t, a, reference_arm="plain", tau_min=6) for t, a in ((times, arm), (more, more_arm)))
    assert one.difference.std_error == pytest.approx(two.difference.std_error, rel=1e-6)
    assert limits(one.difference) == pytest.approx(limits(two.difference), rel=1e-6)


def test_bounds_put_onset_at_either_end_of_every_gap():
    times, arm = cases(plain=grid([3, 4, 2, 3]), buffered=grid([7, 2, 1, 2]))
    result = estimate_rmst(times, arm, reference_arm="plain", tau_min=6)
    low, high = (0 * 3 + 2 * 4 + 4 * 2 + 6 * 3) / 12, (2 * 3 + 4 * 4 + 6 * 2 + 6 * 3) / 12
    assert (result.bounds[0].low, result.bounds[0].high) == pytest.approx((low, high))
    assert result.bounds[2].contrast == "buffered - plain"
    assert result.bounds[2].low == pytest.approx(result.bounds[1].low - high)
    assert result.bounds[2].high == pytest.approx(result.bounds[1].high - low)
    assert [c.code for c in result.caution] == ["between_tests", "between_tests"]
    assert f"between {low:.2f} and {high:.2f} min" in result.caution[0].text


def test_exactly_known_times_leave_nothing_open():
    times = Intervals([1, 2, 4, 2, 3, 3], [1, 2, 4, 2, 3, inf])
    result = estimate_rmst(times, ["p", "p", "p", "b", "b", "b"], reference_arm="p", tau_min=3)
    assert result.caution == ()
    assert all(b.low == pytest.approx(b.high) for b in result.bounds)
    assert result.arms[0].estimate == pytest.approx((1 + 2 + 3) / 3)


def test_a_gap_cut_by_the_horizon_waits_partly_to_the_horizon():
    # Evenly in (4, 8], horizon 6: half wait 5 on average, half 6.
    curve = fit_npmle(Intervals([0, 4, 9], [2, 8, inf]))
    low, even, high = waits_of_masses(curve, 6.0)
    assert low.tolist() == [0, 4, 6]
    assert even.tolist() == [1, 5.5, 6]
    assert high.tolist() == [2, 6, 6]


def numerical_twin(times, value):
    """Variance of sum(mass * value) from a numerical Hessian of the log-likelihood in free masses."""
    curve = fit_npmle(times)
    covers = np.array(
        [
            [
                (a <= cl and cr <= b) and not (cl == cr == a and a < b)
                for cl, cr in zip(curve.left, curve.right, strict=True)
            ]
            for a, b in zip(times.left, times.right, strict=True)
        ],
        dtype=float,
    )
    free = curve.mass[:-1]

    def log_likelihood(m):
        return float(np.sum(np.log(covers @ np.append(m, 1 - m.sum()))))

    k, step = free.size, 1e-4
    hessian = np.empty((k, k))
    for i in range(k):
        for j in range(k):
            e, f = np.eye(k)[i] * step, np.eye(k)[j] * step
            hessian[i, j] = (
                log_likelihood(free + e + f)
                - log_likelihood(free + e - f)
                - log_likelihood(free - e + f)
                + log_likelihood(free - e - f)
            ) / (4 * step**2)
    gradient = value(curve)[:-1] - value(curve)[-1]
    return float(gradient @ np.linalg.solve(-hessian, gradient))


def test_variance_with_missed_tests_equals_a_numerical_hessian():
    times, _ = cases(p=[(0, 2, 6), (2, 4, 8), (0, 4, 3), (4, 6, 4), (2, 6, 3), (6, inf, 5), (2, inf, 2)])

    def waits(curve):
        return waits_of_masses(curve, 6.0)[1]

    curve = fit_npmle(times)
    assert functional_variance(times, curve, waits(curve)) == pytest.approx(numerical_twin(times, waits), rel=1e-4)


def test_information_times_the_masses_is_n_everywhere():
    times, _ = cases(p=[(0, 2, 6), (2, 4, 8), (0, 4, 3), (3, 3, 2), (4, 6, 4), (2, 6, 3), (6, inf, 5)])
    curve = fit_npmle(times)
    assert observed_information(times, curve) @ curve.mass == pytest.approx(len(times), rel=1e-6)


def test_variance_without_the_matrix_equals_the_one_with_it(monkeypatch):
    chance = np.random.default_rng(11)
    onset, stop = chance.weibull(1.5, 200) * 5, chance.uniform(3, 20, 200)
    seen = onset <= stop
    right_censored = Intervals(np.minimum(onset, stop), np.where(seen, onset, inf))
    visits = np.cumsum(chance.uniform(0.5, 1.5, (200, 20)), axis=1)
    gaps = Intervals(
        np.where(visits < onset[:, None], visits, 0).max(axis=1),
        np.where(visits >= onset[:, None], visits, inf).min(axis=1),
    )
    for times in (right_censored, gaps):
        curve = fit_npmle(times)
        value = waits_of_masses(curve, 8.0)[1]
        whole = functional_variance(times, curve, value)
        monkeypatch.setattr(functionals, "_DENSE", 0)
        assert functional_variance(times, curve, value) == pytest.approx(whole, rel=1e-8)
        monkeypatch.undo()


def test_undetermined_masses_widen_the_bounds():
    # Cases (0, 2], (2, 4], (1, 3] with a quarter in each minute: their chances stay 1/2 for (a, 1/2 - a, a, 1/2 - a).
    times = Intervals([0, 2, 1], [2, 4, 3])
    curve = fit_npmle(Intervals([0, 1, 2, 3], [1, 2, 3, 4]))
    fixed = functional_bounds(times, curve, curve.left, curve.right)
    assert fixed == pytest.approx((1.5, 2.5), abs=1e-7)
    loose = functional_bounds(times, replace(curve, determined=np.zeros(4)), curve.left, curve.right)
    # Sum of left ends 2 - 2a, of right ends 3 - 2a, with a from 0 to 1/2.
    assert loose == pytest.approx((1.0, 3.0), abs=1e-7)


def test_testing_that_stops_just_before_the_horizon_is_carried_and_said():
    times, arm = cases(plain=[*grid([3, 4, 2])[:2], (14, inf, 2)], buffered=grid([2] * 9))
    result = estimate_rmst(times, arm, reference_arm="plain", tau_min=15)
    assert result.arms[0].estimate == pytest.approx((3 * 1 + 4 * 3 + 2 * 15) / 9)
    assert [c.code for c in result.arms[0].caution] == ["between_tests", "last_test_before_minute"]
    assert "2 cases last felt less than one usual gap before it" in result.arms[0].caution[1].text
    asked = estimate_rmst(times, arm, reference_arm="plain", tau_min=15, grace_min=3)
    assert "nobody felt the cold at 15 min or later; 2 cases last felt at most 3 min" in asked.arms[0].caution[1].text
    # At the earliest they became numb right after the test at 14.
    assert result.bounds[0].low == pytest.approx((3 * 0 + 4 * 2 + 2 * 14) / 9)


def test_a_curve_that_ends_before_the_horizon_is_not_estimable():
    times, arm = cases(plain=[(0, 2, 3), (2, 4, 4), (6, inf, 2)], buffered=grid([2] * 9))
    with pytest.raises(
        NotEstimable, match=r"in the arm plain onset is known up to 6 min only, with 22% not yet numb"
    ) as caught:
        estimate_rmst(times, arm, reference_arm="plain", tau_min=15)
    assert caught.value.code == "curve_undefined"
    close = cases(plain=[(0, 2, 3), (2, 4, 4), (14, inf, 2)], buffered=grid([2] * 9))
    with pytest.raises(NotEstimable):
        estimate_rmst(*close, reference_arm="plain", tau_min=15, grace_min=0)


def test_all_numb_at_the_first_test_gives_a_cautious_interval_and_no_error():
    times, arm = cases(plain=grid([20]), buffered=grid([12, 8, 0]))
    times = Intervals(times.left, np.where(arm == "plain", 2.0, times.right))
    result = estimate_rmst(times, arm, reference_arm="plain", tau_min=6)
    plain = result.arms[0]
    z2 = stats.norm.ppf(0.975) ** 2
    outside = z2 / (20 + z2)
    assert plain.std_error is None
    assert limits(plain) == pytest.approx((1 - outside * 1, 1 + outside * 5))
    assert result.difference.std_error is None
    assert result.difference.interval.high - result.difference.interval.low > plain.interval.high - plain.interval.low
    assert any(c.code == "no_spread" for c in result.caution)
    both = estimate_rmst(Intervals([0] * 8, [2] * 8), ["p", "b"] * 4, reference_arm="p", tau_min=6)
    assert both.difference.estimate == 0
    assert both.difference.interval.low < -1
    assert both.difference.interval.high > 1


def test_an_arm_without_a_case_at_the_horizon_allows_for_one_more():
    """12 numb by minute 6 wait 17/6 min on average; a thirteenth case that waits 8 min would lengthen that."""
    times, arm = cases(plain=grid([3, 7, 2, 0]), buffered=grid([5, 3, 2, 2]))
    times = Intervals(times.left, np.where(np.isinf(times.right), 8.0, times.right))
    result = estimate_rmst(times, arm, reference_arm="plain", tau_min=8)
    waits = np.repeat([1, 3, 5], [3, 7, 2]), np.repeat([1, 3, 5, 7], [5, 3, 2, 2])
    more = [np.mean([*w, 8]) - np.mean(w) for w in waits]
    assert more[0] == pytest.approx((8 - 17 / 6) / 13)
    welch = stats.ttest_ind(waits[1], waits[0], equal_var=False).confidence_interval()
    half, value = (welch.high - welch.low) / 2, result.difference.estimate
    by_hand = value - math.hypot(half, more[0]), value + math.hypot(half, more[1])
    assert limits(result.difference) == pytest.approx(by_hand, abs=1e-7)
    assert "one case more at the horizon where an arm has none there" in result.difference.interval.method
    assert result.difference.std_error == pytest.approx(half / stats.t.ppf(0.975, 21) * math.sqrt(11 / 12), rel=0.02)
    # Of one arm on the logit, longer waits only.
    plain, (low, high) = result.arms[0].estimate, limits(result.arms[0])
    logit = [math.log(x / (8 - x)) for x in (low, plain, high)]
    usual = stats.t.ppf(0.975, 11) * stats.sem(waits[0])
    assert (logit[2] - logit[1]) / (logit[1] - logit[0]) == pytest.approx(math.hypot(usual, more[0]) / usual)
    assert (logit[1] - logit[0]) == pytest.approx(usual * 8 / (plain * (8 - plain)))


def test_one_case_at_the_horizon_is_enough_and_strata_have_one_between_them():
    rows, arm = cases(plain=grid([3, 7, 2, 0]), buffered=grid([5, 3, 2, 2]))
    stratum = np.resize(["a", "b"], len(arm))
    for at_horizon in (False, True):
        right = np.where(np.isinf(rows.right), 8.0, rows.right)
        left = rows.left.copy()
        if at_horizon:  # one case of each arm
            last = [np.flatnonzero(arm == name)[-1] for name in ("plain", "buffered")]
            left[last], right[last] = 8.0, inf
        found = estimate_rmst(Intervals(left, right), arm, reference_arm="plain", tau_min=8, stratum=stratum)
        assert ("one case more" in found.difference.interval.method) is not at_horizon
        span, value = found.difference.interval, found.difference.estimate
        assert (span.high - value == pytest.approx(value - span.low)) is at_horizon


def test_strata_are_weighted_by_their_share_of_all_cases():
    one, one_arm = cases(buffered=grid([8, 6, 6]), plain=grid([4, 6, 10]))
    two, two_arm = cases(buffered=grid([2, 4, 4]), plain=grid([1, 4, 5]))
    times = Intervals(np.r_[one.left, two.left], np.r_[one.right, two.right])
    arm, stratum = np.r_[one_arm, two_arm], np.repeat(["a", "b"], [40, 20])
    result = estimate_rmst(times, arm, reference_arm="plain", tau_min=4, stratum=stratum)
    parts = [
        estimate_rmst(t, a, reference_arm="plain", tau_min=4).difference for t, a in ((one, one_arm), (two, two_arm))
    ]
    assert result.difference.estimate == pytest.approx(2 / 3 * parts[0].estimate + 1 / 3 * parts[1].estimate)
    assert result.difference.std_error == pytest.approx(
        math.hypot(2 / 3 * parts[0].std_error, 1 / 3 * parts[1].std_error)
    )
    # Smaller than either: a weighted mean of independent parts.
    assert result.difference.std_error < min(p.std_error for p in parts)


def test_a_bootstrap_agrees_with_the_information():
    """Cases of each arm drawn anew 300 times: how many of them onset is known of in each gap."""
    kinds, arm = cases(plain=grid([1, 1, 1, 1]), buffered=grid([1, 1, 1, 1]))
    counted = np.array([8, 10, 6, 6, 14, 8, 4, 4])
    found = estimate_rmst(kinds, arm, weight=counted, reference_arm="plain", tau_min=6)
    rng, differences = np.random.default_rng(7), []
    for _ in range(300):
        drawn = np.concatenate([rng.multinomial(each.sum(), each / each.sum()) for each in np.split(counted, 2)])
        again = estimate_rmst(kinds, arm, weight=drawn, reference_arm="plain", tau_min=6)
        differences.append(again.difference.estimate)
    # Standard error of a bootstrap error from 300 samples: about 1 / sqrt(600) = 4 %.
    assert np.std(differences, ddof=1) == pytest.approx(found.difference.std_error, rel=0.12)


def test_levels_near_one_leave_wide_limits_and_no_error():
    times, arm = Intervals([0, 2, 0, 4], [2, 4, 2, 6]), ["plain", "plain", "buffered", "buffered"]
    found = estimate_rmst(times, arm, reference_arm="plain", tau_min=8, conf_level=0.999999)
    assert limits(found.arms[0]) == pytest.approx((0.0, 8.0))
    assert limits(found.difference) == (-8.0, 8.0)
    assert limits(found.ratio) == pytest.approx((0.0, math.inf))


def test_minutes_below_0_are_refused():
    times, arm = cases(plain=grid([2, 2]), buffered=grid([2, 2]))
    with pytest.raises(OnsetStudyError) as caught:
        estimate_rmst(times, arm, reference_arm="plain", tau_min=-1)
    assert [p.code for p in caught.value.problems] == ["tau_min"]


def test_result_speaks_the_common_language():
    times, arm = cases(plain=grid([3, 4, 2, 3]), c=grid([3, 3, 3, 3]), b=grid([7, 2, 1, 2]))
    result = estimate_rmst(times, arm, reference_arm="plain", tau_min=6)
    assert isinstance(result, Result)
    assert from_dict(result.to_dict()) == result
    assert [e.contrast for e in result.more] == ["c - plain"]
    assert len(result.bounds) == 5


def estimable(rows, arm, tau, **kwargs):
    times = Intervals([a for a, _ in rows], [b for _, b in rows])
    try:
        return estimate_rmst(times, arm, reference_arm="plain", tau_min=tau, **kwargs)
    except NotEstimable:
        assume(False)


@examples(300, usual=25)
@given(interval_rows(4), st.sampled_from([1.0, 2.25, 4.0]), st.randoms(use_true_random=False))
def test_laws_of_order_scale_and_swap(rows, tau, chance):
    arm = ["plain" if i % 2 else "buffered" for i in range(len(rows))]
    result = estimable(rows, arm, tau)
    shuffled = list(zip(rows, arm, strict=True))
    chance.shuffle(shuffled)
    again = estimable([r for r, _ in shuffled], [a for _, a in shuffled], tau)
    scaled = estimable([(3 * a, 3 * b) for a, b in rows], arm, 3 * tau)
    for factor, other in ((1, again), (3, scaled)):
        assert result.difference.estimate * factor == pytest.approx(other.difference.estimate, abs=1e-4)
        for one, two in zip(result.bounds, other.bounds, strict=True):
            assert (factor * one.low, factor * one.high) == pytest.approx((two.low, two.high), abs=1e-4)
    swapped = estimable(rows, ["buffered" if a == "plain" else "plain" for a in arm], tau)
    assert result.difference.estimate == pytest.approx(-swapped.difference.estimate, abs=1e-9)
    assert limits(result.difference) == pytest.approx(tuple(-x for x in limits(swapped.difference))[::-1], abs=1e-7)


@given(interval_rows(4), st.sampled_from([1.0, 2.25, 4.0]))
def test_bounds_enclose_the_estimate_and_limits_lie_in_the_range(rows, tau):
    arm = ["plain" if i % 2 else "buffered" for i in range(len(rows))]
    result = estimable(rows, arm, tau)
    for bound, estimate in zip(result.bounds, (*result.arms, result.difference), strict=True):
        assert bound.low - 1e-7 <= estimate.estimate <= bound.high + 1e-7
        assert estimate.interval.low <= estimate.estimate <= estimate.interval.high
    assert all(e.interval.low >= 0 and e.interval.high <= tau for e in result.arms)


def test_a_wider_gap_never_narrows_the_bounds():
    narrow, arm = cases(plain=[(0, 2, 5), (2, 4, 5), (6, inf, 5)], buffered=grid([4, 4, 4, 4]))
    wide, _ = cases(plain=[(0, 2, 5), (2, 6, 5), (6, inf, 5)], buffered=grid([4, 4, 4, 4]))
    a, b = (estimate_rmst(t, arm, reference_arm="plain", tau_min=6).bounds[0] for t in (narrow, wide))
    assert b.low <= a.low
    assert a.high <= b.high
