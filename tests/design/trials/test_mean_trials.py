"""Simulated trials decided by means: the restricted time to onset and pain, as the report compares them."""

import dataclasses
import math
from functools import partial

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from onsetstudy.core.errors import DesignError, NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Counts, Estimate
from onsetstudy.design.expected_wait import expected_wait
from onsetstudy.design.size_results import OnsetExpectation
from onsetstudy.design.sizes.plans import plan_wait
from onsetstudy.design.trials.draws import draw_trials
from onsetstudy.design.trials.results import TrialScenario
from onsetstudy.design.trials.trial_power import scores_of, simulate_power
from onsetstudy.inference.means import contrast_of_means, moments_by_stratum
from onsetstudy.inference.strata import merge_small
from onsetstudy.protocol.estimands import estimand_of
from onsetstudy.study.practice.interim import score_of
from onsetstudy.study.sets.analysis_set import PRACTICE
from onsetstudy.study.sets.contrasts import difference_asked, success_of, wait_of
from onsetstudy.study.sets.counted_set import CountedSet
from tests.simulation.kept import KeptStudies
from tests.study.cases import protocol

PROMISED = protocol()
GRID = PROMISED.schedule.tests_min
WAIT = TrialScenario(
    cases=240,
    expected=OnsetExpectation(median_min=4.2, never_reference=0.12, never_other=0.10, tau_min=15.0),
    hazard_ratio=1.6,
    tests_min=GRID,
    missed_share=0.1,
    operators=5,
    operator_spread=0.2,
    decision="wait",
    grace_min=estimand_of(PROMISED, "rmst_difference").grace_min,
)
PAIN = dataclasses.replace(WAIT, decision="pain", pain_sd=20.0, pain_less=10.0)


def score_by_the_report(scenario, drawn, k, cases):
    """One trial through the verb that the report compares the arms with, and the score of its interim analyses."""
    arm = np.where(drawn.other[k, :cases], "buffered", "plain")
    practice = np.char.add("P", drawn.stratum[k, :cases].astype(str))
    if scenario.decision == "wait":
        times = Intervals(drawn.left[k, :cases], drawn.right[k, :cases])
        rows = pd.DataFrame({"arm": arm, PRACTICE: practice, "n": 1})
        compared = CountedSet(frame=rows, protocol=PROMISED, onset={"wait": times})
        try:
            return score_of(wait_of(compared).difference, "rmst_difference")[0]
        except NotEstimable:
            return math.nan
    score, arms = drawn.score[k, :cases], ("plain", "buffered")
    strata = merge_small([practice], arm, arms)
    found = contrast_of_means(
        moments_by_stratum(score, arm, arms, stratum=strata.code),
        difference_asked(PROMISED, "pain_difference", "mm", Counts.of(np.ones(cases, bool), arm, arms)),
    )
    assert isinstance(found, Estimate)
    return score_of(found, "pain_difference")[0]


@pytest.mark.parametrize("decision", ["wait", "pain"])
@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"cases": 90},  # practices with few cases of an arm are put together
        {"cases": 44},  # all of them are
        {"operators": 1, "operator_spread": 0.0},
        {"operator_spread": 0.0},
        {"ratio": (3, 1)},
        {"missed_share": 0.4, "confirmations": 1},
        {"expected": OnsetExpectation(median_min=4.2, tau_min=15.0)},  # few are tested up to the horizon
        {"rescue_min": 9.0, "rescue_share": 0.6},
    ],
)
def test_a_drawn_trial_is_compared_as_the_report_compares_it(decision, changes):
    scenario = dataclasses.replace(WAIT if decision == "wait" else PAIN, **changes)
    drawn = draw_trials(scenario, 12, np.random.default_rng(1))
    for fraction in (0.5, 1.0):
        z, cases = scores_of(scenario, drawn, fraction), round(fraction * scenario.cases)
        for k in range(12):
            expected = score_by_the_report(scenario, drawn, k, cases)
            assert z[k] == pytest.approx(expected, abs=1e-10, nan_ok=True), (fraction, k)
        assert np.isfinite(z).sum() >= 4


def success_by_the_report(scenario, drawn, k, cases):
    arm = np.where(drawn.other[k, :cases], "buffered", "plain")
    practice = np.char.add("P", drawn.stratum[k, :cases].astype(str))
    times = Intervals(drawn.left[k, :cases], drawn.right[k, :cases])
    rows = pd.DataFrame({"arm": arm, PRACTICE: practice, "n": 1})
    compared = CountedSet(frame=rows, protocol=PROMISED, onset={"success": times})
    return score_of(success_of(compared).difference, "success_difference")[0]


@pytest.mark.parametrize("changes", [{}, {"cases": 90}, {"cases": 44}, {"operators": 1}, {"ratio": (3, 1)}])
def test_a_drawn_trial_of_success_is_compared_as_the_report_compares_it(changes):
    """To the last digit where every case is decided at the target; else as near as few cases allow, to neither side."""
    base = dataclasses.replace(WAIT, decision="success", target_min=PROMISED.onset.target_min, **changes)
    for missed in (0.0, 0.1):
        scenario = dataclasses.replace(base, missed_share=missed, control_failure_share=0.0)
        drawn = draw_trials(scenario, 24, np.random.default_rng(1))
        for fraction in (0.5, 1.0):
            z, cases = scores_of(scenario, drawn, fraction), round(fraction * scenario.cases)
            compared = 8 if missed == 0.0 else 24
            theirs = np.array([success_by_the_report(scenario, drawn, k, cases) for k in range(compared)])
            if missed == 0.0:
                assert z[:compared] == pytest.approx(theirs, abs=1e-10), fraction
            else:
                assert np.corrcoef(z, theirs)[0, 1] > 0.95
                assert abs(np.mean(z - theirs)) < 0.1


