"""Pooling worked out by hand: three practices at -2, 0 and 2 with variance 1, and fourfold tables term by term."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.results import Counts, Estimate, Interval, NotAvailable
from onsetstudy.pool.combine import PoolOptions, combine_estimates
from onsetstudy.pool.common_odds import common_odds
from onsetstudy.pool.funnel import exact_limit, funnel
from onsetstudy.pool.heterogeneity import between_variance
from onsetstudy.pool.shrinkage import _peaks

ARMS = ("plain", "buffered")
N = Counts(cases=10, onsets=8)


def own(value, error=1.0, unit="min"):
    span = Interval(low=value - 2, high=value + 2, level=0.95, method="invented")
    return Estimate(
        quantity="rmst_difference", contrast="buffered - plain", estimate=value, std_error=error, interval=span,
        unit=unit, method="invented", n=N,
    )  # fmt: skip


def pooled(values, **options):
    return combine_estimates([own(v) for v in values], [f"P{k}" for k in range(len(values))], PoolOptions(**options))


@pytest.mark.parametrize("between", ["reml", "paule_mandel", "dersimonian_laird"])
def test_three_practices_alike_in_size(between):
    # Their values have the sample variance 4, of which 1 is chance: 3 between practices, by every estimator.
    effect, variance = np.array([-2.0, 0.0, 2.0]), np.ones(3)
    assert between_variance(effect, variance, between) == pytest.approx(3.0)
    found = pooled([-2.0, 0.0, 2.0], between=between)
    # Each weighs 1/4; (4 + 0 + 4) / 4 / 2 = 1, so that Hartung and Knapp change nothing but the quantile.
    error = math.sqrt(4 / 3)
    assert found.average.estimate == pytest.approx(0.0, abs=1e-12)
    assert found.average.std_error == pytest.approx(error)
    assert found.average.interval.high == pytest.approx(stats.t.ppf(0.975, 2) * error)
    assert found.average.interval.low == pytest.approx(-stats.t.ppf(0.975, 2) * error)
    assert found.prediction.high == pytest.approx(stats.t.ppf(0.975, 2) * math.sqrt(3 + 4 / 3))
    assert found.prediction.low == pytest.approx(-found.prediction.high)
    assert "less 1" in found.prediction.method
    assert found.common.std_error == pytest.approx(math.sqrt(1 / 3))
    assert [m.weight for m in found.members] == pytest.approx([1 / 3] * 3)


def test_limits_are_cut_at_the_largest_difference_that_there_can_be():
    """The average's limits lie at 0 ± 4.97, those of a further practice at ± 8.95."""
    free, cut, none = (pooled([-2.0, 0.0, 2.0], most=most) for most in (None, 5.0, 4.0))
    assert cut.average == free.average
    assert (cut.prediction, none.prediction) == (None, None)
    assert (none.average.interval.low, none.average.interval.high) == (-4.0, 4.0)
    assert none.average.interval.method.endswith("cut at what is possible")
    assert (none.average.estimate, none.average.std_error) == (free.average.estimate, free.average.std_error)
    assert (free.cut, cut.cut, none.cut) == ("", "", "cut at what is possible")
    one_end = pooled([-1.0, 1.0, 3.0], most=8.5)
    assert one_end.prediction.high == 8.5
    assert -8.5 < one_end.prediction.low == pytest.approx(pooled([-1.0, 1.0, 3.0]).prediction.low)


def test_spread_of_three_practices():
    found = pooled([-2.0, 0.0, 2.0]).heterogeneity
    assert (found.q, found.df) == (pytest.approx(8.0), 2)
    assert found.p_value == pytest.approx(math.exp(-4))
    assert found.i2 == pytest.approx(0.75)
    # Q falls with the variance between practices as 8 / (1 + tau2).
    assert found.tau2_interval.low == pytest.approx(8 / stats.chi2.ppf(0.975, 2) - 1)
    assert found.tau2_interval.high == pytest.approx(8 / stats.chi2.ppf(0.025, 2) - 1)
    assert found.i2_interval.low == pytest.approx(found.tau2_interval.low / (1 + found.tau2_interval.low))


