"""Grouped hazards, accelerated-time models, the never-numb share and the diagnostics of the testing."""

from __future__ import annotations

import itertools
import math
import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import optimize, special, stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.serialise import from_dict
from onsetstudy.inference.design_matrix import code_covariates
from onsetstudy.inference.likelihood import central_slopes, fall_to_lower_limit
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.hazards.grouped import _curvature, _gradient, _kinds, fit_grouped_hazards
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.parametric import accelerated_time
from onsetstudy.survival.parametric import families as comparison
from onsetstudy.survival.parametric.accelerated_time import FAMILIES, fit_accelerated_time
from onsetstudy.survival.parametric.cure import fit_never_numb
from onsetstudy.survival.parametric.families import compare_families, fitted_against_curve
from onsetstudy.survival.parametric.time_models import log_survival, observed_information, polish
from onsetstudy.survival.testing.schedule_checks import check_schedule, summarise_testing
from tests.survival.hazards.test_regression import OPEN_DATA, open_data

INF = math.inf


def inspected(onset, tests):
    ends = np.concatenate(([0.0], tests, [np.inf]))
    cell = np.searchsorted(tests, onset)
    return Intervals(ends[cell], ends[cell + 1])


def study(seed, n=300, *, miss=0.0, never=0.0, ratio=0.6, shape=1.5):
    rng = np.random.default_rng(seed)
    arm = rng.integers(0, 2, n)
    onset = 5 * np.where(arm == 1, ratio, 1.0) * rng.weibull(shape, n)
    onset[rng.random(n) < never] = np.inf
    rows = [inspected(onset[[i]], np.arange(1.0, 16)[rng.random(15) >= miss]) for i in range(n)]
    times = Intervals(np.concatenate([r.left for r in rows]), np.concatenate([r.right for r in rows]))
    return times, np.where(arm == 1, "buffered", "plain")


# Grouped --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("miss", [0.0, 0.2])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_grouped_model_is_another_road_to_the_same_ratio(seed, miss):
    times, arm = study(seed, n=150, miss=miss)
    grouped = fit_grouped_hazards(times, {"arm": arm}, reference={"arm": "plain"})
    other = fit_proportional_hazards(times, {"arm": arm}, reference={"arm": "plain"})
    assert grouped.estimates[0].estimate == pytest.approx(other.estimates[0].estimate, rel=2e-4)
    assert grouped.estimates[0].std_error == pytest.approx(other.estimates[0].std_error, rel=2e-3)
    assert grouped.log_likelihood == pytest.approx(other.log_likelihood, abs=1e-4)
    assert grouped.log_likelihood_null == pytest.approx(other.log_likelihood_null, abs=1e-4)
    assert grouped.certificate.gap <= grouped.certificate.tolerance


def test_the_grouped_model_of_76_gaps_is_found_in_few_steps():
    """Tests every twelve seconds, six in ten missed: by EM alone 293 steps, each of all cases in all gaps."""
    rng, arm = np.random.default_rng(3), np.repeat([0, 1], 60)
    onset, tests = 5 * np.where(arm == 1, 0.6, 1.0) * rng.weibull(1.5, 120), np.arange(0.2, 15.3, 0.2)
    rows = [inspected(onset[[i]], tests[rng.random(tests.size) >= 0.6]) for i in range(120)]
    times = Intervals(np.concatenate([r.left for r in rows]), np.concatenate([r.right for r in rows]))
    grouped = fit_grouped_hazards(times, {"arm": arm.astype(str)}, reference={"arm": "0"})
    other = fit_proportional_hazards(times, {"arm": arm.astype(str)}, reference={"arm": "0"})
    assert grouped.certificate.iterations < 60
    assert grouped.estimates[0].estimate == pytest.approx(other.estimates[0].estimate, rel=1e-5)
    assert grouped.log_likelihood == pytest.approx(other.log_likelihood, abs=1e-6)


def test_the_curvature_of_the_grouped_likelihood_is_that_of_its_gradient():
    times, arm = study(3, n=60, miss=0.3, never=0.2)
    kinds = _kinds(times, np.column_stack((arm == "buffered", np.linspace(-1, 1, 60))).astype(float))
    theta = np.concatenate((np.linspace(-2, 0.5, kinds.gaps), [0.4, -0.3]))
    rows = central_slopes(lambda t: _gradient(kinds, t), theta, 1e-5)
    assert _curvature(kinds, theta) == pytest.approx(rows, abs=1e-6)


def test_one_interval_by_hand_in_the_grouped_model(reference):
    ref = reference("prentice_gloeckler_1978")
    times = Intervals([0] * 3 + [1] * 7 + [0] * 5 + [1] * 5, [1] * 3 + [INF] * 7 + [1] * 5 + [INF] * 5)
    found = fit_grouped_hazards(times, {"arm": ["plain"] * 10 + ["buffered"] * 10}, reference={"arm": "plain"})
    ref.check("beta", math.log(found.estimates[0].estimate))


PLANNED = np.array([0.5, 1, 2, 3, 4, 6, 8, 10, 15])


