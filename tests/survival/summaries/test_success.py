from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import optimize, stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Result
from onsetstudy.core.serialise import from_dict
from onsetstudy.inference.proportions import clopper_pearson_limits, newcombe_difference, wilson_limits
from onsetstudy.survival.summaries.npmle_proportion import share_numb_by
from onsetstudy.survival.summaries.rmst import estimate_rmst
from onsetstudy.survival.summaries.success import never_numb_share, success_by
from tests.examples import examples
from tests.survival.build import cases, grid, inf, interval_rows


def limits(estimate):
    return estimate.interval.low, estimate.interval.high


def test_every_case_decided_gives_wilson_and_newcombe(reference):
    # 56 of 70 against 48 of 80 numb by two minutes, as printed by Newcombe.
    times, arm = cases(buffered=grid([56, 10, 4]), plain=grid([48, 20, 12]))
    result = success_by(times, arm, reference_arm="plain", target_min=2)
    ref = reference("newcombe_1998_difference")
    ref.check("56/70 48/80 low", result.difference.interval.low)
    ref.check("56/70 48/80 high", result.difference.interval.high)
    plain, buffered = result.arms
    assert (plain.contrast, buffered.contrast) == ("plain", "buffered")
    assert plain.estimate == 48 / 80
    assert limits(plain) == wilson_limits(48, 80)
    assert plain.std_error == pytest.approx(math.sqrt(0.6 * 0.4 / 80))
    assert result.difference.estimate == pytest.approx(0.2)
    assert result.difference.contrast == "buffered - plain"
    assert result.difference.std_error == pytest.approx(math.sqrt(0.8 * 0.2 / 70 + 0.6 * 0.4 / 80))
    assert result.ratio.estimate == pytest.approx(4 / 3)
    assert result.ratio.interval.low < 4 / 3 < result.ratio.interval.high
    assert [(a.cases, a.onsets) for a in result.n.by_arm] == [(80, 48), (70, 56)]
    assert result.caution == ()
    assert "Newcombe method 10" in result.difference.interval.method


def test_result_speaks_the_common_language():
    times, arm = cases(buffered=grid([5, 3, 2]), plain=grid([2, 3, 5]))
    result = success_by(times, arm, reference_arm="plain", target_min=2)
    assert isinstance(result, Result)
    assert from_dict(result.to_dict()) == result
    assert result.to_frame()["quantity"].tolist() == ["success_by_target"] * 2 + ["success_difference", "success_ratio"]


@pytest.mark.parametrize(("numb", "n"), [(0, 20), (20, 20), (0, 1)])
def test_none_and_all_give_honest_limits(numb, n):
    times, arm = cases(buffered=grid([numb, n - numb, 0]), plain=grid([3, 2, 5]))
    result = success_by(times, arm, reference_arm="plain", target_min=2)
    assert limits(result.arms[1]) == wilson_limits(numb, n)
    assert result.arms[1].std_error is None
    assert limits(result.difference) == pytest.approx(newcombe_difference(numb, n, 3, 10))
    assert result.difference.std_error > 0


def test_exact_limits_on_request():
    times, arm = cases(buffered=[(0, 2, 7), (2, 4, 5), (4, inf, 8), (0, 4, 2)], plain=grid([1, 19]))
    result = success_by(times, arm, reference_arm="plain", target_min=2, limits="exact")
    wilson = success_by(times, arm, reference_arm="plain", target_min=2)
    assert limits(result.arms[0]) == pytest.approx(clopper_pearson_limits(1, 20))
    for exact, score in zip((*result.arms, result.difference), (*wilson.arms, wilson.difference), strict=True):
        assert exact.interval.low <= score.interval.low
        assert score.interval.high <= exact.interval.high
    assert "Clopper-Pearson" in result.arms[1].interval.method


