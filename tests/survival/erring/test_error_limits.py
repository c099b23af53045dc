"""Limits of curves of erring tests: by hand, by an optimiser, by known truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.survival.erring.misclassified import fit_kernel, kernel_of_tests
from onsetstudy.survival.erring.profile_limits import profile_limits
from tests.simulation.kept import KeptStudies
from tests.survival.erring.test_misclassified import teeth_of

ALLOWED = stats.chi2.ppf(0.95, 1)


def binomial(numb, n):
    """One test at minute 1, never in error."""
    kernel = kernel_of_tests(
        np.arange(n), np.ones(n), np.arange(n) >= numb, sensitivity=1.0, specificity=1.0
    )  # fmt: skip
    return kernel, fit_kernel(kernel).mass


def limits(*groups, sums=None, level=0.95):
    kernels, start = zip(*groups, strict=True)
    return profile_limits(kernels, sums or [(1.0, 0.0)], conf_level=level, start=start)


@pytest.mark.parametrize(("numb", "n"), [(3, 10), (9, 10), (40, 120)])
def test_of_one_test_that_never_errs_they_are_those_of_a_proportion(numb, n):
    """Twice the loss of the binomial log-likelihood is 3.84 at both limits."""
    share = numb / n
    for limit in limits(binomial(numb, n)):
        lost = numb * np.log(share / limit) + (n - numb) * np.log((1 - share) / (1 - limit))
        assert 2 * lost == pytest.approx(ALLOWED, abs=1e-4)


def test_where_all_were_numb_one_limit_is_one_and_the_other_by_hand():
    """``n log(p)`` falls by 1.92 at p = exp(-1.92 / n)."""
    low, high = limits(binomial(12, 12))
    assert high == pytest.approx(1.0, abs=1e-6)
    assert low == pytest.approx(np.exp(-ALLOWED / 2 / 12), abs=1e-6)


def test_a_wider_level_is_wider_and_swapped_groups_turn_the_difference():
    one, two = binomial(12, 30), binomial(20, 30)
    apart = [(-1.0, 0.0), (1.0, 0.0)]
    low, high = limits(one, two, sums=apart)
    back = limits(two, one, sums=apart)
    assert back == pytest.approx((-high, -low), abs=1e-6)
    assert low < 8 / 30 < high
    wide = limits(one, two, sums=apart, level=0.99)
    assert wide[0] < low
    assert wide[1] > high
    assert low > 0  # 20 of 30 against 12 of 30: likelihood ratio 4.3, above 3.84
    assert wide[0] < 0


def test_an_optimiser_that_knows_nothing_of_tilts_finds_the_same_limit():
    """Minimise the share numb by 4 min among all masses that lose no more than allowed (SciPy's SLSQP)."""
    readings, _, _ = teeth_of(60, se=0.95, sp=0.91, seed=3)
    kernel = kernel_of_tests(*readings, sensitivity=0.95, specificity=0.91)
    mass = fit_kernel(kernel).mass
    numb = (kernel.edges[1:] <= 4).astype(float)
    ours = profile_limits([kernel], [numb], conf_level=0.95, start=[mass])
    floor = kernel.log_likelihood(mass) - ALLOWED / 2
    inside = {"type": "ineq", "fun": lambda m: kernel.log_likelihood(np.maximum(m, 1e-15)) - floor}
    whole = {"type": "eq", "fun": lambda m: m.sum() - 1}
    for sign, limit in ((1.0, ours[0]), (-1.0, ours[1])):
        found = optimize.minimize(
            lambda m, s=sign: s * numb @ m, mass, bounds=[(0, 1)] * mass.size, constraints=[inside, whole],
            method="SLSQP", options={"maxiter": 500, "ftol": 1e-10},
        )  # fmt: skip
        assert limit == pytest.approx(sign * found.fun, abs=2e-3)


def test_where_next_to_nothing_may_be_lost_both_limits_are_the_sum_of_greatest_likelihood():
    readings, _, _ = teeth_of(80, se=0.91, sp=0.87, seed=5)
    kernel = kernel_of_tests(*readings, sensitivity=0.91, specificity=0.87)
    mass = fit_kernel(kernel).mass
    numb = (kernel.edges[1:] <= 4).astype(float)
    low, high = profile_limits([kernel], [numb], conf_level=1e-3, start=[mass])
    assert low == pytest.approx(numb @ mass, abs=1e-4)
    assert high == pytest.approx(numb @ mass, abs=1e-4)
    assert low <= numb @ mass <= high


def test_limits_of_two_sums_are_each_those_of_one():
    readings, _, _ = teeth_of(40, se=0.95, sp=0.91, seed=2)
    kernel = kernel_of_tests(*readings, sensitivity=0.95, specificity=0.91)
    start = [fit_kernel(kernel).mass]
    least, most = ((kernel.edges[k : -1 + k or None] <= 4) * 1.0 for k in (1, 0))
    one, other = (profile_limits([kernel], [c], conf_level=0.95, start=start) for c in (least, most))
    assert profile_limits([kernel], [least], conf_level=0.95, start=start, largest=[most]) == (one[0], other[1])


def test_gaps_that_no_test_tells_apart_do_not_stop_it():
    kernel = kernel_of_tests([0, 0, 1], [1, 2, 5], [True, False, True], sensitivity=1.0, specificity=1.0)
    mass = fit_kernel(kernel).mass
    low, high = profile_limits([kernel], [(1.0, 1.0, 0.0, 0.0)], conf_level=0.95, start=[mass])
    assert 0 <= low < 0.5 < high < 1


def test_every_mass_has_to_be_told_what_it_counts():
    kernel, mass = binomial(3, 10)
    with pytest.raises(OnsetStudyError, match="told what it counts"):
        profile_limits([kernel], [(1.0,)], conf_level=0.95, start=[mass])


PLANNED = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0)