@pytest.mark.parametrize("seed", [82, 163, 245])
def test_a_gap_that_nearly_emptied_says_nothing_of_the_arms(seed):
    """Tests at other than the planned minutes leave gaps of next to no mass; the ratio is told all the same."""
    rng = np.random.default_rng(seed)
    left, right = [], []
    for onset in np.where(rng.random(80) > 0.1, 6 * rng.weibull(1.6, 80), np.inf):
        tests = np.round(PLANNED + rng.normal(0, 0.05, PLANNED.size), 3)
        felt = int((tests < onset).sum())
        left.append(tests[felt - 1] if felt else 0.0)
        right.append(tests[felt] if felt < tests.size else np.inf)
    times, arm = Intervals(left, right), {"arm": ["plain"] * 60 + ["buffered"] * 20}
    (grouped,) = fit_grouped_hazards(times, arm, reference_arm="plain").estimates
    (alone,) = fit_proportional_hazards(times, arm, reference_arm="plain").estimates
    assert grouped.estimate == pytest.approx(alone.estimate, rel=1e-4)
    assert grouped.std_error == pytest.approx(alone.std_error, rel=0.02)


def test_an_arm_without_onset_has_no_grouped_ratio():
    times = Intervals([0, 1, 2, 3, 5, 5, 5, 5], [1, 2, 3, 4, INF, INF, INF, INF])
    with pytest.raises(NotEstimable) as caught:
        fit_grouped_hazards(times, {"arm": ["plain"] * 4 + ["buffered"] * 4})
    assert caught.value.code == "separation"
    with pytest.raises(NotEstimable, match="no case was seen to become numb"):
        fit_grouped_hazards(Intervals([5] * 4, [INF] * 4), {"arm": ["plain", "buffered"] * 2})


# Accelerated time -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("family", ["weibull", "loglogistic", "lognormal"])
@pytest.mark.parametrize("name", OPEN_DATA)
def test_open_data_against_survreg(reference, name, family):
    ref = reference("survreg_open_data")
    times, group, base = open_data(name)
    found = fit_accelerated_time(times, {"arm": group}, family=family, reference={"arm": base})
    e = found.estimates[0]
    ref.check(f"{name}_{family}_location", found.parameters[0][1])
    ref.check(f"{name}_{family}_log_ratio", math.log(e.estimate))
    ref.check(f"{name}_{family}_std_error", e.std_error)
    assert found.log_likelihood >= ref.value(f"{name}_{family}_loglik") - 1e-6
    assert found.certificate.gap <= found.certificate.tolerance


def test_the_weibull_ratio_of_rates_as_computed_elsewhere():
    """exp(.567551 / .619340) = 2.500: breast cosmesis, R survival 3.5-3."""
    times, group, base = open_data("cosmesis")
    found = fit_accelerated_time(times, {"arm": group}, reference={"arm": base})
    scale = math.exp(found.parameters[-1][1])
    assert found.estimates[0].estimate ** (-1 / scale) == pytest.approx(2.500, abs=5e-4)


def test_the_generalised_gamma_contains_weibull_and_lognormal():
    times, group, base = open_data("cosmesis")
    fits = [fit_accelerated_time(times, {"arm": group}, family=f, reference={"arm": base}) for f in FAMILIES]
    value = {f.family: f.log_likelihood for f in fits}
    assert value["generalised_gamma"] >= max(value["weibull"], value["lognormal"]) - 1e-7
    assert all(from_dict(fit.to_dict()).to_dict() == fit.to_dict() for fit in fits)
    table = compare_families(times, {"arm": group}, reference={"arm": base})
    assert not table.failed
    assert {f.family: f.log_likelihood for f in table.fits} == value
    frame = table.to_frame()
    assert frame["aic"].is_monotonic_increasing
    assert frame["aic"].tolist() == pytest.approx((2 * frame["parameters"] - 2 * frame["log_likelihood"]).tolist())
    assert dict(zip(frame["family"], frame["parameters"], strict=True)) == dict(
        zip(FAMILIES, (3, 3, 3, 4), strict=True)
    )
    assert from_dict(table.to_dict()).to_dict() == table.to_dict()


def test_families_that_cannot_be_fitted_are_named_with_the_reason(monkeypatch):
    times, arm = study(3, n=60)

    def fails_for_some(*args, family, **kwargs):
        if family in ("lognormal", "generalised_gamma"):
            raise NotEstimable("time_ratio", f"no {family} settles", code="not_converged")
        return fit_accelerated_time(*args, family=family, **kwargs)

    monkeypatch.setattr(comparison, "fit_accelerated_time", fails_for_some)
    found = compare_families(times, {"arm": arm})
    assert found.failed == (
        ("lognormal", "no lognormal settles"),
        ("generalised_gamma", "no generalised_gamma settles"),
    )
    assert {fit.family for fit in found.fits} == {"weibull", "loglogistic"}
    with pytest.raises(NotEstimable, match="no lognormal settles") as caught:
        compare_families(times, {"arm": arm}, families=("lognormal",))
    assert caught.value.code == "not_converged"
    with pytest.raises(OnsetStudyError, match="no family is named"):
        compare_families(times, families=())
    with pytest.raises(OnsetStudyError, match="'gumbel' is not known"):
        compare_families(times, families=("gumbel",))
    with pytest.raises(NotEstimable, match="fewer than two onsets"):
        compare_families(Intervals([5, 5], [INF, INF]))


def test_a_left_end_of_nought_and_exact_times_are_admitted():
    times = Intervals([0, 0, 1, 2, 3, 4.5, 2.5, 6], [1, 2, 2, 3, INF, 4.5, 2.5, INF])
    for family in ("weibull", "lognormal", "loglogistic"):
        found = fit_accelerated_time(times, family=family)
        assert found.certificate.gap <= found.certificate.tolerance