def test_score_limits_of_the_difference_on_request(reference):
    times, arm = cases(buffered=grid([56, 10, 4]), plain=grid([48, 20, 12]))
    asked = {"reference_arm": "plain", "limits": "score"}
    found = success_by(times, arm, target_min=2, **asked)
    ref = reference("miettinen_nurminen_1985_difference")
    ref.check("56/70 48/80 low", found.difference.interval.low)
    ref.check("56/70 48/80 high", found.difference.interval.high)
    assert "Miettinen" in found.difference.interval.method
    assert limits(found.arms[0]) == wilson_limits(48, 80)
    others = never_numb_share(times, arm, tau_min=2, **asked)
    assert limits(others.difference) == pytest.approx(tuple(-x for x in limits(found.difference))[::-1])
    # Undecided cases and strata leave no counts to make a score of: as by Wilson's limits, and so it is told.
    open_times, open_arm = cases(buffered=[(0, 2, 7), (0, 4, 2), (4, inf, 8)], plain=grid([5, 5]))
    undecided = success_by(open_times, open_arm, target_min=2, **asked)
    usual = success_by(open_times, open_arm, target_min=2, reference_arm="plain")
    assert undecided.difference == usual.difference
    assert "Miettinen" not in undecided.difference.interval.method


def test_no_ratio_to_a_reference_of_none():
    times, arm = cases(buffered=grid([3, 2]), plain=grid([0, 5]))
    assert success_by(times, arm, reference_arm="plain", target_min=2).ratio is None


def test_a_missed_test_at_the_target_is_shared_out_not_filled_in():
    # 7 in (0, 2], 5 in (2, 4], 8 later, 2 in (0, 4]: the two split 7 : 5, so F(2) = (7 + 2 * 7/12) / 22.
    times, arm = cases(plain=[(0, 2, 7), (2, 4, 5), (4, inf, 8), (0, 4, 2)], buffered=grid([5, 5, 5]))
    result = success_by(times, arm, reference_arm="plain", target_min=2)
    expected = (7 + 2 * Fraction(7, 12)) / 22
    assert expected == Fraction(49, 132)
    assert result.arms[0].estimate == pytest.approx(float(expected), abs=1e-9)
    assert [c.code for c in result.caution] == ["undecided_cases"]
    assert "2 of 22 cases of the arm plain" in result.caution[0].text
    # Less certain than 22 decided cases, more than the 20 that are decided at one test's distance.
    width = np.diff(limits(result.arms[0]))[0]
    assert np.diff(wilson_limits(float(expected) * 22, 22))[0] < width
    assert width < np.diff(wilson_limits(float(expected) * 18, 18))[0]


def profile_twin(times, minute, level=0.95):
    """Effective number of cases per side by constrained maximisation with a general optimiser."""
    ticks = np.unique(np.concatenate((times.left, times.right[np.isfinite(times.right)], [minute])))
    left, right = ticks, np.append(ticks[1:], inf)
    covers = (times.left[:, None] <= left) & (right <= times.right[:, None])
    before = right <= minute

    def best(share):
        def negative(x):
            mass = np.exp(x)
            if share is None:
                mass = mass / mass.sum()
            else:
                mass = np.where(before, share * mass / mass[before].sum(), (1 - share) * mass / mass[~before].sum())
            return -float(np.sum(np.log(covers @ mass)))

        return -optimize.minimize(negative, np.zeros(left.size), method="BFGS", options={"gtol": 1e-9}).fun

    crit, top = stats.chi2.ppf(level, 1), best(None)
    share = share_numb_by(times, minute).low
    sides = []
    for end in (1e-6, 1 - 1e-6):
        root = optimize.brentq(lambda p: 2 * (top - best(p)) - crit, share, end, xtol=1e-8)
        sides.append(crit / 2 / (share * math.log(share / root) + (1 - share) * math.log((1 - share) / (1 - root))))
    return share, sides


def test_onset_told_exactly_at_the_minute_is_numb_by_it():
    """Three exact times at 2 minutes, on both sides of the limits: what counts is F(2), with the moment itself."""
    rows = [(2.0, 2.0)] * 3 + [(0, 2), (0, 4), (0, 4), (2, 4), (4, 6), (4, inf), (0, 6)]
    at = Intervals(*zip(*rows, strict=True))
    # Onset just before the minute covers the same gaps in the same order, so that F(2) has the same likelihood.
    before = Intervals(*zip(*[(1.5, 1.5) if left == right else (left, right) for left, right in rows], strict=True))
    ours, twin = share_numb_by(at, 2.0), share_numb_by(before, 2.0)
    assert (ours.low, ours.high) == pytest.approx((twin.low, twin.high), abs=1e-9)
    assert ours.limits == pytest.approx(twin.limits, abs=1e-9)
    assert ours.effective_n == pytest.approx(twin.effective_n, rel=1e-6)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@pytest.mark.parametrize(
    "gaps",
    [
        [(0, 2, 7), (2, 4, 5), (4, inf, 8), (0, 4, 2)],
        [(0, 2, 3), (0, 4, 6), (2, 6, 4), (4, 6, 3), (2, inf, 2), (6, inf, 4)],
    ],
)
def test_limits_equal_those_of_a_slow_profile_likelihood(gaps):
    times, _ = cases(plain=gaps)
    ours = share_numb_by(times, 2)
    share, (below, above) = profile_twin(times, 2)
    assert ours.effective_n == pytest.approx(min(below, above), rel=1e-3)
    expected = wilson_limits(share * below, below)[0], wilson_limits(share * above, above)[1]
    assert ours.limits == pytest.approx(expected, abs=1e-4)