def shares_of_tests(ended, n=4000):
    """Shares numb by 4, 6, 8 and 10 min: true, and from tests; of cases whose testing ``ended`` early.

    ``ended`` chooses, of a generator, the test before which testing of a case ends, 7 for none.
    """
    rng, errors = np.random.default_rng(1), {"sensitivity": 0.95, "specificity": 0.91}
    onset = np.where(rng.random(n) < 0.1, np.inf, rng.gamma(4, 1.6, n))
    case, minute, felt = [], [], []
    for i, true in enumerate(onset):
        run = 0
        for t in PLANNED[: ended(rng)]:
            answer = rng.random() < (0.05 if t >= true else 0.91)
            case.append(i), minute.append(t), felt.append(answer)
            run = 0 if answer else run + 1
            if run == 2:
                break
    curve = fit_kernel(kernel_of_tests(case, minute, felt, **errors))
    asked = (4, 6, 8, 10)
    return np.mean(onset[:, None] <= asked, axis=0), np.array([curve.numb_by(t)[0] for t in asked])


def test_to_the_last_test_they_say_how_many_are_numb():
    true, of_tests = shares_of_tests(lambda rng: 7)
    # Shares of 4,000 cases have a standard error of .8 points at most.
    assert of_tests == pytest.approx(true, abs=0.025)


def test_of_testing_that_ended_early_they_say_it_too():
    """Three cases of ten end before a test taken at random, also after one that was not felt."""
    true, of_tests = shares_of_tests(lambda rng: rng.integers(1, 7) if rng.random() < 0.3 else 7)
    assert of_tests == pytest.approx(true, abs=0.025)


def test_they_find_the_truth_where_the_rule_does_not():
    """False "not felt" of .13: the rule calls too many teeth numb by 4 min."""
    readings, onset, ruled = teeth_of(4000, se=0.95, sp=0.87, seed=8)
    truth = float(np.mean(onset <= 4))
    kernel = kernel_of_tests(*readings, sensitivity=0.95, specificity=0.87)
    assert abs(float(np.mean(ruled <= 4)) - truth) > 0.02
    assert fit_kernel(kernel).numb_by(4)[0] == pytest.approx(truth, abs=0.02)


TRUTH = 0.9 * (1 - np.exp(-((4 / 6) ** 1.6)))
"""Share numb by 4 min."""


def twenty_studies(k):
    """How many limits of 60 teeth hold the truth, sensitivity .91 and specificity .87."""
    asked, held = {"sensitivity": 0.91, "specificity": 0.87}, 0
    for seed in range(3000 + 20 * k, 3020 + 20 * k):
        readings, _, _ = teeth_of(60, se=0.91, sp=0.87, seed=seed)
        kernel = kernel_of_tests(*readings, **asked)
        start = [fit_kernel(kernel).mass]
        low, high = profile_limits([kernel], [(kernel.edges[1:] <= 4) * 1.0], conf_level=0.95, start=start)
        held += low <= TRUTH <= high
    return {"held": held}


LIMITS = KeptStudies(name="erring_limits_from_tests", one=twenty_studies, count=15, again=2)


def test_limits_hold_the_truth_in_nineteen_of_twenty_studies():
    """Within three errors of 300 studies."""
    held = LIMITS.numbers()["held"].sum() / 300
    assert abs(held - 0.95) < 3 * np.sqrt(0.05 * 0.95 / 300)