@pytest.mark.parametrize("fit", [fit_accelerated_time, fit_never_numb, compare_families])
def test_an_onset_at_exactly_nought_is_refused_with_what_to_write(fit):
    left, right = [2, 0, 0, 1, 2, 3, 6], [3, 0, 1, 2, 3, 4, INF]
    with pytest.raises(OnsetStudyError, match=r"interval 1 \(0, 0\] .* from 0 to the first test") as refused:
        fit(Intervals(left, right))
    assert not isinstance(refused.value, NotEstimable)
    assert fit_accelerated_time(Intervals(left, [3, 1, *right[2:]])).certificate.converged


@settings(max_examples=10)
@given(st.integers(0, 10_000), st.sampled_from(["weibull", "lognormal", "loglogistic"]), st.floats(0.1, 60))
def test_laws_of_accelerated_time(seed, family, factor):
    times, arm = study(seed, n=60, never=0.1)
    assume(len(set(arm)) == 2)
    one = fit_accelerated_time(times, {"arm": arm}, family=family, reference={"arm": "plain"})
    e = one.estimates[0]
    scaled = fit_accelerated_time(times.rescale(factor), {"arm": arm}, family=family, reference={"arm": "plain"})
    assert scaled.estimates[0].estimate == pytest.approx(e.estimate, rel=1e-4)
    assert scaled.parameters[0][1] == pytest.approx(one.parameters[0][1] + math.log(factor), abs=1e-3)
    swapped = fit_accelerated_time(times, {"arm": arm}, family=family, reference={"arm": "buffered"})
    assert swapped.estimates[0].estimate == pytest.approx(1 / e.estimate, rel=1e-4)
    order = np.random.default_rng(seed).permutation(60)
    shuffled = fit_accelerated_time(times.take(order), {"arm": arm[order]}, family=family, reference={"arm": "plain"})
    assert shuffled.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-6)


def lifelines_weibull(times, coded):
    """Location, log ratios and log scale where lifelines ends, its left ends above 0."""
    from lifelines import WeibullAFTFitter

    frame = pd.DataFrame({f"x{j}": column for j, column in enumerate(coded.x.T)})
    frame["lower"], frame["upper"] = np.maximum(times.left, 1e-8), times.right
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        params = WeibullAFTFitter().fit_interval_censoring(frame, "lower", "upper").params_
    ratios = [params[("lambda_", f"x{j}")] for j in range(coded.x.shape[1])]
    return np.array([params[("lambda_", "Intercept")], *ratios, -params[("rho_", "Intercept")]])


@pytest.mark.parametrize("seed", range(6))
def test_a_weibull_that_does_not_settle_begins_again_without_slopes_and_ends_where_lifelines_does(seed, monkeypatch):
    times, arm = study(seed, n=80, never=0.1 * (seed % 3), ratio=(0.3, 1.0, 2.0)[seed % 3])
    straight = fit_accelerated_time(times, {"arm": arm}, reference={"arm": "plain"})
    starts = []

    def refusing(value, given, n, quantity):
        if given[0].size < 3:  # the ratio held, for its limits
            return polish(value, given, n, quantity)
        starts.append(given)
        if len(starts) == 1:
            raise NotEstimable(quantity, "did not settle", code="not_converged")
        return polish(value, given, n, quantity)

    monkeypatch.setattr(accelerated_time, "polish", refusing)
    again = fit_accelerated_time(times, {"arm": arm}, reference={"arm": "plain"})
    assert len(starts) == 2
    assert starts[1][0] == pytest.approx([v for _, v, _ in straight.parameters], abs=0.02)
    assert again.log_likelihood == pytest.approx(straight.log_likelihood, abs=1e-7)
    assert again.estimates[0].estimate == pytest.approx(straight.estimates[0].estimate, rel=1e-4)
    coded = code_covariates({"arm": arm}, len(times), reference_arm="plain")
    theirs = lifelines_weibull(times, coded)
    assert theirs == pytest.approx([v for _, v, _ in straight.parameters], abs=0.02)
    from_theirs = polish(accelerated_time._log_likelihood(times, coded, "weibull"), [theirs], len(times), "time_ratio")
    assert from_theirs.log_likelihood == pytest.approx(straight.log_likelihood, abs=1e-7)
    starts.clear()
    with pytest.raises(NotEstimable, match="did not settle"):
        fit_accelerated_time(times, {"arm": arm}, family="lognormal", reference={"arm": "plain"})


def test_what_determines_no_model_gives_no_number():
    with pytest.raises(NotEstimable, match="fewer than two onsets"):
        fit_accelerated_time(Intervals([5, 5, 0], [INF, INF, 1]))
    with pytest.raises(NotEstimable) as caught:
        fit_accelerated_time(Intervals([0, 1, 2, 5, 5, 5], [1, 2, 3, INF, INF, INF]), {"arm": list("aaabbb")})
    assert caught.value.code == "separation"
    for left, right in ((0, 1), (2, 3)):  # one interval for all: a model without spread fits best
        with pytest.raises(NotEstimable, match="do not determine the model"):
            fit_accelerated_time(Intervals([left] * 6, [right] * 6))
    for family in ("weibull", "lognormal", "loglogistic"):
        with pytest.raises(NotEstimable, match="every case was numb at its first test") as caught:
            fit_accelerated_time(
                Intervals([0, 0, 0, 0, 1, 3], [1, 2, 1, 1, 2, 5]), {"arm": list("aaabbb")}, family=family
            )
        assert caught.value.code == "separation"
    with pytest.raises(OnsetStudyError, match=r"(?i)the family 'gompertz' is not known"):
        fit_accelerated_time(Intervals([0, 1], [1, 2]), family="gompertz")


