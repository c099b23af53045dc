"""Onset from tests that may err: against the curve without errors, a naive twin, and a known truth."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.erring.misclassified import fit_kernel, kernel_of_tests

MINUTES = np.arange(1.0, 11.0)


def fit_misclassified(case, minute, felt, **errors):
    """The curve from every test of a group."""
    return fit_kernel(kernel_of_tests(case, minute, felt, **errors))


def teeth_of(n, *, se=1.0, sp=1.0, seed=1, confirmations=2):
    """Teeth tested each minute until so many in a row were not felt: readings, true onsets, and onsets by the rule."""
    rng = np.random.default_rng(seed)
    onset = np.where(rng.random(n) < 0.1, np.inf, 6 * rng.weibull(1.6, n))
    case, minute, felt, ruled = [], [], [], []
    for i, true in enumerate(onset):
        run, first = 0, np.inf
        for t in MINUTES:
            answer = rng.random() < (1 - se if t >= true else sp)
            case.append(i), minute.append(t), felt.append(answer)
            run = 0 if answer else run + 1
            if run == confirmations:
                first = t - confirmations + 1
                break
        ruled.append(first)
    return (np.array(case), np.array(minute), np.array(felt)), onset, np.array(ruled)


def test_without_errors_it_is_the_curve_of_intervals():
    readings, onset, _ = teeth_of(60)
    place = np.searchsorted(MINUTES, onset)
    edges = np.concatenate([[0.0], MINUTES, [np.inf]])
    plain = fit_npmle(Intervals(edges[place], edges[place + 1]))
    curve = fit_misclassified(*readings, sensitivity=1.0, specificity=1.0)
    for t in (*MINUTES, 3.5):
        low, high = plain.at(t)
        assert curve.numb_by(t) == pytest.approx((1 - high, 1 - low), abs=1e-7)
    assert curve.violation <= 1e-8


def naive(readings, se, sp, steps=60_000):
    """The same likelihood written out case by case, and expectation-maximisation that does nothing clever."""
    case, minute, felt = readings
    edges = np.concatenate([[0.0], np.unique(minute), [np.inf]])
    rows = []
    for i in np.unique(case):
        row = []
        for j in range(edges.size - 1):
            chance = 1.0
            for t, answer in zip(minute[case == i], felt[case == i], strict=True):
                numb = t >= edges[j + 1]
                not_felt = se if numb else 1 - sp
                chance *= 1 - not_felt if answer else not_felt
            row.append(chance)
        rows.append(row)
    kernel = np.array(rows)
    mass = np.full(edges.size - 1, 1 / (edges.size - 1))
    for _ in range(steps):
        share = kernel * mass
        mass = (share / share.sum(axis=1, keepdims=True)).mean(axis=0)
    return mass, float(np.log(kernel @ mass).sum())


@pytest.mark.parametrize(("se", "sp"), [(0.95, 0.91), (0.91, 1.0), (1.0, 0.87)])
def test_a_naive_twin_finds_the_same_maximum(se, sp):
    readings, _, _ = teeth_of(25, se=se, sp=sp, seed=4)
    curve = fit_misclassified(*readings, sensitivity=se, specificity=sp)
    mass, log_likelihood = naive(readings, se, sp, steps=4000)
    assert curve.log_likelihood == pytest.approx(log_likelihood, abs=1e-3)
    assert curve.log_likelihood >= log_likelihood - 1e-9
    assert curve.mass == pytest.approx(mass, abs=0.02)


def test_two_cases_by_hand():
    """Tests at 1 and 2, one case felt and not felt, one not felt and felt; with errors of .1 both ways.

    Onset in (0, 1]: .1 x .9 and .9 x .1; in (1, 2]: .9 x .9 and .1 x .1; after 2: .9 x .1 and .1 x .9. The mean of
    the second is .41, of the others .09: with all mass on (1, 2] the likelihood of both is .81 x .01; with q of it
    there and the rest elsewhere (.81q + .09(1 - q)) (.01q + .09(1 - q)), largest at q = 27/64 - 1/8 x ... by calculus:
    derivative .72(.09 - .08q) - .08(.09 + .72q) = 0, q = (.0648 - .0072) / .1152 = .5.
    """
    curve = fit_misclassified([0, 0, 1, 1], [1, 2, 1, 2], [True, False, False, True], sensitivity=0.9, specificity=0.9)
    assert curve.mass[1] == pytest.approx(0.5, abs=1e-6)
    assert curve.log_likelihood == pytest.approx(np.log(0.45 * 0.05), abs=1e-9)


def test_tests_that_never_err_must_not_contradict_each_other():
    readings = ([0, 0], [1.0, 2.0], [False, True])
    with pytest.raises(NotEstimable, match="felt after it was not"):
        fit_misclassified(*readings, sensitivity=1.0, specificity=1.0)
    assert fit_misclassified(*readings, sensitivity=0.95, specificity=1.0).mass.sum() == pytest.approx(1)
    with pytest.raises(OnsetStudyError):
        fit_misclassified(*readings, sensitivity=0.4, specificity=1.0)


@pytest.mark.parametrize("at", [3.0, 6.0])
def test_it_finds_the_truth_where_the_rule_does_not(at):
    """False "not felt" of .13, one test decides: the rule calls teeth numb that are not, and the model knows better."""
    readings, onset, ruled = teeth_of(1500, sp=0.87, seed=8, confirmations=1)
    truth, by_rule = np.mean(onset <= at), np.mean(ruled <= at)
    low, high = fit_misclassified(*readings, sensitivity=1.0, specificity=0.87).numb_by(at)
    assert by_rule - truth > 0.1
    assert low - 0.06 <= truth <= high + 0.06


def test_two_in_a_row_errs_less_than_one():
    off = []
    for confirmations in (1, 2):
        _, onset, ruled = teeth_of(1500, sp=0.87, seed=9, confirmations=confirmations)
        off.append(np.mean(ruled <= 4) - np.mean(onset <= 4))
    assert off[0] > 0.1
    assert abs(off[1]) < off[0] / 2


def test_where_not_felt_may_be_an_error_fewer_teeth_are_numb():
    readings, _, _ = teeth_of(80, se=0.95, sp=0.91, seed=3)
    for se, (more, less) in itertools.product((0.95, 0.91), ((1.0, 0.91), (0.91, 0.87))):
        low, high = (
            fit_misclassified(*readings, sensitivity=se, specificity=sp).numb_by(4.0)[0] for sp in (less, more)
        )
        assert low <= high + 0.02