def test_unlike_sizes_weigh_by_their_precision():
    effect, variance = np.array([0.0, 3.0]), np.array([1.0, 2.0])
    # Fixed weights 1 and 1/2: mean 1, Q = 1 + 4/2 = 3; 3/2 - (5/4)/(3/2) = 2/3; (3 - 1) / (2/3) = 3.
    assert between_variance(effect, variance, "dersimonian_laird") == pytest.approx(3.0)
    found = combine_estimates([own(0.0), own(3.0, math.sqrt(2.0))], ["A", "B"], PoolOptions(between="reml"))
    assert found.common.estimate == pytest.approx(1.0)
    assert found.common.p_value == pytest.approx(2 * stats.norm.sf(1 / math.sqrt(2 / 3)))
    # Two values: the restricted likelihood is that of their difference, of variance 9 = 1 + 2 + 2 x 3.
    assert found.heterogeneity.tau2 == pytest.approx(3.0)
    assert found.average.estimate == pytest.approx((0 / 4 + 3 / 5) / (1 / 4 + 1 / 5))


@pytest.mark.parametrize(("adjustment", "tail"), [("hartung_knapp", stats.t(1).sf), ("none", stats.norm.sf)])
def test_the_tail_of_the_average_is_that_of_its_interval(adjustment, tail):
    # At 0 and 2 with variance 1: sample variance 2, so 1 between; error 1, average 1.
    average = pooled([0.0, 2.0], adjustment=adjustment).average
    assert (average.estimate, average.std_error) == (pytest.approx(1.0), pytest.approx(1.0))
    assert average.p_value == pytest.approx(2 * tail(1.0))


def test_the_wider_interval_never_shrinks_and_the_other_may_vanish():
    assert pooled([1.0, 1.0, 1.0], adjustment="wider").average.std_error == pytest.approx(math.sqrt(1 / 3))
    none = pooled([1.0, 1.0, 1.0], adjustment="hartung_knapp").average
    assert (none.std_error, none.p_value) == (0.0, None)


def test_ratios_are_averaged_as_logarithms():
    found = combine_estimates([own(2.0, 0.5, "ratio"), own(8.0, 0.5, "ratio")], ["A", "B"])
    assert found.average.estimate == pytest.approx(4.0)
    assert combine_estimates([own(2.0), own(8.0)], ["A", "B"]).average.estimate == pytest.approx(5.0)


def test_leaving_one_out_takes_three_and_each_in_turn():
    assert pooled([0.0, 2.0]).without == ()
    assert pooled([0.0, 2.0]).prediction is None
    steps = pooled([0.0, 2.0, 7.0]).without
    assert [s.label for s in steps] == ["P0", "P1", "P2"]
    assert [s.result.estimate for s in steps] == pytest.approx([4.5, 3.5, 1.0])
    assert pooled([0.0, 2.0, 7.0], prediction_df=2).prediction.high > pooled([0.0, 2.0, 7.0]).prediction.high


def test_few_practices_and_those_left_out_are_told():
    gone = NotAvailable(
        quantity="rmst_difference", contrast="buffered - plain", code="x", reason="none", unit="min", method="", n=N
    )
    codes = [[c.code for c in pooled([float(v) for v in range(k)]).caution] for k in (4, 5)]
    assert codes == [["few_practices"], []]
    found = combine_estimates([own(1.0), gone, own(2.0)], ["A", "B", "C"])
    assert [c.code for c in found.caution] == ["few_practices", "practices_left_out"]
    assert [m.weight for m in found.members] == pytest.approx([0.5, 0.0, 0.5])
    assert found.members[1].label == "B"
    assert (found.n.cases, found.n.onsets) == (20, 16)
    alone = combine_estimates([own(1.0), gone], ["A", "B"])
    assert "one practice of 2" in alone.average.reason
    assert [m.weight for m in alone.members] == [0.0, 0.0]