COARSE = ([4] * 5 + [6] + [2] * 5 + [4], [6] * 5 + [8] + [4] * 5 + [6], ["plain"] * 6 + ["buffered"] * 6)
"""Two gaps of tests in each arm that share a test: the likelihood rises until there is no spread."""
SURVIVAL = {
    "weibull": lambda w: np.exp(-np.exp(np.minimum(w, 500))),
    "lognormal": stats.norm.sf,
    "loglogistic": lambda w: special.expit(-w),
}


def highest(times, buffered, family, ratio):
    """Largest log-likelihood with the log ratio held, by a general search from many starts, in terms of its own."""
    with np.errstate(divide="ignore"):
        low, high = np.log(times.left) - ratio * buffered, np.log(times.right) - ratio * buffered

    def negative(theta):
        scale = np.exp(np.clip(theta[1], -20, 20))
        chance = SURVIVAL[family]((low - theta[0]) / scale) - SURVIVAL[family]((high - theta[0]) / scale)
        return -float(np.log(np.maximum(chance, 1e-300)).sum())

    options = {"maxiter": 4000, "xatol": 1e-9, "fatol": 1e-11}
    starts = itertools.product((1.3, 1.6, 1.8), (-3.0, -1.5, -0.5))
    return -min(optimize.minimize(negative, s, method="Nelder-Mead", options=options).fun for s in starts)


@pytest.mark.parametrize("family", SURVIVAL)
def test_where_no_spread_fits_best_the_ratio_has_limits_alone_whatever_the_unit_and_the_reference(family):
    times, arm = Intervals(*COARSE[:2]), COARSE[2]
    bounds = []
    for unit, reference in ((1.0, "plain"), (60.0, "plain"), (1e-3, "plain"), (1.0, "buffered")):
        with pytest.raises(NotEstimable, match="do not determine the model") as caught:
            fit_accelerated_time(times.rescale(unit), {"arm": arm}, family=family, reference_arm=reference)
        assert caught.value.code == "flat"
        bounds.append(caught.value.bound)
    low, high = bounds[0]
    assert bounds[1:3] == [pytest.approx((low, high), rel=1e-6)] * 2
    assert bounds[3] == pytest.approx((1 / high, 1 / low), rel=1e-5)
    # Without spread five of six are numb in the first gap of their arm, and all in both: four to six times as long.
    top = 2 * (5 * math.log(5 / 6) + math.log(1 / 6))
    buffered = np.array(arm) == "buffered"
    for end in (low, high):
        fallen = top - highest(times, buffered, family, math.log(end))
        assert 2 * fallen == pytest.approx(stats.chi2.ppf(0.95, 1), abs=2e-3)


@pytest.mark.parametrize("family", SURVIVAL)
def test_where_all_lie_in_one_gap_any_ratio_that_the_gap_holds_is_as_good(family):
    with pytest.raises(NotEstimable, match="do not determine the model") as caught:
        fit_accelerated_time(Intervals([2] * 8, [10] * 8), {"arm": ["a", "b"] * 4}, family=family, reference_arm="a")
    assert caught.value.code == "flat"
    assert caught.value.bound == pytest.approx((1 / 5, 5), rel=1e-3)


@pytest.mark.parametrize("family", SURVIVAL)
def test_limits_of_a_time_ratio_are_where_the_likelihood_has_fallen(family):
    times, arm = study(11, n=24, shape=2.5)
    found = fit_accelerated_time(times, {"arm": arm}, family=family, reference_arm="plain")
    (ratio,), buffered = found.estimates, arm == "buffered"
    for end in (ratio.interval.low, ratio.interval.high):
        fallen = found.log_likelihood - highest(times, buffered, family, math.log(end))
        assert 2 * fallen == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-4)
    without = 2 * (found.log_likelihood - highest(times, buffered, family, 0.0))
    assert ratio.p_value == pytest.approx(stats.chi2.sf(without, 1), abs=1e-5)


def test_tests_a_little_beside_their_minutes_do_not_narrow_a_ratio():
    """Tests at 3.98 to 4.02 instead of 4: the scale that fits best is tiny, and curvature there would be trusted."""
    nudge = 0.02 * np.array([1, -1, 0, 1, -1, 1] * 2)
    left, right = np.array(COARSE[0]) - np.abs(nudge), np.array(COARSE[1]) - np.abs(nudge)
    left[[5, 11]] += 0.04
    times, buffered = Intervals(left, right), np.repeat([False, True], 6)
    try:
        (ratio,) = fit_accelerated_time(times, {"arm": COARSE[2]}, reference_arm="plain").estimates
        low, high = ratio.interval.low, ratio.interval.high
    except NotEstimable as error:
        low, high = error.bound
    top = max(highest(times, buffered, "weibull", math.log(r)) for r in np.linspace(0.64, 0.69, 21))
    for end in (low, high):
        fallen = top - highest(times, buffered, "weibull", math.log(end))
        assert 2 * fallen == pytest.approx(stats.chi2.ppf(0.95, 1), abs=0.02)


