from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.serialise import from_dict
from onsetstudy.inference.proportions import wilson_limits
from onsetstudy.survival.summaries.quantiles import estimate_quantile
from tests.survival.build import cases, grid, inf, interval_rows, quantile_alone


def test_right_censored_medians_are_those_of_kaplan_meier(reference):
    ref = reference("survrm2_freireich_rmst")
    times = Intervals(ref.data["time"], np.where(ref.data["status"] == 1, ref.data["time"], inf))
    result = estimate_quantile(times, ref.data["trt"], reference_arm="placebo")
    medians = reference("survival_freireich_median")
    medians.check("placebo", result.arms[0].estimate)
    medians.check("6MP", result.arms[1].estimate)
    assert result.difference.estimate == pytest.approx(15)
    assert result.ratio.estimate == pytest.approx(23 / 8)
    assert result.caution == ()
    # Of 21, 13 by week 8 and 16 by week 11: Wilson's lower limit passes one half between 14 and 16 of 21.
    assert wilson_limits(14, 21)[0] < 0.5 < wilson_limits(16, 21)[0]
    assert result.arms[0].interval.high == 11
    assert result.arms[1].interval.high == inf
    assert result.difference.interval.high == inf


def test_on_a_schedule_the_median_is_a_gap():
    # plain 3, 4, 2, 3 of 12: one half falls 3/4 into (2, 4]; buffered 7 of 12 by two minutes: 6/7 into (0, 2].
    times, arm = cases(plain=grid([3, 4, 2, 3]), buffered=grid([7, 2, 1, 2]))
    result = estimate_quantile(times, arm, reference_arm="plain")
    assert result.arms[0].estimate == pytest.approx(2 + 2 * 3 / 4)
    assert result.arms[1].estimate == pytest.approx(2 * 6 / 7)
    assert [(b.low, b.high) for b in result.bounds] == [(2, 4), (0, 2), (-4, 0)]
    assert "lies between the tests at 2 and 4 min" in result.caution[0].text
    assert result.difference.estimate == pytest.approx(2 * 6 / 7 - 3.5)
    assert from_dict(result.to_dict()) == result


def test_limits_invert_the_limits_of_the_share():
    counts = [2, 5, 12, 9, 6, 3, 3]
    times, arm = cases(plain=grid(counts), buffered=grid(counts))
    found = estimate_quantile(times, arm, reference_arm="plain", share=0.5).arms[0]
    cumulative, n = np.cumsum(counts)[:-1], sum(counts)
    ticks = 2.0 * np.arange(1, len(counts))
    low = [wilson_limits(c, n)[0] for c in cumulative]
    high = [wilson_limits(c, n)[1] for c in cumulative]
    assert found.interval.low == max(t for t, h in zip(ticks, high, strict=True) if h < 0.5)
    assert found.interval.high == min(t for t, x in zip(ticks, low, strict=True) if x > 0.5)
    assert found.interval.low < found.estimate < found.interval.high


def test_tested_alike_the_limits_of_a_difference_start_from_the_estimate():
    """Between tests curve and limits of the share are straight lines; distances of Zou and Donner, written out."""
    plain, buffered = [2, 5, 12, 9, 6, 3, 3], [12, 9, 6, 5, 4, 2, 2]
    times, arm = cases(plain=grid(plain), buffered=grid(buffered))
    result = estimate_quantile(times, arm, reference_arm="plain")

    def by_lines(counts):
        up_to, n, ends = np.cumsum(counts)[:-1], sum(counts), 2.0 * np.arange(len(counts))
        low, high = np.array([wilson_limits(c, n) for c in up_to]).T
        return [float(np.interp(0.5, np.concatenate([[0.0], share]), ends)) for share in (up_to / n, high, low)]

    (mid, early, late), (mid_ref, early_ref, late_ref) = by_lines(buffered), by_lines(plain)
    value = mid - mid_ref
    assert result.difference.estimate == pytest.approx(value)
    low, high = value - math.hypot(mid - early, late_ref - mid_ref), value + math.hypot(late - mid, mid_ref - early_ref)
    interval = result.difference.interval
    assert (interval.low, interval.high) == pytest.approx((low, high))
    assert "spread evenly inside gaps" in interval.method
    # Those of the arms stay wherever in its gap onset lies.
    assert all(
        e.interval.low <= b.low < b.high <= e.interval.high for e, b in zip(result.arms, result.bounds[:2], strict=True)
    )