def test_target_inside_a_gap_gives_bounds_and_says_so():
    # Tests at 2 and 4, target 3: of 22, 49/132 are numb by 2 and 14/22 by 4; in between nobody knows.
    times, arm = cases(plain=[(0, 2, 7), (2, 4, 5), (4, inf, 8), (0, 4, 2)], buffered=grid([9, 1, 10]))
    result = success_by(times, arm, reference_arm="plain", target_min=3)
    plain = result.arms[0]
    at_two = success_by(times, arm, reference_arm="plain", target_min=2).arms[0]
    at_four = success_by(times, arm, reference_arm="plain", target_min=4).arms[0]
    assert plain.interval.low == pytest.approx(at_two.interval.low, abs=1e-6)
    assert plain.interval.high == pytest.approx(at_four.interval.high, abs=1e-6)
    assert plain.estimate == pytest.approx((at_two.estimate + at_four.estimate) / 2)
    caution = next(c for c in result.caution if c.code == "bounded_share")
    assert "7 of 22 cases of the arm plain" in caution.text
    assert "between 37% and 64%" in caution.text
    assert result.difference.interval.low <= at_two.estimate - at_four.estimate


def test_follow_up_that_ends_a_little_early_counts_as_not_numb():
    times, arm = cases(plain=[(0, 2, 4), (2, 4, 4), (14, inf, 4)], buffered=grid([4] * 9))
    result = never_numb_share(times, arm, reference_arm="plain", tau_min=15)
    assert result.arms[0].estimate == pytest.approx(4 / 12)
    assert "4 cases last felt less than one usual gap before it" in result.caution[0].text
    strict = never_numb_share(times, arm, reference_arm="plain", tau_min=15, grace_min=0)
    assert strict.arms[0].estimate == pytest.approx(4 / 12)
    assert limits(strict.arms[0])[0] == 0.0
    assert "between 0% and 33%" in strict.caution[0].text


def test_never_numb_is_the_complement_of_success_at_the_horizon():
    times, arm = cases(plain=[(0, 2, 7), (2, 4, 5), (4, inf, 8), (0, 4, 2)], buffered=grid([9, 7, 1]))
    success = success_by(times, arm, reference_arm="plain", target_min=4)
    never = never_numb_share(times, arm, reference_arm="plain", tau_min=4)
    for yes, no in zip(success.arms, never.arms, strict=True):
        assert no.estimate == pytest.approx(1 - yes.estimate)
        assert limits(no) == pytest.approx((1 - yes.interval.high, 1 - yes.interval.low))
    assert never.difference.estimate == pytest.approx(-success.difference.estimate)
    assert limits(never.difference) == pytest.approx(
        (-success.difference.interval.high, -success.difference.interval.low)
    )
    assert [a.onsets for a in never.n.by_arm] == [8, 1]
    assert never.difference.quantity == "not_numb_difference"