@pytest.mark.parametrize("unit", [1.0, 1 / 20, 1e-3, 60.0])
def test_exact_times_that_are_small_numbers_are_as_good_as_others(unit):
    rng = np.random.default_rng(0)
    minutes = np.concatenate((3 * rng.weibull(1.5, 10), 2 * rng.weibull(1.5, 10)))
    left, right = np.append(minutes, 2.0), np.append(minutes, 4.0)
    arm = {"arm": ["plain"] * 10 + ["buffered"] * 11}
    plain, other = (
        fit_accelerated_time(Intervals(left * by, right * by), arm, reference_arm="plain") for by in (1.0, unit)
    )
    assert other.estimates[0].estimate == pytest.approx(plain.estimates[0].estimate, rel=1e-5)
    assert other.estimates[0].interval.low == pytest.approx(plain.estimates[0].interval.low, rel=1e-5)
    assert other.log_likelihood == pytest.approx(plain.log_likelihood - 20 * math.log(unit), abs=1e-6)


def test_a_curvature_that_is_no_number_is_said_and_not_thrown():
    left = [8.0, 4.0, 2.0, 4.0, 3.0, 0.0, 2.0, 1.0, 4.0, 6.0, 2.0, 6.0, 6.0, 6.0, 1.0, 8.0, 3.0]
    right = [10.0, 6.0, 3.0, 6.0, 8.0, 1.0, 3.0, 3.0, 8.0, 8.0, 3.0, 8.0, 8.0, INF, 2.0, 10.0, 4.0]
    arm = {"arm": ["plain"] * 5 + ["buffered"] * 12}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(NotEstimable) as caught:
            fit_accelerated_time(Intervals(left, right), arm, reference_arm="plain", family="generalised_gamma")
    assert caught.value.code in ("flat", "not_converged")
    with pytest.raises(NotEstimable, match="do not determine the model"):
        observed_information(lambda theta: math.nan, np.zeros(2), "time_ratio", log_scale=1)


def coarse(seed):
    """Few cases, tested rarely: with and without a maximum, some never numb, some seen to the second."""
    rng = np.random.default_rng(seed)
    arm = np.repeat(["plain", "buffered"], rng.integers(5, 10))
    onset = np.where(arm == "plain", 4.0, rng.choice([2.0, 2.5, 4.0])) * rng.weibull(rng.choice([1.5, 4.0]), arm.size)
    onset[rng.random(arm.size) < 0.1] = 100.0
    times = inspected(onset, np.array([(2.0, 4.0, 6.0, 8.0), (1.0, 2.5, 5.0, 10.0)][rng.integers(2)]))
    seen = np.isfinite(times.right) & (rng.random(arm.size) < 0.5 * rng.integers(2))
    return Intervals(np.where(seen, onset, times.left), np.where(seen, onset, times.right)), arm


@settings(max_examples=8)
@given(st.integers(0, 10_000), st.sampled_from([*SURVIVAL, "never"]), st.floats(-3, 3))
def test_laws_of_few_cases_tested_rarely(seed, family, power):
    times, arm = coarse(seed)

    def said(times, arm, reference="plain"):
        try:
            if family == "never":
                fit = fit_never_numb(times, arm, reference_arm=reference)
                return "estimate", *(x for e in fit.shares for x in (e.estimate, e.interval.low, e.interval.high))
            (e,) = fit_accelerated_time(times, {"arm": arm}, family=family, reference_arm=reference).estimates
            return "estimate", e.estimate, e.interval.low, e.interval.high, e.p_value
        except NotEstimable as error:
            return error.code, *(error.bound or ())

    one = said(times, arm)
    order = np.random.default_rng(seed).permutation(arm.size)
    for other in (said(times.rescale(10**power), arm), said(times.take(order), arm[order])):
        assert other[0] == one[0]
        assert other[1:] == pytest.approx(one[1:], rel=1e-3, abs=1e-4)
    swapped = said(times, arm, "buffered")
    assert swapped[0] == one[0]
    if family != "never" and one[0] == "estimate":
        assert swapped[1:4] == pytest.approx((1 / one[1], 1 / one[3], 1 / one[2]), rel=1e-3)
        assert swapped[4] == pytest.approx(one[4], abs=1e-3)


def test_the_fit_beside_the_curve():
    times, _ = study(3, n=2000, ratio=1.0)
    fit = fit_accelerated_time(times)
    frame = fitted_against_curve(fit, times, np.array([0.0, 2.0, 5.0, 10.0]))
    assert frame["fitted"].iloc[0] == 1.0
    assert np.all((frame["fitted"] > frame["low"] - 0.03) & (frame["fitted"] < frame["high"] + 0.03))
    value, minutes = {name: v for name, v, _ in fit.parameters}, np.array([2.0, 5.0, 10.0])
    w = (np.log(minutes) - value["location"]) / np.exp(value["log scale"])
    fitted = np.exp(log_survival(fit.family, w, 1.0))
    low, high = fit_npmle(times).at(minutes)
    assert np.all((fitted > low - 0.03) & (fitted < high + 0.03))
    assert frame.iloc[1:, 1:].to_numpy() == pytest.approx(np.column_stack((fitted, low, high)))
    with pytest.raises(OnsetStudyError, match="without covariates"):
        fitted_against_curve(fit_accelerated_time(times, {"x": np.arange(2000) % 2}), times, np.array([1.0]))
    with pytest.raises(OnsetStudyError, match="is of 2000 cases"):
        fitted_against_curve(fit, times.take(np.arange(1999)), [1.0])


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_begins_at_one_and_falls_as_its_own_law_does(family):
    times, _ = study(3, n=300, ratio=1.0)
    fit = fit_accelerated_time(times, family=family)
    frame = fitted_against_curve(fit, times, [0.0, 0.5, 3.0, 9.0, INF])
    location, scale = fit.parameters[0][1], math.exp(fit.parameters[1][1])
    own = {
        "weibull": lambda: stats.weibull_min(1 / scale, scale=math.exp(location)),
        "lognormal": lambda: stats.lognorm(scale, scale=math.exp(location)),
        "loglogistic": lambda: stats.fisk(1 / scale, scale=math.exp(location)),
        "generalised_gamma": lambda: generalised_gamma(location, scale, fit.parameters[2][1]),
    }[family]()
    assert frame["fitted"].tolist() == pytest.approx(own.sf(frame["minute"]).tolist(), abs=1e-12)