def test_a_ratio_of_minutes_in_the_first_gap_has_an_upper_limit():
    times, arm = cases(plain=grid([10, 4, 2]), buffered=grid([12, 3, 1]))
    ratio = estimate_quantile(times, arm, reference_arm="plain").ratio
    assert 0 < ratio.interval.low < ratio.estimate < ratio.interval.high < 3


def test_limits_are_not_narrower_than_the_gaps_where_chance_is_little_beside_them():
    """48 an arm, most numb in the first gap of two minutes: where in it the halves lie nobody saw."""
    times, arm = cases(plain=grid([30, 12, 6]), buffered=grid([38, 8, 2]))
    result = estimate_quantile(times, arm, reference_arm="plain")
    bounds = result.bounds[2]
    assert (bounds.low, bounds.high) == (-2, 2)
    for e in (result.difference, result.ratio):
        assert "from the ends of gaps, beside which chance is little" in e.interval.method
    # By chance the plain median may come after 2: Wilson's limits pass one half there, as the curve goes straight.
    late = np.interp(0.5, [wilson_limits(c, 48)[0] for c in (30, 42)], [2, 4])
    assert (result.difference.interval.low, result.difference.interval.high) == pytest.approx((-late, 2))
    # Of two minutes that lie anywhere between 0 and 2 the ratio is not known at all.
    assert (result.ratio.interval.low, result.ratio.interval.high) == (0, inf)
    # A third of the cases leaves chance enough.
    fewer, arm = cases(plain=grid([10, 4, 2]), buffered=grid([12, 3, 1]))
    chance = estimate_quantile(fewer, arm, reference_arm="plain").difference.interval
    assert "spread evenly inside gaps" in chance.method
    assert 4 / 3 < chance.high - chance.low < 4


@pytest.mark.parametrize(("spread", "middles", "cases_an_arm"), [(0.1, (0.8, 0.3), 15), (0.5, (4.0, 2.5), 200)])
def test_what_lies_in_a_gap_unseen_is_never_left_out(spread, middles, cases_an_arm):
    """Onset sharp inside the first minute, and log-normal with gaps of 3 minutes: spread evenly, hardly any held."""
    rng, held, step = np.random.default_rng(5), [], 1.0 if spread < 0.2 else 3.0
    log = spread > 0.2
    for _ in range(40):
        onset = [m * np.exp(spread * z) if log else m + spread * z
                 for m, z in zip(middles, rng.standard_normal((2, cases_an_arm)), strict=True)]  # fmt: skip
        left = step * np.maximum(np.floor(np.concatenate(onset) / step), 0.0)
        interval = estimate_quantile(
            Intervals(left, left + step), np.repeat(["plain", "buffered"], cases_an_arm), reference_arm="plain"
        ).difference.interval
        held.append(interval.low <= middles[1] - middles[0] <= interval.high)
    assert np.mean(held) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 40)


def test_tested_unlike_the_limits_enclose_what_the_gaps_allow_and_say_that_they_are_nearly_certain():
    times, arm = cases(plain=grid([4, 8, 16, 8, 4]), buffered=grid([12, 24, 4], step=4.0))
    result = estimate_quantile(times, arm, reference_arm="plain")
    bounds = result.bounds[2]
    assert (bounds.low, bounds.high) == (-2, 4)
    for e, least, most in ((result.difference, -2, 4), (result.ratio, 4 / 6, 8 / 4)):
        assert e.interval.low <= least < e.estimate < most <= e.interval.high
        assert "nearly certain" in e.interval.method


def test_limits_of_a_difference_hold_about_as_often_as_they_say():
    """Onset early in the first gaps, 30 an arm: from the ends of the gaps all limits held, 3.5 min wide."""
    rng, ticks, held, widths = np.random.default_rng(3), np.arange(1.0, 11.0), [], []
    truth = stats.gamma(1.5).ppf(0.5) * (0.6 - 0.8)
    for _ in range(60):
        onset = rng.gamma(1.5, np.repeat([0.8, 0.6], 30))
        times = Intervals(np.floor(onset), np.where(onset > ticks[-1], inf, np.ceil(onset)))
        interval = estimate_quantile(
            times, ["plain"] * 30 + ["buffered"] * 30, reference_arm="plain"
        ).difference.interval
        held.append(interval.low <= truth <= interval.high)
        widths.append(interval.high - interval.low)
    assert np.mean(held) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 60)
    assert np.mean(widths) < 1.2