def test_strata_are_weighted_by_their_share_of_all_cases():
    # Stratum a: 40 of 60 cases, 10/20 against 5/20; stratum b: 20 of 60, 8/10 against 6/10.
    a_times, a_arm = cases(buffered=grid([10, 10]), plain=grid([5, 15]))
    b_times, b_arm = cases(buffered=grid([8, 2]), plain=grid([6, 4]))
    times = Intervals(np.r_[a_times.left, b_times.left], np.r_[a_times.right, b_times.right])
    arm, stratum = np.r_[a_arm, b_arm], np.repeat(["a", "b"], [40, 20])
    result = success_by(times, arm, reference_arm="plain", target_min=2, stratum=stratum)
    assert result.arms[0].estimate == pytest.approx(
        float(Fraction(2, 3) * Fraction(1, 4) + Fraction(1, 3) * Fraction(3, 5))
    )
    assert result.difference.estimate == pytest.approx(
        float(Fraction(2, 3) * Fraction(1, 4) + Fraction(1, 3) * Fraction(1, 5))
    )
    # As one share: variance (2/3)^2 pq/20 + (1/3)^2 (pq/10 + what ten cases show too little of), by hand.
    mean, alike = 11 / 30, 4 / 9 / 20 + 1 / 9 / 10
    spread = mean * (1 - mean)
    lacking = [(1 / n - alike) / (1 - alike) * spread for n in (20, 10)]
    variance = 4 / 9 * (0.25 * 0.75 + lacking[0]) / 20 + 1 / 9 * (0.6 * 0.4 + lacking[1]) / 10
    cases_of_all = spread / variance
    assert limits(result.arms[0]) == pytest.approx(wilson_limits(mean * cases_of_all, cases_of_all))
    assert result.arms[0].std_error == pytest.approx(math.sqrt(variance))
    assert "standardised over 2 strata" in result.method


def test_limits_within_strata_err_as_often_as_they_say():
    """Where there is no difference, over the table of ``tests/simulation/stratified_shares``."""
    table = pd.read_csv("tests/simulation/stratified_shares.csv")
    unequal = table[table["cases"] == "unequal"]
    assert len(unequal) == 6
    assert unequal["within_strata"].between(0.03, 0.055).all()
    table = table.drop(unequal.index).astype({"other": int})
    sure = table["within_strata"] - 2 * table["mc_error"]
    assert len(table) > 90
    assert sure.max() < 0.06
    assert table["within_strata"].min() > 0.02
    # Seldom is safe; it is so where a share is small, as without strata.
    assert set(table.loc[table["within_strata"] < 0.035, "low"]) == {0.1}
    # Strata of two cases in an arm cost a little; the report puts them together.
    above = sure - table["without"].clip(lower=0.05)
    assert above.max() < 0.007
    assert above[table["other"] > 2].max() < 0.004


def test_a_stratified_comparison_of_nothing_excludes_no_difference_as_often_as_promised():
    rng, out = np.random.default_rng(3), 0
    stratum, arm = np.repeat(np.arange(5), 20).astype(str), np.tile(np.repeat(["plain", "buffered"], 10), 5)
    for _ in range(300):
        numb = rng.random(100) < 0.5
        times = Intervals(np.where(numb, 1.0, 10.0), np.where(numb, 2.0, inf))
        found = success_by(times, arm, reference_arm="plain", target_min=2, stratum=stratum).difference.interval
        out += not found.low <= 0 <= found.high
    # By recovery of variances from the limits of each stratum .09; three Monte Carlo errors above .05 are .087.
    assert out / 300 < 0.08


def test_a_case_never_tested_adds_nothing_but_is_named():
    times, arm = cases(buffered=grid([10, 10]), plain=grid([5, 15]))
    more, more_arm = cases(buffered=[*grid([10, 10]), (0, inf, 3)], plain=grid([5, 15]))
    one, two = (success_by(t, a, reference_arm="plain", target_min=2) for t, a in ((times, arm), (more, more_arm)))
    assert limits(one.arms[1]) == limits(two.arms[1])
    assert limits(one.difference) == limits(two.difference)
    assert "3 of 23 cases of the arm buffered" in two.caution[0].text


def test_a_stratum_without_one_arm_is_left_out_and_named():
    times, arm = cases(buffered=grid([10, 10]), plain=grid([5, 15]))
    stratum = np.array(["a"] * 20 + ["a"] * 15 + ["b"] * 5)
    result = success_by(times, arm, reference_arm="plain", target_min=2, stratum=stratum)
    assert result.n.cases == 35
    assert result.caution[0].code == "stratum_without_arm"
    assert "5 cases" in result.caution[0].text


def test_more_than_two_arms_are_each_compared_with_the_reference():
    times, arm = cases(plain=grid([3, 7]), c=grid([9, 1]), b=grid([5, 5]))
    result = success_by(times, arm, reference_arm="plain", target_min=2)
    assert [e.contrast for e in result.arms] == ["plain", "b", "c"]
    assert result.difference.contrast == "b - plain"
    assert [e.contrast for e in result.more] == ["c - plain"]
    assert result.more[0].estimate == pytest.approx(0.6)
    assert result.more[0].n.cases == 20