def generalised_gamma(location, scale, q):
    """Stacy's law in scipy's parameters: shape one over q squared, power q over the scale."""
    return stats.gengamma(q**-2, q / scale, scale=math.exp(location) * q ** (2 * scale / q))


# Never numb -----------------------------------------------------------------------------------------------------------


def test_the_share_is_found_where_the_general_library_says_nought():
    """15 % never numb of 2,000: the library leaves never-numb cases out of their own likelihood."""
    from lifelines import MixtureCureFitter, WeibullFitter

    times, _ = study(4, n=2000, never=0.15, ratio=1.0)
    found = fit_never_numb(times)
    e = found.shares[0]
    assert e.interval.low < 0.15 < e.interval.high
    assert found.test.p_value < 1e-6
    assert not found.caution
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = MixtureCureFitter(base_fitter=WeibullFitter()).fit_interval_censoring(
            np.maximum(times.left, 1e-8), times.right
        )
    assert theirs.cured_fraction_ < 0.05


def test_shares_of_two_arms_and_the_time_ratio_of_the_rest():
    rng = np.random.default_rng(5)
    n = 3000
    arm = rng.integers(0, 2, n)
    onset = 5 * np.where(arm == 1, 0.7, 1.0) * rng.weibull(1.6, n)
    onset[rng.random(n) < np.where(arm == 1, 0.08, 0.2)] = np.inf
    found = fit_never_numb(
        inspected(onset, np.arange(1.0, 21)), np.where(arm == 1, "buffered", "plain"), reference_arm="plain"
    )
    assert [e.contrast for e in found.shares] == ["plain", "buffered"]
    for e, true in zip(found.shares, (0.2, 0.08), strict=True):
        assert e.interval.low < true < e.interval.high
    assert found.time_ratio.interval.low < 0.7 < found.time_ratio.interval.high
    assert from_dict(found.to_dict()).to_dict() == found.to_dict()


def test_one_arm_without_never_numb_cases_does_not_hide_the_others():
    """Everybody numb with plain: its share is 0 with an upper limit; the other arm's is that of brute force."""
    rng = np.random.default_rng(4)
    onset = 4 * rng.weibull(1.5, 60)
    arm = np.repeat(["plain", "buffered"], 30)
    onset[30:36] = np.inf
    times = inspected(onset, np.arange(1.0, 16))
    found = fit_never_numb(times, arm, reference_arm="plain")
    plain, buffered = found.shares
    assert (plain.estimate, plain.std_error, plain.interval.low) == (0.0, None, 0.0)

    def negative(theta, plain_share=0.0):
        share = np.where(arm == "plain", plain_share, special.expit(theta[0]))
        scale, shape = np.exp(theta[1] + theta[2] * (arm == "buffered")), np.exp(theta[3])
        left, right = (np.exp(-((np.minimum(t, 1e6) / scale) ** shape)) for t in (times.left, times.right))
        never = np.isinf(times.right)
        chance = np.where(never, share + (1 - share) * left, (1 - share) * (left - right))
        return -float(np.log(np.maximum(chance, 1e-300)).sum())

    def lowest(plain_share=0.0):
        options = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 20000, "maxfev": 20000}
        start = [-1.4, np.log(4), 0.0, 0.4]
        return optimize.minimize(negative, start, (plain_share,), method="Nelder-Mead", options=options)

    best = lowest()
    assert found.log_likelihood == pytest.approx(-best.fun, abs=1e-6)
    assert buffered.estimate == pytest.approx(float(special.expit(best.x[0])), abs=1e-4)
    # At the upper limit twice the log-likelihood has fallen by the chi-square quantile of one degree of freedom.
    assert 2 * (lowest(plain.interval.high).fun - best.fun) == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-3)
    # Which arm is the reference changes nothing.
    turned = fit_never_numb(times, arm, reference_arm="buffered")
    assert turned.log_likelihood == pytest.approx(found.log_likelihood, abs=1e-6)
    assert [e.contrast for e in turned.shares] == ["buffered", "plain"]
    assert turned.shares[0].estimate == pytest.approx(buffered.estimate, abs=1e-5)