def without_a_difference(scenario, looks, cases):
    nothing = dataclasses.replace(scenario.expected, never_other=scenario.expected.never_reference)
    return dataclasses.replace(scenario, expected=nothing, hazard_ratio=1.0, pain_less=0.0, looks=looks, cases=cases)


def hundred_trials(null, k):
    found = simulate_power(null, trials=100, seed=1000 + k)
    return {"crossed": round(100 * found.power), "without_answer": found.without_answer}


NULLS = {
    (name, looks, cases): without_a_difference(scenario, looks, cases)
    for name, scenario in (("wait", WAIT), ("pain", PAIN))
    for looks in ((), ((0.5, 2.797), (1.0, 1.977)))
    for cases in (200, 600)
}
KEPT = {
    key: KeptStudies(
        name=f"{key[0]}_alike_{key[2]}_cases_{len(key[1]) or 1}_analyses", one=partial(hundred_trials, null), count=20,
        again=1,
    )
    for key, null in NULLS.items()
}  # fmt: skip


@pytest.mark.parametrize("key", KEPT, ids=lambda key: f"{key[0]}-{key[2]}-{len(key[1]) or 1}")
def test_error_rate_without_a_difference(key):
    """5 % within three Monte Carlo errors, analysed once and with O'Brien and Fleming's boundaries for two analyses.

    Boundaries of Jennison & Turnbull 2000, table 2.3 (C = 1.977, from memory); the null of the restricted time has the
    same never-numb share in both arms. With 60 cases an arm and practice and with 20.
    """
    assert NULLS[key].side == 0
    found = KEPT[key].numbers()
    assert abs(found["crossed"].sum() / 2000 - 0.05) < 3 * math.sqrt(0.05 * 0.95 / 2000)
    assert (found["without_answer"] == 0).all()


def test_power_of_means_is_that_of_students_t():
    """Pain: Student's t of normal scores is exact but for the practices' degrees of freedom.

    The restricted time: on tests every half minute Z of each trial is that of the true times cut at the horizon,
    and Welch's test of those has the power that Student's t has with the spread of the curves by integration.
    """
    cases = 126
    formula = plan_wait(sd_min=PAIN.pain_sd, difference_min=PAIN.pain_less, cases=cases, power=None)
    found = simulate_power(dataclasses.replace(PAIN, cases=cases, operators=1), trials=4000, seed=3)
    assert found.power == pytest.approx(formula.power, abs=3 * found.mc_error + 0.01)
    fine = dataclasses.replace(
        WAIT, cases=200, operators=1, operator_spread=0.0, missed_share=0.0, tests_min=tuple(np.arange(1, 33) / 2)
    )
    wait = expected_wait(fine.expected, fine.hazard_ratio)
    apart = wait.reference_mean_min - wait.other_mean_min
    formula = plan_wait(sd_min=wait.sd_min, difference_min=apart, cases=200, power=None)
    drawn = draw_trials(dataclasses.replace(fine, tests_min=(15.0, 16.0)), 10_000, np.random.default_rng(9))
    z = _z_of_true_times(drawn)
    assert np.mean(z > stats.t.isf(0.025, 198)) == pytest.approx(formula.power, abs=0.015)
    few = draw_trials(fine, 60, np.random.default_rng(9))
    # Z by the interval: Student's t of 100 cases an arm, and the variance of a curve counts cases, not cases less one.
    by_interval = stats.t.isf(0.025, 198) / stats.norm.isf(0.025)
    apart = scores_of(fine, few) * by_interval - _z_of_true_times(few)
    assert np.abs(apart).max() < 0.15
    assert abs(apart.mean()) < 0.02


def _z_of_true_times(drawn):
    truth = np.minimum(drawn.onset_min, 15.0)
    waits = [np.where(arm, truth, np.nan) for arm in (~drawn.other, drawn.other)]
    error = np.sqrt(sum(np.nanvar(w, axis=1) / np.isfinite(w).sum(axis=1) for w in waits))
    return (np.nanmean(waits[0], axis=1) - np.nanmean(waits[1], axis=1)) / error


def test_the_side_of_the_effect_is_that_of_the_outcome():
    worse = simulate_power(dataclasses.replace(PAIN, pain_less=-10.0), trials=400)
    assert worse.mean_z < 0
    assert worse.power > 0.9
    assert sum(worse.by_look) == pytest.approx(worse.power)  # none stopped on the wrong side
    later = dataclasses.replace(WAIT, hazard_ratio=1 / 1.6)
    assert later.side == -1
    assert simulate_power(later, trials=200).mean_z < 0
    never = dataclasses.replace(WAIT, hazard_ratio=1.0)
    assert never.side == 1, "fewer never-numb teeth alone shorten the mean"
    assert dataclasses.replace(never, decision="log_rank").side == 0


def test_means_of_pairs_are_refused():
    for scenario in (WAIT, PAIN):
        with pytest.raises(DesignError, match="means of pairs are not simulated"):
            simulate_power(dataclasses.replace(scenario, design="paired"), trials=10)
    with pytest.raises(DesignError, match="spread of pain"):
        simulate_power(dataclasses.replace(PAIN, pain_sd=0.0), trials=10)


def test_the_same_numbers_whoever_works():
    small = dataclasses.replace(WAIT, cases=120)
    assert simulate_power(small, trials=300) == simulate_power(small, trials=300, progress=lambda *_: None)