def test_a_share_that_is_not_reached_is_said_and_bounded():
    times, arm = cases(plain=grid([3, 2, 15]), buffered=grid([12, 6, 2]))
    plain = quantile_alone(times.take(arm == "plain"))
    assert plain.estimate == inf
    assert plain.limits[0] == 4
    with pytest.raises(NotEstimable, match="50% numb is not reached in the arm plain") as caught:
        estimate_quantile(times, arm, reference_arm="plain")
    low, high = caught.value.bound
    assert low == -inf
    # Buffered at the latest by 4 - and plain at the earliest after 4.
    assert high == pytest.approx(0.0)


def test_two_arms_that_do_not_reach_it_leave_nothing():
    times, arm = cases(plain=grid([3, 7]), buffered=grid([2, 8]))
    with pytest.raises(NotEstimable, match="plain and buffered") as caught:
        estimate_quantile(times, arm, reference_arm="plain")
    assert caught.value.bound is None


def test_strata_mix_the_curves_not_the_quantiles():
    # Stratum a all by 2 in both arms, b never before 6: half of all are numb by 2.
    times, arm = cases(plain=[(0, 2, 10), (6, 8, 8)], buffered=[(0, 2, 10), (6, 8, 8)])
    stratum = np.where(times.right == 2, "a", "b")
    result = estimate_quantile(times, arm, reference_arm="plain", stratum=stratum)
    assert result.arms[0].estimate == pytest.approx(2 * 0.5 / (10 / 18))
    assert result.difference.estimate == pytest.approx(0)


def test_cases_known_to_be_numb_at_clock_zero_reach_every_share():
    found = estimate_quantile(Intervals([0] * 4, [0] * 4), ["a", "a", "b", "b"], reference_arm="a")
    assert [each.estimate for each in (*found.arms, found.difference)] == [0.0, 0.0, 0.0]


def test_a_share_outside_the_range_is_refused():
    with pytest.raises(OnsetStudyError, match=r"share is 50"):
        estimate_quantile(Intervals([0, 1], [1, 2]), ["a", "b"], reference_arm="a", share=50)


@settings(max_examples=12)
@given(interval_rows(4), st.sampled_from([0.25, 0.5]))
def test_laws_of_scale_swap_and_enclosure(rows, share):
    arm = ["plain" if i % 2 else "buffered" for i in range(len(rows))]
    times = Intervals([a for a, _ in rows], [b for _, b in rows])
    try:
        result = estimate_quantile(times, arm, reference_arm="plain", share=share)
    except NotEstimable:
        assume(False)
    other = ["buffered" if a == "plain" else "plain" for a in arm]
    swapped = estimate_quantile(times, other, reference_arm="plain", share=share)
    assert result.difference.estimate == pytest.approx(-swapped.difference.estimate, abs=1e-9)
    scaled = estimate_quantile(times.rescale(3.0), arm, reference_arm="plain", share=share)
    assert scaled.difference.estimate == pytest.approx(3 * result.difference.estimate, abs=1e-4)
    for e, b in zip((*result.arms, result.difference), result.bounds, strict=True):
        anywhere = e is not result.difference or "not alike" in e.interval.method
        low, high = (b.low, b.high) if anywhere else (e.estimate, e.estimate)
        assert e.interval.low <= low <= high <= e.interval.high
        assert b.low <= e.estimate <= b.high
        assert math.isfinite(e.estimate)


@pytest.mark.parametrize("n", [5, 8, 12, 20])
def test_limits_hold_where_all_become_numb_in_one_gap(n):
    """Onset is sharp near 3.4 and .6 min, and nobody tested before 4: any difference within the gap is possible."""
    rng = np.random.default_rng(n)
    for _ in range(20):
        onset = np.concatenate((rng.normal(3.4, 0.2, n), rng.normal(0.6, 0.2, n)))
        late = onset > 4
        times = Intervals(np.where(late, 4.0, 0.0), np.where(late, 8.0, 4.0))
        found = estimate_quantile(times, ["plain"] * n + ["buffered"] * n, reference_arm="plain")
        assert found.difference.interval.low <= -2.8 <= found.difference.interval.high
