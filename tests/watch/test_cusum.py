"""Charts of failures: printed weights, run lengths by three roads, and signals by hand."""

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from onsetstudy.core.errors import DesignError
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.watch.cusum import (
    average_run_length,
    baseline_guard,
    chart_failures,
    cusum_weights,
    limit_for,
)
from onsetstudy.watch.shrinkage import usual_chances
from tests.reference import load_reference


def test_weights_are_the_printed_ones():
    ref = load_reference("steiner_2000_cusum_weights")
    fail, well = cusum_weights([True, False], [0.1, 0.1], 2)
    ref.check("p .1, ratio 2, failed", fail)
    ref.check("p .1, ratio 2, not failed", well)
    fail, well = cusum_weights([True, False], [0.1, 0.1], 0.5)
    ref.check("p .1, ratio .5, failed", fail)
    ref.check("p .1, ratio .5, not failed", well)
    chance = 1 / (1 + np.exp(3.67 - 0.077 * 19))
    ref.check("logit -3.67 + .077 * 19, ratio .5, not failed", cusum_weights([False], [chance], 0.5)[0])


@settings(max_examples=60, deadline=None)
@given(st.floats(0.01, 0.99), st.floats(1.05, 10))
def test_a_weight_is_a_likelihood_ratio(p, ratio):
    """exp(W) has mean 1 under the usual chance, and W has a mean of 0 or less: the chart does not climb by itself."""
    fail, well = cusum_weights([True, False], [p, p], ratio)
    assert p * np.exp(fail) + (1 - p) * np.exp(well) == pytest.approx(1)
    assert p * fail + (1 - p) * well <= 1e-12


def naive_run_lengths(limit, usual, ratio, n, seed):
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(n):
        value, k = 0.0, 0
        while value < limit:
            p = rng.choice(usual)
            value = max(0.0, value + cusum_weights([rng.random() < p], [p], ratio)[0])
            k += 1
        found.append(k)
    return np.mean(found), np.std(found) / np.sqrt(n)


def test_run_length_by_a_slow_twin():
    usual = [0.2, 0.4]
    limit = limit_for(40, usual, 2.0)
    slow, error = naive_run_lengths(limit, usual, 2.0, 400, 1)
    assert abs(slow - 40) < 4 * error
    quick, quick_error = simulated_run_length(limit, usual, 2.0, seed=1, replicates=4000)
    assert abs(quick - slow) < 4 * np.hypot(error, quick_error)


def simulated_run_length(limit, usual, ratio, *, seed, replicates, true_ratio=1.0):
    """Many charts at once, with the standard error of their mean."""
    rng, usual = np.random.default_rng(seed), np.asarray(usual)
    chance = true_ratio * usual / (1 - usual + true_ratio * usual)
    good, bad = (cusum_weights(np.full(usual.size, failed), usual, ratio) for failed in (False, True))
    value, length, going = np.zeros(replicates), np.zeros(replicates), np.arange(replicates)
    while going.size:
        case = rng.integers(usual.size, size=going.size)
        step = np.where(rng.random(going.size) < chance[case], bad[case], good[case])
        value[going] = np.maximum(value[going] + step, 0.0)
        length[going] += 1
        going = going[value[going] < limit]
    return length.mean(), length.std(ddof=1) / np.sqrt(replicates)


def dense_run_length(limit, usual, ratio, true_ratio, states=400):
    """The whole matrix of the chain, entry by entry."""
    width, chain = limit / states, np.zeros((states, states))
    for p in usual:
        chance = true_ratio * p / (1 - p + true_ratio * p)
        for failed, q in ((True, chance), (False, 1 - chance)):
            (step,) = cusum_weights([failed], [p], ratio)
            for i in range(states):
                place = max(i * width + step, 0.0) / width
                if place >= states - 1e-9:
                    continue
                j = int(place)
                chain[i, j] += q / len(usual) * (1 - (place - j))
                if j + 1 < states:
                    chain[i, j + 1] += q / len(usual) * (place - j)
    return np.linalg.solve(np.eye(states) - chain, np.ones(states))[0]


@pytest.mark.parametrize("limit", [1e-3, 0.4, 2.0, 4.5])
@pytest.mark.parametrize("ratio", [2.0, 0.5, 8.0])
@pytest.mark.parametrize("true_ratio", [1.0, 2.0])
def test_the_band_is_the_whole_chain(limit, ratio, true_ratio):
    usual = [0.05, 0.3, 0.6]
    found = average_run_length(limit, usual, ratio, true_ratio=true_ratio)
    assert found == pytest.approx(dense_run_length(limit, usual, ratio, true_ratio), rel=1e-9)


