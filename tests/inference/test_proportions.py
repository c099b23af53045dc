from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats
from statsmodels.stats.contingency_tables import mcnemar
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.inference.proportions import (
    _shares_given_difference,
    cases_of_mean,
    clopper_pearson_limits,
    mcnemar_exact,
    miettinen_nurminen_limits,
    mover_difference,
    mover_ratio,
    newcombe_difference,
    newcombe_paired_difference,
    wilson_limits,
)

counts = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize("fraction", ["81/263", "15/148", "0/20", "1/29"])
def test_single_share_limits_as_printed(reference, fraction):
    ref = reference("newcombe_1998_single")
    count, n = map(int, fraction.split("/"))
    for name, limits in (("wilson", wilson_limits(count, n)), ("exact", clopper_pearson_limits(count, n))):
        ref.check(f"{name} {fraction} low", limits[0])
        ref.check(f"{name} {fraction} high", limits[1])


@pytest.mark.parametrize("pair", ["56/70 48/80", "9/10 3/10", "6/7 2/7", "5/56 0/29", "0/10 0/20", "10/10 0/20"])
def test_difference_of_shares_as_printed(reference, pair):
    ref = reference("newcombe_1998_difference")
    numbers = [int(x) for fraction in pair.split() for x in fraction.split("/")]
    low, high = newcombe_difference(*numbers)
    ref.check(f"{pair} low", low)
    ref.check(f"{pair} high", high)


def test_score_limits_of_a_difference(reference):
    ref = reference("miettinen_nurminen_1985_difference")
    low, high = miettinen_nurminen_limits(56, 70, 48, 80)
    ref.check("56/70 48/80 low", low)
    ref.check("56/70 48/80 high", high)


@pytest.mark.parametrize("table", [(36, 12, 2, 0), (20, 12, 2, 16)])
def test_paired_difference_as_printed(reference, table):
    ref = reference("newcombe_1998_paired")
    low, high = newcombe_paired_difference(*table)
    ref.check(f"{' '.join(map(str, table))} low", low)
    ref.check(f"{' '.join(map(str, table))} high", high)


def test_exact_mcnemar_as_printed_and_as_a_fraction(reference):
    ref = reference("manta_2023_mcnemar")
    ref.check("1 v 5", mcnemar_exact(1, 5))
    ref.check("12 v 2", mcnemar_exact(12, 2))
    # (1 + 6) / 64 in one tail, twice.
    assert mcnemar_exact(1, 5) == pytest.approx(14 / 64, abs=1e-15)
    assert mcnemar_exact(3, 3) == 1.0
    assert mcnemar_exact(0, 0) == 1.0


@given(st.integers(0, 40), st.integers(0, 40))
def test_exact_mcnemar_equals_statsmodels(first, second):
    if first + second:
        theirs = mcnemar([[7, first], [second, 9]], exact=True).pvalue
        assert mcnemar_exact(first, second) == pytest.approx(theirs, abs=1e-12)


