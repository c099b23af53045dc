"""Limits of curves of erring tests, and such curves from counted intervals: by hand, by enumeration, by known truth."""

from __future__ import annotations

import itertools
from functools import partial

import numpy as np
import pytest
from scipy import optimize, stats

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals, derive_intervals
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.testing.misclassified import fit_kernel, kernel_of_intervals, kernel_of_tests
from onsetstudy.survival.testing.profile_limits import profile_limits
from tests.simulation.kept import KeptStudies
from tests.survival.test_misclassified import MINUTES, teeth_of

ALLOWED = stats.chi2.ppf(0.95, 1)


def binomial(numb, n):
    """One test at minute 1, never in error."""
    kernel = kernel_of_tests(
        np.arange(n), np.ones(n), np.arange(n) >= numb, sensitivity=1.0, specificity=1.0
    )  # fmt: skip
    return kernel, fit_kernel(kernel, sensitivity=1.0, specificity=1.0).mass


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
    mass = fit_kernel(kernel, sensitivity=0.95, specificity=0.91).mass
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
    mass = fit_kernel(kernel, sensitivity=0.91, specificity=0.87).mass
    numb = (kernel.edges[1:] <= 4).astype(float)
    low, high = profile_limits([kernel], [numb], conf_level=1e-3, start=[mass])
    assert low == pytest.approx(numb @ mass, abs=1e-4)
    assert high == pytest.approx(numb @ mass, abs=1e-4)
    assert low <= numb @ mass <= high


def test_limits_of_two_sums_are_each_those_of_one():
    readings, _, _ = teeth_of(40, se=0.95, sp=0.91, seed=2)
    kernel = kernel_of_tests(*readings, sensitivity=0.95, specificity=0.91)
    start = [fit_kernel(kernel, sensitivity=0.95, specificity=0.91).mass]
    least, most = ((kernel.edges[k : -1 + k or None] <= 4) * 1.0 for k in (1, 0))
    one, other = (profile_limits([kernel], [c], conf_level=0.95, start=start) for c in (least, most))
    assert profile_limits([kernel], [least], conf_level=0.95, start=start, largest=[most]) == (one[0], other[1])


def test_gaps_that_no_test_tells_apart_do_not_stop_it():
    kernel = kernel_of_tests([0, 0, 1], [1, 2, 5], [True, False, True], sensitivity=1.0, specificity=1.0)
    mass = fit_kernel(kernel, sensitivity=1.0, specificity=1.0).mass
    low, high = profile_limits([kernel], [(1.0, 1.0, 0.0, 0.0)], conf_level=0.95, start=[mass])
    assert 0 <= low < 0.5 < high < 1


def test_every_mass_has_to_be_told_what_it_counts():
    kernel, mass = binomial(3, 10)
    with pytest.raises(OnsetStudyError, match="told what it counts"):
        profile_limits([kernel], [(1.0,)], conf_level=0.95, start=[mass])


def rule(answers, confirmations):
    """Last felt test and first test of the run, as places from 0, of answers felt or not; ``None`` where not met."""
    run = 0
    for k, felt in enumerate(answers):
        run = 0 if felt else run + 1
        if run == confirmations:
            return k - confirmations, k - confirmations + 1
    return max((k for k, felt in enumerate(answers) if felt), default=-1), None


@pytest.mark.parametrize("confirmations", [1, 2, 3])
@pytest.mark.parametrize(("se", "sp"), [(0.95, 0.91), (0.9, 1.0), (1.0, 0.87)])
def test_the_chance_of_an_interval_is_the_sum_over_all_orders_of_tests(confirmations, se, sp):
    """Five tests: all orders of answers that the rule reads as the interval, each with its chance, added up."""
    minutes = np.arange(1.0, 6.0)
    wanted: dict = {}
    for answers in itertools.product((True, False), repeat=5):
        read = rule(answers, confirmations)
        if read[1] is None:
            continue
        for gap in range(6):
            chance = 1.0
            for k, felt in enumerate(answers[: read[1] + confirmations]):
                silent = se if k >= gap else 1 - sp
                chance *= (1 - silent) if felt else silent
            # What comes after the rule is met is not seen: each beginning once.
            wanted.setdefault(read, {})[answers[: read[1] + confirmations], gap] = chance
    assert wanted
    for (left, right), chances in wanted.items():
        total = np.array([sum(c for (_, g), c in chances.items() if g == gap) for gap in range(6)])
        times = Intervals([0.0 if left < 0 else minutes[left]], [minutes[right]])
        kernel = kernel_of_intervals(
            times, minutes, confirmations=confirmations, sensitivity=se, specificity=sp
        )  # fmt: skip
        assert kernel.chance[0] * np.exp(kernel.scale[0]) == pytest.approx(total, abs=1e-12)