@pytest.mark.parametrize("usual", [(0.1,), (0.75,), (0.05, 0.3, 0.6), tuple(np.linspace(0.05, 0.95, 60))])
@pytest.mark.parametrize("ratio", [2.0, 0.5, 3.0])
def test_the_chain_agrees_with_simulation(usual, ratio):
    limit = limit_for(200, usual, ratio)
    mean, error = simulated_run_length(limit, usual, ratio, seed=3, replicates=6000)
    assert average_run_length(limit, usual, ratio) == pytest.approx(200, rel=1e-3)
    # Half of a step is the most that cutting into states can move a limit; 3 per cent of the length covers it.
    assert abs(mean - 200) < 4 * error + 0.03 * 200
    changed = average_run_length(limit, usual, ratio, true_ratio=ratio)
    seen, error = simulated_run_length(limit, usual, ratio, seed=4, replicates=6000, true_ratio=ratio)
    assert changed < 200
    assert abs(changed - seen) < 4 * error + 0.03 * seen


def test_by_hand():
    """Usual .5, ratio 3: a failure adds ln 3 - ln 2 = .4055, the rest subtract ln 2 = .6931."""
    up, down = np.log(1.5), np.log(2)
    failed = [1, 1, 0, 1, 1, 1, 1, 0]
    chart = chart_failures(failed, [0.5] * 8, failure="by_target", odds_ratio=3, run_length=60)
    path = [up, 2 * up, 2 * up - down, 3 * up - down, 4 * up - down, 5 * up - down, 6 * up - down, 6 * up - 2 * down]
    assert chart.path == pytest.approx(path)
    assert chart.direction == "worse"
    assert chart.signals == ()


def test_a_signal_counts_from_where_the_chart_last_stood_at_nought():
    failed = [0, 0, 0] + [1] * 12
    chart = chart_failures(failed, [0.3] * 15, failure="by_target", odds_ratio=2, run_length=100)
    first = chart.signals[0]
    assert first.cases == first.failures == first.case - 3
    assert first.expected == pytest.approx(0.3 * first.cases)
    assert chart.path[first.case - 1] >= chart.limit
    assert chart.path[first.case] < chart.path[first.case - 1]  # begun anew


def test_better_signals_when_failures_stop():
    chart = chart_failures([0] * 40, [0.6] * 40, failure="by_target", odds_ratio=0.5, run_length=200)
    assert chart.direction == "better"
    assert chart.signals
    assert chart.signals[0].failures == 0


def test_the_guard_keeps_the_promise():
    """Practices whose usual share is counted from 50 cases: with the guard nine in ten have the run length or more."""
    rng = np.random.default_rng(5)
    true = 0.3

    @functools.cache
    def keeps(failures, guarded):
        """Nothing but the count of failures tells one practice from another."""
        share = (failures + 0.5) / 51
        actual = true / (1 - true) / (share / (1 - share))
        guard = baseline_guard(failures, 50, 2.0, usual=share) if guarded else 1.0
        limit = limit_for(300, [share], 2.0, guard=guard) if guard < 2.0 else np.inf
        return limit == np.inf or average_run_length(limit, [share], 2.0, true_ratio=actual) >= 295

    drawn = [int(rng.binomial(50, true)) for _ in range(60)]
    kept, without = ([keeps(failures, guarded) for failures in drawn] for guarded in (True, False))
    assert np.mean(kept) > 0.9 - 4 * np.sqrt(0.09 / 60)
    assert np.mean(without) < 0.7


@pytest.mark.parametrize(("cases", "ratio", "true"), [(20, 3.0, 0.2), (50, 3.0, 0.05), (50, 2.0, 0.08)])
def test_the_promise_is_kept_of_the_share_that_the_chart_takes(cases, ratio, true):
    """Every count of failures of the first cases, as often as it comes; rare failures are drawn up by the prior."""
    kept = charted = 0.0
    for failures in range(cases + 1):
        chance = stats.binom.pmf(failures, cases, true)
        [share] = usual_chances(np.arange(cases) < failures, ["a"] * cases, ["a"])
        guard = baseline_guard(failures, cases, ratio, usual=share)
        if chance < 1e-3 or guard >= ratio:
            continue
        limit = limit_for(300, [share], ratio, guard=guard)
        actual = true / (1 - true) / (share / (1 - share))
        charted += chance
        kept += chance * (average_run_length(limit, [share], ratio, true_ratio=actual) >= 299)
    assert kept / charted > 0.9


def test_what_cannot_be_charted():
    for p, ratio, words in [(0.0, 2, "between 0 and 1"), (0.3, 1, "no change"), (0.3, -1, "no change")]:
        with pytest.raises(DesignError, match=words):
            cusum_weights([True], [p], ratio)
    with pytest.raises(DesignError, match="without patience"):
        limit_for(1.05, [0.9], 2)


def test_charts_travel():
    chart = chart_failures([1, 0, 1], [0.4, 0.5, 0.6], failure="by_target", odds_ratio=2, run_length=50)
    again = from_dict(to_dict(chart))
    assert again.path.tolist() == chart.path.tolist()
    assert (again.limit, again.run_length, again.signals) == (chart.limit, chart.run_length, chart.signals)
