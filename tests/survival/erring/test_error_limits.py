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
from onsetstudy.survival.erring.misclassified import fit_kernel, kernel_of_intervals, kernel_of_tests
from onsetstudy.survival.erring.profile_limits import profile_limits
from tests.simulation.kept import KeptStudies
from tests.survival.erring.test_misclassified import MINUTES, teeth_of

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


def all_readings(tests, confirmations, *, se, sp, done=None):
    """Chance of each interval by gap of onset, all orders of answers added up; tests from ``done`` on are not done."""
    chances = {}
    for answers in itertools.product((True, False), repeat=tests if done is None else done):
        read = rule(answers, confirmations)
        # What comes after the rule is met is not seen, so that its chances sum to 1.
        for gap in range(tests + 1):
            silent = [se if k >= gap else 1 - sp for k in range(len(answers))]
            chance = np.prod([1 - q if felt else q for q, felt in zip(silent, answers, strict=True)])
            chances.setdefault(read, np.zeros(tests + 1))[gap] += chance
    return chances


def kernel_chances(readings, minutes, confirmations, *, se, sp, **told):
    """The same chances as the kernel has them, in the order of the readings."""
    found = []
    for left, right in readings:
        ends = [0.0 if left < 0 else minutes[left]], [np.inf if right is None else minutes[right]]
        kernel = kernel_of_intervals(
            Intervals(*ends), minutes, confirmations=confirmations, sensitivity=se, specificity=sp, **told
        )
        found.append(kernel.chance[0] * np.exp(kernel.scale[0]))
    return np.array(found)


@pytest.mark.parametrize("confirmations", [1, 2, 3])
@pytest.mark.parametrize(("se", "sp"), [(0.95, 0.91), (0.9, 1.0), (1.0, 0.87)])
def test_the_chance_of_an_interval_is_the_sum_over_all_orders_of_tests(confirmations, se, sp):
    """Five tests: all orders of answers that the rule reads as the interval, with onset or without, add up to it.

    Whatever the gap of onset, one of the intervals is read: all chances sum to 1.
    """
    minutes = np.arange(1.0, 6.0)
    wanted = all_readings(5, confirmations, se=se, sp=sp)
    assert {right is None for _, right in wanted} == {True, False}
    found = kernel_chances(wanted, minutes, confirmations, se=se, sp=sp)
    assert found == pytest.approx(np.array([*wanted.values()]), abs=1e-12)
    assert found.sum(axis=0) == pytest.approx(np.ones(6), abs=1e-12)


@pytest.mark.parametrize("confirmations", [1, 2, 3])
@pytest.mark.parametrize("done", [1, 3, 5])
def test_of_testing_whose_end_is_told_all_readings_sum_to_one(confirmations, done):
    """A supplement half a minute after the third of five tests: what came after the last felt test is known."""
    minutes, errors = np.arange(1.0, 6.0), {"se": 0.95, "sp": 0.87}
    wanted = all_readings(5, confirmations, **errors, done=done)
    found = kernel_chances(wanted, minutes, confirmations, **errors, ended_min=[done + 0.5])
    assert found == pytest.approx(np.array([*wanted.values()]), abs=1e-12)
    assert found.sum(axis=0) == pytest.approx(np.ones(6), abs=1e-12)


def test_where_nobody_tells_why_testing_ended_early_it_ended_with_the_last_felt_test():
    """Two more tests would have confirmed an onset or be felt: (3, inf] of five says what being felt at 3 says."""
    minutes, errors = np.arange(1.0, 6.0), {"se": 0.95, "sp": 0.87}
    untold, told = (
        kernel_chances([(2, None)], minutes, 2, **errors, **more) for more in ({}, {"ended_min": [3.5]})
    )  # fmt: skip
    assert untold == pytest.approx(told)
    last, ended = (
        kernel_chances([(3, None)], minutes, 2, **errors, **more)[0] for more in ({}, {"ended_min": [4.5]})
    )  # fmt: skip
    # Onset after all tests, and before the last: one more test that was not felt.
    assert last / ended == pytest.approx([0.95] * 5 + [0.13])


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


PLANNED = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0)


def shares_of_both_roads(ended, told=False, n=4000):
    """Shares numb by 4, 6, 8 and 10 min: true, from tests, from intervals; of cases whose testing ``ended`` early.

    ``ended`` chooses, of a generator, the test before which testing of a case ends, 7 for none; ``told``: its minute
    is known.
    """
    rng, errors = np.random.default_rng(1), {"sensitivity": 0.95, "specificity": 0.91}
    onset = np.where(rng.random(n) < 0.1, np.inf, rng.gamma(4, 1.6, n))
    case, minute, felt, end = [], [], [], np.full(n, np.inf)
    for i, true in enumerate(onset):
        run, last = 0, ended(rng)
        for k, t in enumerate(PLANNED):
            if k == last:
                end[i] = t - 0.5
                break
            answer = rng.random() < (0.05 if t >= true else 0.91)
            case.append(i), minute.append(t), felt.append(answer)
            run = 0 if answer else run + 1
            if run == 2:
                break
    ruled = derive_intervals(np.array(case), np.array(minute), np.array(felt), n_cases=n)
    times, more = Intervals(ruled.left, ruled.right), {"ended_min": end} if told else {}
    kernels = (
        kernel_of_tests(case, minute, felt, **errors),
        kernel_of_intervals(times, PLANNED, confirmations=2, **errors, **more),
    )
    curves = [fit_kernel(kernel, **errors) for kernel in kernels]
    asked = (4, 6, 8, 10)
    true = np.mean(onset[:, None] <= asked, axis=0)
    return true, *(np.array([curve.numb_by(t)[0] for t in asked]) for curve in curves)


def test_to_the_last_test_intervals_say_what_tests_say():
    """What could not be confirmed any more was still tested: of 10 min intervals had said what they said of 8."""
    true, of_tests, of_intervals = shares_of_both_roads(lambda rng: 7)
    # Shares of 4,000 cases have a standard error of .8 points at most.
    assert of_tests == pytest.approx(true, abs=0.025)
    assert of_intervals == pytest.approx(of_tests, abs=0.01)


def test_of_testing_that_ended_early_they_say_it_where_its_end_is_told_and_otherwise_too_few():
    """Three cases of ten end before a test taken at random, also after one that was not felt, which nobody tells."""

    def early(rng):
        return rng.integers(1, 7) if rng.random() < 0.3 else 7

    true, of_tests, of_intervals = shares_of_both_roads(early, told=True)
    assert of_tests == pytest.approx(true, abs=0.025)
    assert of_intervals == pytest.approx(of_tests, abs=0.01)
    _, _, untold = shares_of_both_roads(early)
    confirmable = slice(0, 3)
    assert (untold < of_intervals)[confirmable].all()
    assert (untold > of_intervals - 0.03)[confirmable].all()


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