def intervals_of(n, **errors):
    (case, minute, felt), onset, _ = teeth_of(n, **errors)
    found = derive_intervals(case, minute, felt, n_cases=n)
    return Intervals(found.left, found.right), (case, minute, felt), onset


def test_without_errors_counted_intervals_are_their_curve():
    times, _, _ = intervals_of(80)
    kernel = kernel_of_intervals(times, MINUTES, confirmations=2, sensitivity=1.0, specificity=1.0)
    curve, plain = fit_kernel(kernel, sensitivity=1.0, specificity=1.0), fit_npmle(times)
    for t in MINUTES[:-1]:
        low, high = plain.at(t)
        assert curve.numb_by(t) == pytest.approx((1 - high, 1 - low), abs=1e-6)


def test_minutes_beside_the_plan_count_on_the_nearest_test_and_weights_are_copies():
    times, _, _ = intervals_of(40, se=0.95, sp=0.91)
    moved = Intervals(np.where(times.left > 0, times.left + 0.2, 0.0), times.right - 0.3)
    asked = {"confirmations": 2, "sensitivity": 0.95, "specificity": 0.91}
    one, two = (kernel_of_intervals(t, MINUTES, **asked) for t in (times, moved))
    assert one.chance == pytest.approx(two.chance)
    assert one.weight == pytest.approx(two.weight)
    many = kernel_of_intervals(times, MINUTES, **asked, weight=np.full(40, 3))
    assert many.weight == pytest.approx(3 * one.weight)
    with pytest.raises(OnsetStudyError, match="specificity"):
        kernel_of_intervals(times, MINUTES, confirmations=2, sensitivity=1.0, specificity=0.5)


def test_a_missed_test_leaves_the_onset_open():
    kernel = kernel_of_intervals(
        Intervals([1.0], [3.0]), [1.0, 2.0, 3.0, 4.0], confirmations=2, sensitivity=1.0, specificity=1.0
    )  # fmt: skip
    assert kernel.chance[0] == pytest.approx([0, 1, 1, 0, 0])


def test_counted_intervals_find_the_truth_where_the_rule_does_not():
    """False "not felt" of .13: the rule calls too many teeth numb by 4 min, and the intervals alone tell how many."""
    times, readings, onset = intervals_of(4000, se=0.95, sp=0.87, seed=8)
    truth = float(np.mean(onset <= 4))
    ruled = float(np.mean(times.right <= 4))
    kernels = (
        kernel_of_intervals(times, MINUTES, confirmations=2, sensitivity=0.95, specificity=0.87),
        kernel_of_tests(*readings, sensitivity=0.95, specificity=0.87),
    )
    found = [fit_kernel(k, sensitivity=0.95, specificity=0.87).numb_by(4)[0] for k in kernels]
    assert abs(ruled - truth) > 0.02
    assert found == pytest.approx([truth, truth], abs=0.02)


TRUTH = 0.9 * (1 - np.exp(-((4 / 6) ** 1.6)))
"""Share numb by 4 min."""


def twenty_studies(counted, k):
    """How many limits of 60 teeth hold the truth, sensitivity .91 and specificity .87."""
    asked, held = {"sensitivity": 0.91, "specificity": 0.87}, 0
    for seed in range(3000 + 20 * k, 3020 + 20 * k):
        times, readings, _ = intervals_of(60, se=0.91, sp=0.87, seed=seed)
        kernel = (
            kernel_of_intervals(times, MINUTES, confirmations=2, **asked)
            if counted
            else kernel_of_tests(*readings, **asked)
        )
        start = [fit_kernel(kernel, **asked).mass]
        low, high = profile_limits([kernel], [(kernel.edges[1:] <= 4) * 1.0], conf_level=0.95, start=start)
        held += low <= TRUTH <= high
    return {"held": held}


LIMITS = {
    counted: KeptStudies(name=f"erring_limits_from_{source}", one=partial(twenty_studies, counted), count=15, again=2)
    for counted, source in ((False, "tests"), (True, "intervals"))
}


@pytest.mark.parametrize("counted", [False, True])
def test_limits_hold_the_truth_in_nineteen_of_twenty_studies(counted):
    """Within three errors of 300 studies."""
    held = LIMITS[counted].numbers()["held"].sum() / 300
    assert abs(held - 0.95) < 3 * np.sqrt(0.05 * 0.95 / 300)