def test_cases_that_were_never_tested_are_not_carried_to_the_minute():
    """All tested teeth were numb at the first test, at minute 2, which is one usual gap after clock zero."""
    times, arm = cases(plain=[(0, 2, 8), (0, inf, 4)], buffered=[(0, 2, 8), (2, 4, 4), (0, inf, 4)])
    for verb, minute, shares in ((success_by, "target_min", (1, 2 / 3)), (never_numb_share, "tau_min", (0, 1 / 3))):
        found = verb(times, arm, reference_arm="plain", **{minute: 2})
        assert [each.estimate for each in found.arms] == pytest.approx(shares)
    wait = estimate_rmst(times, arm, reference_arm="plain", tau_min=2)
    assert [each.estimate for each in wait.arms] == pytest.approx([1, 4 / 3])


def test_an_arm_that_says_nothing_is_not_estimated():
    times, arm = cases(plain=[(0, 4, 3), (1, inf, 2)], buffered=grid([3, 3]))
    with pytest.raises(NotEstimable, match="no case of the arm plain shows whether it was numb at 2 min"):
        success_by(times, arm, reference_arm="plain", target_min=2, grace_min=0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"reference_arm": "saline"}, "no case belongs to the reference arm 'saline'; arms seen: buffered, plain"),
        ({"target_min": 0.0}, "target_min is 0.0"),
        ({"conf_level": 1.0}, "confidence level 1.0"),
        ({"limits": "wald"}, "limits is 'wald'"),
        ({"arm": ["plain"] * 4}, "all 4 cases belong to the arm 'plain'"),
        ({"arm": ["plain", None, "buffered", "plain"]}, "arm is missing for case 1"),
        ({"arm": ["plain"]}, "arm has 1 entries for 4 cases"),
        ({"stratum": ["a", "a", "b", "b"]}, "no stratum holds a case of every arm"),
    ],
)
def test_mistakes_are_named(change, words):
    times = Intervals([0, 2, 0, 2], [2, inf, 2, inf])
    call = {"arm": ["plain", "plain", "buffered", "buffered"], "reference_arm": "plain", "target_min": 2.0} | change
    with pytest.raises(OnsetStudyError, match=words):
        success_by(times, call.pop("arm"), **call)


def estimable(rows, arm, minute, **kwargs):
    times = Intervals([a for a, _ in rows], [b for _, b in rows])
    try:
        return success_by(times, arm, reference_arm="plain", target_min=minute, **kwargs)
    except NotEstimable:
        assume(False)


@examples(200, usual=20)
@given(interval_rows(4), st.sampled_from([1.0, 2.25, 4.0]), st.randoms(use_true_random=False))
def test_laws_of_order_scale_and_swap(rows, minute, chance):
    arm = ["plain" if i % 2 else "buffered" for i in range(len(rows))]
    result = estimable(rows, arm, minute)
    shuffled = list(zip(rows, arm, strict=True))
    chance.shuffle(shuffled)
    again = estimable([r for r, _ in shuffled], [a for _, a in shuffled], minute)
    scaled = estimable([(3 * a, 3 * b) for a, b in rows], arm, 3 * minute)
    for other in (again, scaled):
        for one, two in zip(result.arms, other.arms, strict=True):
            assert one.estimate == pytest.approx(two.estimate, abs=1e-5)
            assert limits(one) == pytest.approx(limits(two), abs=1e-4)
        assert limits(result.difference) == pytest.approx(limits(other.difference), abs=1e-4)
    swapped = estimable(rows, ["buffered" if a == "plain" else "plain" for a in arm], minute)
    assert result.difference.estimate == pytest.approx(-swapped.difference.estimate, abs=1e-9)
    assert limits(result.difference) == pytest.approx(tuple(-x for x in limits(swapped.difference))[::-1], abs=1e-9)


@given(interval_rows(4), st.sampled_from([1.0, 2.25, 4.0]))
def test_limits_enclose_bounds_and_bounds_enclose_the_estimate(rows, minute):
    share = share_numb_by(Intervals([a for a, _ in rows], [b for _, b in rows]), minute)
    assert 0 <= share.limits[0] <= share.low <= share.estimate <= share.high <= share.limits[1] <= 1
    assert 0 <= share.effective_n <= share.n