@given(counts, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_single_share_limits_equal_statsmodels(fraction, level):
    count, n = fraction
    assert wilson_limits(count, n, level) == pytest.approx(
        proportion_confint(count, n, 1 - level, method="wilson"), abs=1e-12
    )
    assert clopper_pearson_limits(count, n, level) == pytest.approx(
        proportion_confint(count, n, 1 - level, method="beta"), abs=1e-9
    )


@given(
    st.integers(3, 40).flatmap(lambda n: st.tuples(st.integers(1, n - 1), st.just(n))),
    st.integers(3, 40).flatmap(lambda n: st.tuples(st.integers(1, n - 1), st.just(n))),
)
def test_difference_limits_equal_statsmodels_away_from_the_edges(one, two):
    # At 0 and n the library divides by zero, which is why the formula stands here.
    ours = newcombe_difference(*one, *two)
    assert ours == pytest.approx(confint_proportions_2indep(*one, *two, method="newcomb", compare="diff"), abs=1e-12)


def constrained_by_search(table, delta):
    """Shares that differ by delta and maximise the binomial likelihood, by numerical search."""
    x, n, y, m = table

    def negative(q):
        return -float(np.sum(stats.binom.logpmf([x, y], [n, m], [q + delta, q])))

    low, high = max(0.0, -delta) + 1e-10, min(1.0, 1 - delta) - 1e-10
    q = optimize.minimize_scalar(negative, bounds=(low, high), method="bounded", options={"xatol": 1e-12}).x
    return q + delta, q


@pytest.mark.parametrize("table", [(56, 70, 48, 80), (9, 10, 3, 10), (2, 15, 11, 40), (30, 31, 5, 9), (0, 10, 3, 20)])
def test_score_limits_solve_the_score_equation(table):
    # statsmodels 0.15.0 is no twin here: its constrained shares do not maximise the likelihood
    # (30/31 and 5/9 at .7098: .9253 and .2154, log-likelihood lower by 1.26), so the twin is a search.
    x, n, y, m = table
    for delta in miettinen_nurminen_limits(*table):
        p, q = constrained_by_search(table, delta)
        variance = (p * (1 - p) / n + q * (1 - q) / m) * (n + m) / (n + m - 1)
        assert abs(x / n - y / m - delta) / math.sqrt(variance) == pytest.approx(stats.norm.ppf(0.975), rel=1e-4)


@pytest.mark.parametrize(("table", "delta"), [((5, 9, 4, 11), 0.3), ((0, 10, 3, 20), -0.4), ((7, 7, 2, 8), 0.9)])
def test_constrained_shares_maximise_the_likelihood(table, delta):
    x, n, y, m = table
    share, reference = _shares_given_difference(x, n, y, m, delta)
    assert share - reference == pytest.approx(delta, abs=1e-12)
    assert reference == pytest.approx(constrained_by_search(table, delta)[1], abs=1e-5)


@given(counts, counts)
def test_swapping_the_arms_mirrors_every_difference(one, two):
    for limits in (newcombe_difference, miettinen_nurminen_limits):
        low, high = limits(*one, *two)
        back_low, back_high = limits(*two, *one)
        assert (low, high) == pytest.approx((-back_high, -back_low), abs=1e-8)
        assert -1 <= low <= one[0] / one[1] - two[0] / two[1] + 1e-12
        assert one[0] / one[1] - two[0] / two[1] - 1e-12 <= high <= 1


@given(st.tuples(*[st.integers(0, 15)] * 4).filter(lambda t: sum(t) > 0))
def test_swapping_the_conditions_mirrors_the_paired_difference(table):
    both, first, second, neither = table
    low, high = newcombe_paired_difference(both, first, second, neither)
    back_low, back_high = newcombe_paired_difference(both, second, first, neither)
    assert (low, high) == pytest.approx((-back_high, -back_low), abs=1e-12)


def test_difference_of_bounded_quantities_encloses_every_choice_within_the_bounds():
    low, high = mover_difference((0.4, 0.5), (0.2, 0.7), (0.1, 0.3), (0.05, 0.5))
    for p in (0.4, 0.45, 0.5):
        for q in (0.1, 0.2, 0.3):
            inner = mover_difference((p, p), (p - 0.2, p + 0.2), (q, q), (q - 0.05, q + 0.2))
            assert low <= inner[0]
            assert inner[1] <= high


def test_ratio_limits_solve_the_equation_they_come_from():
    # The limit r makes the limit of first - r * second zero, by the same recovery of variances.
    p, p_limits, q, q_limits = 0.7, (0.48, 0.855), 0.35, (0.18, 0.567)
    low, high = mover_ratio((p, p), p_limits, (q, q), q_limits)
    assert p - low * q == pytest.approx(math.hypot(p - p_limits[0], low * (q_limits[1] - q)), abs=1e-12)
    assert high * q - p == pytest.approx(math.hypot(p_limits[1] - p, high * (q - q_limits[0])), abs=1e-12)
    assert low < p / q < high


def test_ratio_has_no_upper_limit_where_the_reference_may_be_zero():
    assert mover_ratio((0.5, 0.5), (0.3, 0.7), (0.1, 0.1), (0.0, 0.3))[1] == math.inf
    assert mover_ratio((0.0, 0.0), (0.0, 0.2), (0.5, 0.5), (0.3, 0.7))[0] == 0.0


@given(st.integers(1, 40), st.floats(0, 1))
def test_the_mean_of_one_stratum_is_that_stratum(n, share):
    assert cases_of_mean(np.ones(1), np.array([share]), np.array([n])) == pytest.approx(n, rel=1e-9)


def test_strata_that_are_alike_count_as_one_share_and_unlike_ones_as_more():
    half, ten = np.full(2, 0.5), np.full(2, 10.0)
    assert cases_of_mean(half, np.full(2, 0.3), ten) == pytest.approx(20, rel=0.06)
    # Nobody and everybody: each as sure as one case in 22 the other way, half a case more of ten and one.
    assert cases_of_mean(half, np.array([0.0, 1.0]), ten) == pytest.approx(20 * 0.25 / (1 / 22 * 21 / 22))
    assert cases_of_mean(half, np.zeros(2), np.array([10.0, 30.0])) == pytest.approx(4 / (1 / 10 + 1 / 30))
    # Single cases show nothing of their strata, and count as one share of all of them.
    assert cases_of_mean(np.full(20, 0.05), np.repeat([0.0, 1.0], 10), np.ones(20)) == pytest.approx(20)


def test_a_share_of_nothing_is_unknown_and_nonsense_is_refused():
    assert wilson_limits(0, 0) == (0.0, 1.0)
    with pytest.raises(OnsetStudyError, match="5 of 4 is not a share"):
        wilson_limits(5, 4)
    with pytest.raises(OnsetStudyError, match="confidence level 95 is not a share"):
        wilson_limits(1, 4, 95)


@pytest.mark.parametrize("few", [2, 3])
def test_a_large_stratum_that_is_all_numb_does_not_make_the_mean_certain(few):
    """20 of 20 and 0 of 3: the large one alone counted as 510 cases."""
    n = np.array([20.0, few])
    weight, share = n / n.sum(), np.array([1.0, 0.0])
    assert 1 < cases_of_mean(weight, share, n) / n.sum() < 5
    assert cases_of_mean(weight, 1 - share, n) == pytest.approx(cases_of_mean(weight, share, n))
