"""Cases of one patient taken together: influence values, and how much wider intervals become."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from onsetstudy import Intervals, estimate_rmst, success_by
from onsetstudy.core.errors import NotEstimable
from onsetstudy.survival.curve.functionals import functional_variance, influence_values
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.summaries.clustered import cluster_spread, numb_by
from onsetstudy.survival.summaries.rmst import waits_of_masses

SCHEDULE = np.array([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15.0])
TAU = 15.0


def seen(onset, rng=None, missed=0.0):
    """Intervals of these onsets, each planned test missed with a chance."""
    low, high = np.zeros(onset.size), np.full(onset.size, np.inf)
    for i, t in enumerate(onset):
        done = SCHEDULE if rng is None else SCHEDULE[rng.random(SCHEDULE.size) >= missed]
        low[i], high[i] = max([0.0, *done[done < t]]), min([np.inf, *done[done >= t]])
    return Intervals(low, high)


def spread(times, arm, cluster, *, waits=True, minute=TAU, stratum=None):
    return cluster_spread(times, arm, cluster, reference_arm="plain", minute=minute, grace_min=3.0, waits=waits,
                          stratum=stratum)  # fmt: skip


@pytest.mark.parametrize("seed", range(6))
def test_influence_values_sum_to_nothing_and_their_squares_to_the_variance(seed):
    rng = np.random.default_rng(seed)
    times = seen(rng.gamma(2.0, 2.0, 40), rng, 0.3)
    curve = fit_npmle(times)
    for value in (waits_of_masses(curve, TAU)[1], numb_by(curve, 4.0)):
        psi = influence_values(times, curve, value)
        assert psi.sum() == pytest.approx(0.0, abs=1e-8)
        assert float(psi @ psi) == pytest.approx(functional_variance(times, curve, value), rel=1e-6)


def test_on_a_grid_without_gaps_they_are_deviations_from_the_mean():
    """Onsets in (0, 2], (2, 4], (2, 4] and (4, 6]: waits of 1, 3, 3 and 5 minutes on average, mean 3."""
    times = Intervals([0, 2, 2, 4], [2, 4, 4, 6])
    curve = fit_npmle(times)
    assert influence_values(times, curve, waits_of_masses(curve, 6.0)[1]) * 4 == pytest.approx([-2, 0, 0, 2])


def test_patients_who_were_never_tested_are_no_clusters():
    times = seen(np.array([1.0, 3, 5, 7, 2, 2, 6, 6]))
    arm, patient = np.repeat(["plain", "buffered"], 4), np.array(list("aabbccdd"))
    more = Intervals(np.append(times.left, [0] * 20), np.append(times.right, [np.inf] * 20))
    arms, patients = np.append(arm, ["plain", "buffered"] * 10), np.append(patient, [f"e{k}" for k in range(20)])
    for waits in (True, False):
        alone, beside = spread(times, arm, patient, waits=waits), spread(more, arms, patients, waits=waits)
        for one, other in zip(alone, beside, strict=True):
            assert (one.ratio, one.freedom, one.alone) == pytest.approx((other.ratio, other.freedom, other.alone))


def test_every_case_twice_is_as_good_as_once():
    """A patient with the same answer twice tells no more than once: the error is that of the single cases.

    Beyond that an arm without a case at the horizon might have one more case, be it of a patient with one or two.
    """
    rng = np.random.default_rng(2)
    onset, arm = rng.gamma(2.0, 2.0, 30), np.where(np.arange(30) % 2, "buffered", "plain")
    once, twice = seen(onset), seen(np.repeat(onset, 2))
    for tau, law in ((6.0, pytest.approx(1.0, rel=2e-3)), (TAU, pytest.approx(0.98, abs=0.02))):
        one = estimate_rmst(once, arm, reference_arm="plain", tau_min=tau, grace_min=3).difference
        two = estimate_rmst(twice, np.repeat(arm, 2), reference_arm="plain", tau_min=tau, grace_min=3).difference
        found = spread(twice, np.repeat(arm, 2), np.repeat(np.arange(30), 2).astype(str), minute=tau)[-1]
        half = (two.interval.high - two.estimate) * found.stretch(0.95, student=True)
        assert half / (one.interval.high - one.estimate) == law


def test_cases_that_are_each_their_own_change_nothing():
    rng = np.random.default_rng(3)
    times, arm = seen(rng.gamma(2.0, 2.0, 40), rng, 0.1), np.where(np.arange(40) % 2, "buffered", "plain")
    for each in spread(times, arm, np.arange(40).astype(str)):
        assert each.stretch(0.95, student=True) == pytest.approx(1.0)
        assert each.freedom == pytest.approx(each.alone)


def test_a_patient_with_both_arms_makes_no_interval_narrower():
    rng = np.random.default_rng(4)
    patient = np.repeat(rng.gamma(4.0, 1.0, 20), 2)
    arm = np.tile(["plain", "buffered"], 20)
    found = spread(seen(patient + rng.gamma(1.0, 0.3, 40)), arm, np.repeat(np.arange(20), 2).astype(str))[-1]
    assert found.ratio == 1.0


def test_exact_waits_have_the_robust_error_of_a_reference_library():
    """Sandwich of statsmodels with and without clusters, without its factors, on fully observed waits."""
    rng = np.random.default_rng(5)
    patient = np.repeat(np.arange(16), 3)
    wait = np.repeat(rng.gamma(4.0, 0.8, 16), 3) + rng.gamma(1.0, 1.0, 48)
    arm = np.where(patient % 2, "buffered", "plain")
    found = spread(Intervals(wait, wait), arm, patient.astype(str), minute=30.0)[-1]
    fit = sm.OLS(wait, np.column_stack([np.ones(48), patient % 2]))
    single = fit.fit(cov_type="HC0").bse[1] ** 2 * 24 / 23
    together = fit.fit(cov_type="cluster", cov_kwds={"groups": patient, "use_correction": False}).bse[1] ** 2 * 8 / 7
    assert together > single
    assert found.ratio == pytest.approx(np.sqrt(together / single))


def test_arms_turned_round_are_stretched_alike():
    rng = np.random.default_rng(6)
    who = np.repeat(np.arange(14), 3)
    arm = np.where(who % 2, "buffered", "plain")
    times = seen(np.repeat(rng.gamma(3.0, 1.5, 14), 3) * rng.gamma(9.0, 1 / 9, 42))
    turned = np.where(arm == "plain", "buffered", "plain")
    for waits, minute in ((True, TAU), (False, 4.0)):
        one = spread(times, arm, who.astype(str), waits=waits, minute=minute)[-1]
        two = spread(times, turned, who.astype(str), waits=waits, minute=minute)[-1]
        assert (one.ratio, one.freedom) == pytest.approx((two.ratio, two.freedom))
        assert one.ratio > 1


def test_one_patient_is_no_arm():
    times, arm = seen(np.linspace(1, 8, 12)), np.repeat(["plain", "buffered"], 6)
    with pytest.raises(NotEstimable, match="one patient"):
        spread(times, arm, np.repeat(["a", "b", "c"], (6, 3, 3)))


def test_patients_with_four_injections_each_are_no_difference_in_more_than_one_of_twenty():
    """Twelve patients with four injections, all in one arm, no difference: as single cases it was one of four."""
    rng, trials = np.random.default_rng(12), 120
    alone = together = numb = 0
    who = np.repeat(np.arange(12), 4)
    arm = np.where(who % 2, "buffered", "plain")
    for _ in range(trials):
        times = seen(3.5 * np.repeat(np.exp(rng.normal(0, 0.5, 12)), 4) * rng.weibull(2.5, 48))
        wait = estimate_rmst(times, arm, reference_arm="plain", tau_min=TAU, grace_min=3).difference
        share = success_by(times, arm, reference_arm="plain", target_min=3).difference
        for waits, each in ((True, wait), (False, share)):
            by = spread(times, arm, who.astype(str), waits=waits, minute=TAU if waits else 3.0)[-1]
            by = by.stretch(0.95, student=waits)
            low, high = (each.estimate + by * (end - each.estimate) for end in (each.interval.low, each.interval.high))
            excluded = low > 0 or high < 0
            together += waits and excluded
            numb += (not waits) and excluded
            alone += waits and (each.interval.low > 0 or each.interval.high < 0)
    worst = 0.05 + 3 * np.sqrt(0.05 * 0.95 / trials)
    assert alone / trials > 0.15
    assert together / trials < worst
    assert numb / trials < worst