def test_a_third_arm_has_its_own_ratio_and_a_missing_one_is_refused():
    times, _ = study(8, n=240, never=0.15, ratio=1.0)
    arm = np.array(["plain", "buffered", "warmed"] * 80)
    found = fit_never_numb(times, arm, reference_arm="plain")
    assert [e.contrast for e in (found.time_ratio, *found.more)] == ["buffered / plain", "warmed / plain"]
    turned = fit_never_numb(times, arm, reference_arm="warmed")
    assert turned.more[0].contrast == "plain / warmed"
    assert turned.more[0].estimate == pytest.approx(1 / found.more[0].estimate, rel=1e-4)
    assert from_dict(found.to_dict()).to_dict() == found.to_dict()
    assert set(found.to_frame()["contrast"]) >= {"buffered / plain", "warmed / plain"}
    for missing in (math.nan, None, pd.NA):
        with pytest.raises(OnsetStudyError, match="arm is missing for case 0 "):
            fit_never_numb(times, [missing, *arm[1:]], reference_arm="plain")
    with pytest.raises(OnsetStudyError, match=r"the shape \(240, 1\)"):
        fit_never_numb(times, pd.DataFrame({"arm": arm}), reference_arm="plain")


def test_shares_are_not_told_where_onsets_have_no_spread():
    left, right, arm = COARSE
    times = Intervals([*left, 20, 20, 20], [*right, INF, INF, INF])
    for unit in (1.0, 60.0):
        with pytest.raises(NotEstimable, match="do not determine the model"):
            fit_never_numb(times.rescale(unit), [*arm, "plain", "buffered", "plain"], reference_arm="plain")


def few(seed, n=20, never=0.1):
    """Some cases of one law, with some never-numb ones."""
    rng = np.random.default_rng(seed)
    onset = 4 * rng.weibull(1.6, n)
    onset[rng.random(n) < never] = np.inf
    return inspected(onset, np.arange(1.0, 11))


def least_unlikely(times, share):
    """Least negative Weibull log-likelihood with a share of never-numb cases (``None``: any), by a general search."""

    def negative(theta):
        never = special.expit(theta[2]) if share is None else share
        left, right = (
            np.exp(-((np.minimum(t, 1e6) / np.exp(theta[0])) ** np.exp(theta[1]))) for t in (times.left, times.right)
        )
        chance = np.where(np.isinf(times.right), never + (1 - never) * left, (1 - never) * (left - right))
        return -float(np.log(np.maximum(chance, 1e-300)).sum())

    start = [np.log(4), 0.5, *([-2.0] if share is None else [])]
    options = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 20000, "maxfev": 20000}
    return float(optimize.minimize(negative, start, method="Nelder-Mead", options=options).fun)


def test_limits_of_a_share_begin_at_nought_exactly_where_its_test_does_not_reject():
    """They end where a general search says that likelihood has fallen; by how much, ``test_likelihood`` knows."""
    begun = []
    for seed in range(16):
        times = few(seed)
        try:
            found = fit_never_numb(times)
        except NotEstimable:
            continue
        interval, best = found.shares[0].interval, least_unlikely(times, None)
        begun.append((interval.low == 0, found.test.p_value >= 0.05))
        fall = least_unlikely(times, interval.high) - best
        assert fall == pytest.approx(stats.chi2.ppf(0.95, 1) / 2, abs=1e-3)
        if interval.low > 0:
            lost = fall_to_lower_limit(least_unlikely(times, 0.0) - best, 0.95)
            assert least_unlikely(times, interval.low) - best == pytest.approx(lost, abs=1e-3)
    assert set(begun) == {(True, True), (False, False)}


def test_without_never_numb_cases_the_bound_ends_where_likelihood_has_fallen():
    times = few(4, n=30, never=0.0)
    with pytest.raises(NotEstimable) as caught:
        fit_never_numb(times)
    assert caught.value.code == "boundary"
    low, high = caught.value.bound
    assert low == 0 < high < 0.5
    fall = least_unlikely(times, high) - least_unlikely(times, 0.0)
    assert fall == pytest.approx(stats.chi2.ppf(0.95, 1) / 2, abs=1e-3)


def test_without_never_numb_cases_in_either_arm_the_bound_is_the_larger_limit():
    """One arm has half as many cases and says less."""
    times, arm = few(4, n=30, never=0.0), np.array(["plain", "plain", "buffered"] * 10)
    with pytest.raises(NotEstimable) as caught:
        fit_never_numb(times, arm, reference_arm="plain")
    assert caught.value.code == "boundary"
    with pytest.raises(NotEstimable) as together:
        fit_never_numb(times)
    assert 0 < together.value.bound[1] < caught.value.bound[1] < 1


@pytest.mark.parametrize("fit", [fit_accelerated_time, fit_grouped_hazards, fit_proportional_hazards])
def test_the_unit_of_a_covariate_changes_nothing_but_its_own_ratio(fit):
    rng = np.random.default_rng(0)
    age, arm = rng.normal(10.0, 1.0, 60), np.where(rng.random(60) < 0.5, "plain", "buffered")
    left = np.floor(rng.gamma(2.0, 2.0, 60) * np.exp(-0.5 * (age - 10)))
    times = Intervals(left, left + 1)
    year, *others = (
        fit(times, {"arm": arm, "age": age * unit}, reference_arm="plain").estimates
        for unit in (1.0, 0.01, 365.25, 1e5)
    )
    for unit, other in zip((0.01, 365.25, 1e5), others, strict=True):
        assert other[0].estimate == pytest.approx(year[0].estimate, rel=1e-6)
        assert np.log(other[1].estimate) * unit == pytest.approx(np.log(year[1].estimate), rel=1e-6)
        assert other[1].std_error * unit == pytest.approx(year[1].std_error, rel=1e-5)