@pytest.mark.parametrize(
    ("estimates", "labels", "told"),
    [([], [], "at least one"), ([own(1.0)], ["A", "B"], "one label for each"),
     ([own(1.0), own(2.0)], ["A", "A"], "A stands there more than once"),
     ([own(1.0), own(2.0, unit="ratio")], ["A", "B"], "different unit")],
)  # fmt: skip
def test_what_cannot_be_pooled_is_refused(estimates, labels, told):
    with pytest.raises(OnsetStudyError, match=told):
        combine_estimates(estimates, labels)


TABLES = [[[3, 8], [12, 14]], [[5, 6], [15, 11]]]


def log_likelihood(beta, tables):
    """Successes of the other arm given the margins; scipy's noncentral hypergeometric, one table after the other."""
    return sum(
        stats.nchypergeom_fisher.logpmf(s1, n0 + n1, s0 + s1, n1, math.exp(beta)) for (s0, s1), (n0, n1) in tables
    )


def best(tables):
    found = optimize.minimize_scalar(
        lambda b: -log_likelihood(b, tables), bounds=(-5, 5), method="bounded", options={"xatol": 1e-9}
    )
    return found.x, -found.fun


def test_conditional_odds_ratio_its_tail_ends_and_homogeneity():
    found = common_odds([t[0] for t in TABLES], [t[1] for t in TABLES], arms=ARMS, conf_level=0.9)
    beta, top = best(TABLES)
    assert math.log(found.odds_ratio.estimate) == pytest.approx(beta, abs=1e-6)
    assert found.odds_ratio.p_value == pytest.approx(stats.chi2.sf(2 * (top - log_likelihood(0.0, TABLES)), 1))
    drop = stats.chi2.ppf(0.9, 1) / 2
    for end in (found.odds_ratio.interval.low, found.odds_ratio.interval.high):
        assert log_likelihood(math.log(end), TABLES) == pytest.approx(top - drop, abs=1e-7)
    assert found.odds_ratio.interval.low < found.odds_ratio.estimate < found.odds_ratio.interval.high
    apart = 2 * (sum(best([t])[1] for t in TABLES) - top)
    assert found.homogeneity.statistic == pytest.approx(apart, rel=1e-5)
    assert found.homogeneity.df == 1
    assert found.homogeneity.p_value == pytest.approx(stats.chi2.sf(apart, 1), rel=1e-5)
    assert found.tables == 2
    assert (found.odds_ratio.n.cases, found.odds_ratio.n.onsets) == (52, 22)
    assert [(a.arm, a.cases, a.onsets) for a in found.odds_ratio.n.by_arm] == [("plain", 27, 8), ("buffered", 25, 14)]