def test_short_follow_up_is_said():
    rng = np.random.default_rng(6)
    onset = 8 * rng.weibull(1.2, 4000)
    onset[rng.random(4000) < 0.3] = np.inf
    found = fit_never_numb(inspected(onset, np.arange(1.0, 11)))
    assert [c.code for c in found.caution] == ["short_follow_up"]
    assert "Testing ended at 10 min" in found.caution[0].text


def test_short_follow_up_of_one_arm_is_said_whichever_is_the_reference():
    rng = np.random.default_rng(3)
    onset = np.where(rng.random(120) < 0.2, np.inf, 4 * rng.weibull(1.5, 120))
    minutes = [np.arange(1.0, 26), np.arange(1.0, 4)]
    parts = [inspected(half, tests) for half, tests in zip(np.split(onset, 2), minutes, strict=True)]
    times = Intervals(*(np.concatenate([getattr(p, end) for p in parts]) for end in ("left", "right")))
    for reference in ("long", "short"):
        (caution,) = fit_never_numb(times, ["long"] * 60 + ["short"] * 60, reference_arm=reference).caution
        assert "Testing ended at 3 min, when" in caution.text


def test_where_everybody_becomes_numb_there_is_no_share():
    times, _ = study(7, n=200, ratio=1.0, shape=3.0)
    with pytest.raises(NotEstimable) as caught:
        fit_never_numb(times)
    assert caught.value.code in ("boundary", "flat", "not_converged")


# Testing itself -------------------------------------------------------------------------------------------------------


def readings(starts, gap=1.0, number=4):
    case = np.repeat(np.arange(len(starts)), number)
    return case, np.concatenate([s + gap * np.arange(number) for s in starts])


def test_like_schedules_are_rarely_called_unlike():
    p = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        case, minute = readings(rng.uniform(0.9, 1.4, 60))
        p.append(check_schedule(case, minute, np.array(["plain", "buffered"] * 30), reference_arm="plain").test.p_value)
    assert np.mean(np.array(p) < 0.05) <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 200)


def test_a_later_first_test_in_one_arm_is_found_and_said():
    rng = np.random.default_rng(1)
    late = np.tile([0.0, 3.0], 30)
    case, minute = readings(rng.uniform(0.9, 1.1, 60) + late)
    found = check_schedule(case, minute, np.array(["plain", "buffered"] * 30), reference_arm="plain")
    assert found.test.p_value < 1e-6
    assert "came at 4.0 min on average in the arm buffered and at 1.0 min in the arm plain" in found.caution[0].text
    median = {(arm, test): middle for arm, test, _, _, middle, _ in found.minutes}
    assert median["plain", 1] == pytest.approx(1.0, abs=0.05)
    assert from_dict(found.to_dict()).to_dict() == found.to_dict()


def test_identical_minutes_are_no_difference():
    case, minute = readings(np.ones(20))
    assert check_schedule(case, minute, np.array(["a", "b"] * 10), reference_arm="a").test.p_value == 1.0


def test_schedules_that_cannot_be_compared():
    with pytest.raises(NotEstimable, match="too few cases"):
        check_schedule([0, 1], [1.0, 1.0], ["a", "b"], reference_arm="a")
    with pytest.raises(OnsetStudyError, match=r"(?i)two arms are compared"):
        check_schedule([0, 1], [1.0, 1.0], ["a", "a"], reference_arm="a")
    with pytest.raises(OnsetStudyError, match=r"(?i)every case must have an arm"):
        check_schedule([0, 5], [1.0, 1.0], ["a", "b"], reference_arm="a")


def test_a_first_test_after_the_target_is_told_in_plain_words():
    times = Intervals([0, 0, 4, 0, 1], [4, 4, 5, 1, 2])
    found = summarise_testing(times, list("bbbaa"), target_min=2, missed=[0, 1, 0, 2, 0])
    assert found.rows[0][:4] == ("a", 2, 1, 0)
    assert found.rows[1][:4] == ("b", 3, 2, 2)
    assert found.to_frame()["missed_tests"].tolist() == [2, 1]
    texts = [c.text for c in found.caution]
    assert texts[1] == (
        "In the arm b 2 teeth were numb at a first test that came after minute 2: nobody can say whether they were "
        "numb by then."
    )
    assert texts[0].startswith("In the arm a 1 of 2 teeth were numb at their first test already")


def test_shares_are_of_their_arms_whatever_these_are_called():
    rng = np.random.default_rng(0)
    arm = np.repeat(["plain", "buffered"], 60)
    gone, onset = rng.random(120) < 0.25, np.floor(3 * rng.weibull(1.5, 120))
    times = Intervals(np.where(gone, 15.0, onset), np.where(gone, np.inf, onset + 1))
    plain, other = (
        fit_never_numb(times, np.where(arm == "plain", name, "a / x"), reference_arm=name).shares
        for name in ("plain", "p / q")
    )
    assert [share.contrast for share in plain] == ["plain", "a / x"]
    assert [share.contrast for share in other] == ["p / q", "a / x"]
    own = fit_never_numb(times, arm, reference_arm="plain").shares
    assert [s.estimate for s in own] == [s.estimate for s in plain] == [s.estimate for s in other]