@pytest.mark.parametrize("seed", range(6))
def test_unlike_tables_of_any_size_have_each_their_own_maximum(seed):
    """Far apart, so that steps from the middle overshoot and the search has to stay within its ends."""
    rng = np.random.default_rng(seed)
    cases = rng.integers(8, 200, size=(3, 2))
    success = np.stack([1 + rng.integers(0, 3, size=3), cases[:, 1] - 2], axis=1)
    success[1] = success[1, ::-1].clip(1, cases[1] - 1)
    tables = [(tuple(s), tuple(n)) for s, n in zip(success.tolist(), cases.tolist(), strict=True)]

    def top(tables):
        return -optimize.minimize_scalar(
            lambda b: -log_likelihood(b, tables), bounds=(-15, 15), method="bounded", options={"xatol": 1e-10}
        ).fun

    apart = 2 * (sum(top([t]) for t in tables) - top(tables))
    assert common_odds(success, cases, arms=ARMS).homogeneity.statistic == pytest.approx(apart, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize(("success", "up"), [([[0, 5]], True), ([[5, 0]], False)])
def test_a_table_as_extreme_as_it_can_be_gives_a_bound_on_its_side(success, up):
    found = common_odds(success, [[6, 6]], arms=ARMS, conf_level=0.95).odds_ratio
    assert found.code == "separation"
    end = found.bound.low if up else found.bound.high
    assert (found.bound.high == math.inf) == up
    assert (found.bound.low == 0.0) != up
    s0, s1 = success[0]
    seen = log_likelihood(math.log(end), [[(s0, s1), (6, 6)]])
    # One-sided: the log-likelihood of the limit, below the 0 of certainty.
    assert seen == pytest.approx(-(stats.norm.ppf(0.95) ** 2) / 2, abs=1e-7)


def test_tables_that_tell_nothing_are_not_counted():
    cases = [[12, 14], [9, 0], [7, 7], [8, 8]]
    found = common_odds([[3, 8], [4, 0], [0, 0], [8, 8]], cases, arms=ARMS)
    assert found.tables == 1
    assert found.odds_ratio.estimate == pytest.approx(common_odds([[3, 8]], [[12, 14]], arms=ARMS).odds_ratio.estimate)
    assert [c.code for c in found.difference.caution] == ["one_arm"]
    assert found.difference.caution[0].text.startswith("1 practices")
    assert common_odds([[3, 8]], [[12, 14]], arms=ARMS).difference.caution == ()
    none = common_odds([[4, 0]], [[9, 0]], arms=ARMS)
    assert (none.odds_ratio.code, none.difference.code) == ("no_information", "arm_missing")
    alike = common_odds([[0, 0]], [[7, 7]], arms=ARMS).difference
    assert (alike.code, "alike" in alike.reason, alike.bound) == ("no_spread", True, None)


@pytest.mark.parametrize("other", [0, 1])
def test_arms_that_ended_as_differently_as_they_can_are_not_called_alike(other):
    """No tooth of one arm and every one of the other; the bound from Newcombe's square-and-add by hand."""
    success = [[20 * (1 - other), 20 * other], [18 * (1 - other), 18 * other]]
    found = common_odds(success, [[20, 20], [18, 18]], arms=ARMS).difference
    assert (found.code, "differently" in found.reason) == ("no_spread", True)
    z2 = stats.norm.ppf(0.95) ** 2
    least = 1 - np.sqrt(2) * z2 / (38 + z2)
    assert (found.bound.low, found.bound.high) == pytest.approx((least, 1.0) if other else (-1.0, -least), abs=1e-12)


def test_the_difference_of_two_tables_with_its_error_term_by_term():
    found = common_odds([t[0] for t in TABLES], [t[1] for t in TABLES], arms=ARMS).difference
    top = weights = p = q = 0.0
    for (s0, s1), (n0, n1) in TABLES:
        n = n0 + n1
        top += n0 * n1 / n * (s1 / n1 - s0 / n0)
        weights += n0 * n1 / n
        # Sato, Greenland and Robins 1989, with the other arm as the exposed.
        p += (n1**2 * s0 - n0**2 * s1 + n0 * n1 * (n0 - n1) / 2) / n**2
        q += (s1 * (n0 - s0) + s0 * (n1 - s1)) / (2 * n)
    value = top / weights
    error = math.sqrt((value * p + q) / weights**2)
    assert (found.estimate, found.std_error) == (pytest.approx(value), pytest.approx(error))
    assert found.p_value == pytest.approx(2 * stats.norm.sf(value / error))
    assert found.interval.low == pytest.approx(value - stats.norm.ppf(0.975) * error)
    assert found.interval.high == pytest.approx(value + stats.norm.ppf(0.975) * error)
    mirrored = common_odds([t[0][::-1] for t in TABLES], [t[1][::-1] for t in TABLES], arms=ARMS[::-1]).difference
    assert (mirrored.estimate, mirrored.std_error) == (pytest.approx(-value), pytest.approx(error))


def test_a_difference_stays_between_minus_one_and_one():
    wide = common_odds([[0, 2]], [[2, 3]], arms=ARMS, inflation=(9.0, 1.0)).difference
    assert wide.interval.high == 1
    assert wide.interval.low == pytest.approx(wide.estimate - 1.96 * wide.std_error, rel=1e-4)
    low = common_odds([[2, 0]], [[3, 2]], arms=ARMS[::-1], inflation=(9.0, 1.0)).difference
    assert low.interval.low == -1


def test_widened_counts_are_told_as_split_and_have_their_tail():
    success, cases = [t[0] for t in TABLES], [t[1] for t in TABLES]
    found = common_odds(success, cases, arms=ARMS, inflation=(1.0, 4.0)).odds_ratio
    assert found.method.startswith("Mantel-Haenszel")
    up = 8 * 9 / 26 + 6 * 10 / 26
    down = 3 * 6 / 26 + 5 * 5 / 26
    assert found.estimate == pytest.approx(up / down)
    assert found.p_value == pytest.approx(2 * stats.norm.sf(math.log(up / down) / found.std_error))
    one = common_odds(np.array(success) + 1e-7, cases, arms=ARMS).odds_ratio
    assert found.std_error == pytest.approx(2 * one.std_error, rel=1e-5)
    assert math.log(found.interval.high / found.estimate) == pytest.approx(1.959964 * found.std_error)
    unknown = common_odds(success, cases, arms=ARMS, inflation=(math.inf, math.inf))
    assert (unknown.odds_ratio.code, unknown.difference.code) == ("no_information", "no_information")
    assert common_odds([[0.5, 0.0]], [[1, 1]], arms=ARMS).odds_ratio.code == "no_information"


@pytest.mark.parametrize(
    ("success", "cases", "told"),
    [([[1, 2, 3]], [[4, 4, 4]], "two columns"), ([1, 2], [4, 4], "two columns"),
     ([[1, 2]], [[4, 4], [4, 4]], "equally"),
     ([[-1, 2]], [[4, 4]], "from 0 to"), ([[3, 2]], [[2, 4]], "from 0 to")],
)  # fmt: skip
def test_counts_that_cannot_be_are_refused(success, cases, told):
    with pytest.raises(OnsetStudyError, match=told):
        common_odds(success, cases, arms=ARMS)
    with pytest.raises(OnsetStudyError, match="by 1 or more"):
        common_odds([[1, 2]], [[4, 4]], arms=ARMS, inflation=(0.9, 2.0))


def test_limits_of_a_funnel_lie_between_the_whole_numbers_around_the_tail():
    # Four cases at one half: P(X <= 0) = 1/16, P(X <= 1) = 5/16. A tail of 1/8 lies a quarter of the way to 1.
    assert exact_limit(0.5, [4], 0.125)[0] == pytest.approx((1 - (5 / 16 - 2 / 16) / (4 / 16)) / 4)
    assert exact_limit(0.5, [4], 1 / 16)[0] == pytest.approx(0.0)
    assert exact_limit(0.5, [4], 0.875)[0] == pytest.approx((3 - (15 / 16 - 14 / 16) / (4 / 16)) / 4)
    assert exact_limit(0.5, [4, 8], 0.025).tolist() == [exact_limit(0.5, [n], 0.025)[0] for n in (4, 8)]


def test_points_of_a_funnel_by_hand():
    found = funnel([10, 20, 30, 19], [100, 100, 100, 95], [20, 20, 20, 19], ["d", "c", "b", "a"])
    assert [p.label for p in found.points] == ["a", "b", "c", "d"]
    assert found.centre == pytest.approx(79 / 395)
    assert [p.adjusted for p in found.points] == pytest.approx([0.2, 0.3, 0.2, 0.1])
    assert [p.flag for p in found.points] == ["", "look", "", "look"]
    z = (np.array([0.1, 0.2, 0.3, 0.2]) - 0.2) / np.sqrt(0.16 / np.array([100, 100, 100, 95]))
    low, high = np.quantile(z, [0.1, 0.9])
    assert found.dispersion == pytest.approx(np.mean(np.clip(z, low, high) ** 2))
    assert found.dispersed == (found.dispersion > 1 + 2 * math.sqrt(2 / 4))
    for point in found.points:
        tail = exact_limit(0.2, [point.cases], 0.025)[0], exact_limit(0.2, [point.cases], 0.975)[0]
        widened = math.sqrt(found.dispersion) if found.dispersed else 1.0
        assert point.inner.low == pytest.approx(0.2 - widened * (0.2 - tail[0]))
        assert point.inner.high == pytest.approx(0.2 + widened * (tail[1] - 0.2))
        assert ("widened" in point.inner.method) == found.dispersed
        assert point.outer.low < point.inner.low < point.inner.high < point.outer.high
    assert [c.code for c in found.caution] == ["no_ranks"]
    cases = [edge[0] for edge in found.edges]
    assert cases == sorted(cases)
    assert (cases[0], cases[-1]) == (76, 115)


def test_units_that_differ_more_than_chance_have_wider_limits():
    found = funnel([5, 60, 10, 70], [100] * 4, [36.25] * 4, list("abcd"))
    assert found.dispersed
    assert all("widened" in p.inner.method for p in found.points)
    tail = exact_limit(found.centre, [100], 0.975)[0]
    widened = found.centre + math.sqrt(found.dispersion) * (tail - found.centre)
    assert found.points[0].inner.high == pytest.approx(min(1.0, widened))


@pytest.mark.parametrize(
    ("x", "n", "e", "labels", "error"),
    [([-1, 2], [5, 5], [1, 1], "ab", OnsetStudyError), ([6, 2], [5, 5], [1, 1], "ab", OnsetStudyError),
     ([0, 2], [0, 5], [1, 1], "ab", OnsetStudyError), ([1, 2], [5, 5], [1], "ab", OnsetStudyError),
     ([1, 2], [5, 5], [1, 1], "a", OnsetStudyError), ([1, 2], [5, 5], [1, 1], "aa", OnsetStudyError),
     ([0, 0], [5, 5], [1, 1], "ab", NotEstimable), ([5, 5], [5, 5], [1, 1], "ab", NotEstimable),
     ([1, 2], [5, 5], [0, 1], "ab", NotEstimable)],
)  # fmt: skip
def test_units_that_cannot_be_are_refused(x, n, e, labels, error):
    with pytest.raises(error):
        funnel(x, n, e, list(labels))
    assert len(funnel([1, 0], [1, 5], [0.5, 0.5], ["a", "b"]).points) == 2


def test_few_cases_are_told():
    found = funnel([2, 4], [19, 20], [3, 3], ["a", "b"])
    assert [c.text for c in found.caution if c.code == "small_numbers"] == [
        "a: fewer than 20 cases, from which little can be said."
    ]


def test_the_peak_of_a_unit_is_where_its_likelihood_is_level_and_as_wide_as_it_is_bent():
    x, n, base, spread = np.array([1, 6]), np.array([8, 9]), np.array([-1.0, 0.3]), np.array([0.5, 1.5])
    middle, width = _peaks(x, n, base[:, None], spread)
    assert middle.shape == width.shape == (2, 2)
    for i, j in np.ndindex(2, 2):

        def log(u, i=i, j=j):
            odds = base[i] + spread[j] * u
            return x[i] * odds - n[i] * np.logaddexp(0, odds) - u**2 / 2

        at, h = middle[i, j], 1e-3
        assert (log(at + h) - log(at - h)) / (2 * h) == pytest.approx(0, abs=1e-6)
        bent = (log(at + h) - 2 * log(at) + log(at - h)) / h**2
        assert width[i, j] == pytest.approx(1 / math.sqrt(-bent), rel=1e-5)
