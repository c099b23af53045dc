"""Semiparametric proportional hazards: against published and other software's values, by hand, slow twins and laws."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import optimize, stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.serialise import from_dict
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.hazards.ph_fit import maximise, set_up
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from tests.examples import examples
from tests.reference import load_reference

INF = math.inf
OPEN_DATA = {
    "cosmesis": ("interval_cosmesis_tests", "treatment", "Rad"),
    "mice": ("interval_mice_tests", "grp", "ce"),
    "diabetes": ("interval_diabetes_tests", "gender", "female"),
}


def open_data(name):
    folder, group, reference_arm = OPEN_DATA[name]
    data = load_reference(folder).data
    left, right = data.columns[:2]
    times = Intervals(data[left].fillna(0), data[right].fillna(INF))
    return times, data[group].to_numpy(), reference_arm


def fit(times, arm, reference_arm="plain", **options):
    return fit_proportional_hazards(times, {"arm": arm}, reference={"arm": reference_arm}, **options)


@pytest.mark.parametrize("name", OPEN_DATA)
def test_open_data_against_independent_code(reference, name):
    ref = reference("profile_ph_open_data")
    found = fit(*open_data(name))
    e = found.estimates[0]
    ref.check(f"{name}_beta", math.log(e.estimate))
    ref.check(f"{name}_loglik", found.log_likelihood)
    ref.check(f"{name}_loglik_null", found.log_likelihood_null)
    ref.check(f"{name}_lr", found.tests[0].statistic)
    ref.check(f"{name}_low", math.log(e.interval.low))
    ref.check(f"{name}_high", math.log(e.interval.high))
    assert found.certificate.gap <= found.certificate.tolerance


@pytest.mark.parametrize("name", OPEN_DATA)
def test_open_data_against_icenreg(reference, name):
    ref = reference("icenreg_ph_open_data")
    found = fit(*open_data(name))
    ref.check(f"{name}_beta", math.log(found.estimates[0].estimate))
    assert found.log_likelihood >= ref.value(f"{name}_loglik") - 1e-6


def test_cosmesis_as_published(reference):
    ref = reference("huang_wellner_1995_cosmesis_ph")
    e = fit(*open_data("cosmesis")).estimates[0]
    ref.check("beta", math.log(e.estimate))
    ref.check("std_error", e.std_error)
    assert e.contrast == "RadChem / Rad"


def test_score_test_is_finkelsteins():
    """Chi-square 7.8749, P .005012: Fay & Shaw 2010, J Stat Softw 36(2), score test with Finkelstein's scores."""
    score = next(t for t in fit(*open_data("cosmesis")).tests if t.quantity == "score test")
    assert score.statistic == pytest.approx(7.8749, abs=5e-5)
    assert score.p_value == pytest.approx(0.005012, abs=5e-7)


def test_one_interval_by_hand(reference):
    ref = reference("prentice_gloeckler_1978")
    times = Intervals([0] * 3 + [1] * 7 + [0] * 5 + [1] * 5, [1] * 3 + [INF] * 7 + [1] * 5 + [INF] * 5)
    e = fit(times, ["plain"] * 10 + ["buffered"] * 10).estimates[0]
    ref.check("beta", math.log(e.estimate))
    ref.check("hazard_ratio", e.estimate)


GRID = np.array([0, 1, 2, 3, 4, 6, 9])


def grid_study(seed, n=120, p=2):
    rng = np.random.default_rng(seed)
    x = np.column_stack([rng.integers(0, 2, n), rng.normal(size=n)])[:, :p].astype(float)
    onset = 4 * (rng.exponential(size=n) / np.exp(x @ np.array([0.6, -0.4])[:p])) ** 0.7
    stop = rng.choice(GRID[2:], n)
    cell = np.searchsorted(GRID, onset, side="left")
    right = np.where((onset > stop) | (cell >= GRID.size), INF, GRID[np.minimum(cell, GRID.size - 1)])
    left = np.where(np.isinf(right), stop, GRID[np.minimum(cell, GRID.size - 1) - 1])
    return Intervals(left, right), x


def person_periods(times, x, grid):
    """One row per case and gap of the grid that it was followed through, and a GLM with one level per gap."""
    rows = []
    for left, right, covariate in zip(times.left, times.right, x, strict=True):
        last = grid[grid <= left][-1] if np.isinf(right) else right
        rows += [(j, float(grid[j] == right), *covariate) for j in range(1, grid.size) if grid[j] <= last]
    frame = pd.DataFrame(rows)
    design = np.column_stack([pd.get_dummies(frame[0]).astype(float), frame.iloc[:, 2:]])
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    return sm.GLM(frame[1], design, family=family)


@pytest.mark.parametrize("seed", range(4))
def test_complete_grid_equals_the_complementary_log_log_model(seed):
    """Person-period expansion, statsmodels GLM: coefficients, errors by observed information, log-likelihood."""
    times, x = grid_study(seed)
    model = person_periods(times, x, GRID)
    glm = model.fit(tol=1e-13, maxiter=200)
    errors = np.sqrt(np.diag(np.linalg.inv(-model.hessian(glm.params, observed=True))))
    found = fit_proportional_hazards(times, {"a": x[:, 0], "b": x[:, 1]})
    assert [math.log(e.estimate) for e in found.estimates] == pytest.approx(list(glm.params[-2:]), abs=1e-6)
    assert [e.std_error for e in found.estimates] == pytest.approx(list(errors[-2:]), rel=1e-5)
    assert found.log_likelihood == pytest.approx(glm.llf, abs=1e-6)


def naive_log_likelihood(b, increments, times, x, points, stratum):
    total = 0.0
    for i in range(len(times)):
        h = np.concatenate(([0.0], np.cumsum(increments[stratum[i]])))
        e = math.exp(float(x[i] @ b))

        def surv(t, h=h, e=e):
            return 0.0 if np.isinf(t) else math.exp(-e * h[np.searchsorted(points, t, side="right")])

        total += math.log(max(surv(times.left[i]) - surv(times.right[i]), 1e-300))
    return total


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("strata", [1, 2])
def test_against_a_slow_optimiser_with_missed_tests_and_strata(seed, strata):
    """Every parameter at once by a general optimiser, increments on every gap of the grid."""
    times, x = grid_study(seed, n=50)
    rng = np.random.default_rng(seed + 100)
    wide = rng.random(50) < 0.3
    lower = np.array([GRID[max(0, np.searchsorted(GRID, v) - 1)] for v in times.left])
    times = Intervals(np.where(wide, lower, times.left), times.right)
    stratum = np.arange(50) % strata
    points = GRID[1:].astype(float)

    def negative(theta):
        increments = np.exp(theta[2:]).reshape(strata, -1)
        return -naive_log_likelihood(theta[:2], increments, times, x, points, stratum)

    start = np.concatenate((np.zeros(2), np.full(strata * points.size, -2.0)))
    bounds = [(-5, 5)] * 2 + [(-25, 3)] * (strata * points.size)
    slow = optimize.minimize(negative, start, method="L-BFGS-B", bounds=bounds, options={"maxiter": 3000})
    found = fit_proportional_hazards(times, {"a": x[:, 0], "b": x[:, 1]}, stratum=stratum)
    # The general optimiser creeps along the boundary: it may stop a little short, never above.
    assert -1e-5 <= found.log_likelihood + slow.fun <= 0.02
    assert [math.log(e.estimate) for e in found.estimates] == pytest.approx(slow.x[:2], abs=0.05)


def test_profile_limits_are_where_the_likelihood_has_fallen():
    """The limits, put in as an offset, lose exactly half a chi-square of log-likelihood (by a second fit)."""
    from onsetstudy.survival.hazards.ph_fit import maximise, set_up

    times, x = grid_study(7, p=1)
    found = fit_proportional_hazards(times, {"a": x[:, 0]})
    problem = set_up(times, x, np.zeros(len(times), dtype=int), np.ones(len(times)))
    for limit in (found.estimates[0].interval.low, found.estimates[0].interval.high):
        held = maximise(problem, held={0: math.log(limit)})
        assert 2 * (found.log_likelihood - held.log_likelihood) == pytest.approx(3.841458820694124, abs=1e-5)


def test_exact_and_right_censored_times_are_grouped_at_their_values():
    """6-MP data (Freireich 1963): with ties this is the discrete model, not one of the partial likelihoods."""
    data = load_reference("survival_freireich_logrank").data
    times = Intervals(data["time"], np.where(data["status"] == 1, data["time"], INF))
    control = (data["trt"] != "6MP").to_numpy(float)
    found = fit_proportional_hazards(times, {"control": control})
    grid = np.concatenate(([0.0], np.unique(data["time"])))
    model = person_periods(times, control[:, None], grid)
    held = [j for j in range(grid.size - 1) if (data["time"][data["status"] == 1] == grid[j + 1]).any()]
    keep = model.exog[:, held].any(axis=1)
    glm = sm.GLM(model.endog[keep], model.exog[keep][:, [*held, -1]], family=model.family).fit(tol=1e-13, maxiter=200)
    assert math.log(found.estimates[0].estimate) == pytest.approx(glm.params[-1], abs=1e-5)


def test_without_covariate_effect_the_null_is_the_nonparametric_curve():
    times, arm, reference_arm = open_data("cosmesis")
    assert fit(times, arm, reference_arm).log_likelihood_null == pytest.approx(
        fit_npmle(times).log_likelihood, abs=1e-9
    )


SEPARATED = {
    "no onset in one arm": ([0, 1, 2, 3, 5, 5, 5, 5], [1, 2, 3, 4, INF, INF, INF, INF], "no_onset_in_arm"),
    "one arm wholly before the other": ([3, 4, 5, 6, 0, 0, 0, 1], [4, 5, 6, 7, 1, 1, 1, 2], "separation"),
    "all numb at the first test in one arm": ([1, 2, 3, 4, 0, 0, 0, 0], [2, 3, 4, 5, 1, 1, 1, 1], "separation"),
}


@pytest.mark.parametrize("name", SEPARATED)
def test_separation_gives_a_one_sided_bound(name):
    left, right, code = SEPARATED[name]
    times, arm = Intervals(left, right), np.array(["plain"] * 4 + ["buffered"] * 4)
    with pytest.raises(NotEstimable) as one:
        fit(times, arm)
    with pytest.raises(NotEstimable) as other:
        fit(times, arm, "buffered")
    assert one.value.code == other.value.code == code
    low, high = one.value.bound
    # Swapping the arms turns the bound over.
    assert other.value.bound == pytest.approx((1 / high if high < INF else 0.0, 1 / low if low > 0 else INF), rel=1e-4)
    assert (low == 0.0) != (high == INF)


def test_the_bound_is_where_the_naive_profile_has_fallen():
    """No onset with buffered: the naive profile of the ratio at the bound lies 1.6449 squared below its supremum."""
    times = Intervals([0, 1, 2, 3, 4, 4, 4], [1, 2, 3, 4, INF, INF, INF])
    arm = np.array(["plain"] * 4 + ["buffered"] * 3)
    with pytest.raises(NotEstimable) as caught:
        fit(times, arm)

    def profile(b):
        def negative(theta):
            h = np.concatenate(([0.0], np.cumsum(np.exp(theta))))
            s = np.exp(-h)
            return 3 * math.exp(b) * h[4] - sum(math.log(s[i] - s[i + 1]) for i in range(4))

        return -optimize.minimize(negative, np.full(4, -1.0), method="BFGS", options={"gtol": 1e-9}).fun

    fall = 2 * (profile(-40.0) - profile(math.log(caught.value.bound[1])))
    assert fall == pytest.approx(1.6448536269514722**2, abs=1e-3)


@pytest.mark.parametrize(("slow", "fast"), [(3, 9), (5, 20), (12, 12), (30, 10), (40, 120)])
def test_where_all_of_one_arm_are_numb_at_the_first_test_the_bound_is_had_by_hand(slow, fast):
    """The slow arm is numb in gaps of its own after minute 1, so that its hazard up to then, H, is all that is shared.

    The profile of the log ratio b is ``max over H of fast * log(1 - exp(-e^b H)) - slow * H``, and rises to 0.
    """
    left, right = np.r_[np.arange(1, slow + 1), np.zeros(fast)], np.r_[np.arange(2, slow + 2), np.ones(fast)]
    with pytest.raises(NotEstimable) as caught:
        fit(Intervals(left, right), np.array(["plain"] * slow + ["buffered"] * fast))

    def lost(b):
        def at(log_h):
            return slow * math.exp(log_h) - fast * math.log(-math.expm1(-math.exp(b + log_h)))

        return optimize.minimize_scalar(at, bounds=(-40, 5), method="bounded", options={"xatol": 1e-12}).fun

    wanted = optimize.brentq(lambda b: lost(b) - 1.6448536269514722**2 / 2, -2, 14)
    assert caught.value.bound == pytest.approx((math.exp(wanted), INF), rel=1e-3)


SLOW_AND_FAST = (
    ([0.5, 1.5, 1, 4, 1, 2.5, 2.5, 2.5], [1.5, 2.5, 1.5, 6, 1.5, 3, 3, 4]),
    ([0.5, 0, 0.5, 0, 0.5, 0.5, 1, 0], [1.5, 0.5, 1, 0.5, 1, 1, 1.5, 1]),
)
"""Eight cases an arm of which no ratio of rates has an end; the arms overlap in (0.5, 1.5]."""


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_the_bound_of_arms_that_overlap_is_where_a_general_search_of_the_profile_has_fallen(level):
    left, right = (np.concatenate(ends) for ends in zip(*SLOW_AND_FAST, strict=True))
    fast, cuts = np.repeat([0.0, 1.0], 8), np.unique(np.concatenate((left, right)))[1:]
    with pytest.raises(NotEstimable) as caught:
        fit_proportional_hazards(
            Intervals(left, right),
            {"arm": np.where(fast == 1, "buffered", "plain")},
            reference_arm="plain",
            conf_level=level,
        )
    assert caught.value.code == "separation"

    def lost(b):
        def negative(theta):
            hazard = np.concatenate(([0.0], np.cumsum(np.exp(theta))))
            low, high = (hazard[np.searchsorted(cuts, at, side="right")] * np.exp(b * fast) for at in (left, right))
            return float((low - np.log(-np.expm1(low - high))).sum())

        starts = (np.full(cuts.size, start) for start in (-1.0, -1.0 - b / 2, -b))
        options = {"maxiter": 5000, "maxfun": 100_000, "ftol": 1e-14, "gtol": 1e-9}
        bounds = [(-30, 8)] * cuts.size
        return min(
            optimize.minimize(negative, s, method="L-BFGS-B", bounds=bounds, options=options).fun for s in starts
        )

    low, high = caught.value.bound
    assert high == INF
    assert lost(math.log(low)) - lost(14.0) == pytest.approx(stats.norm.ppf(level) ** 2 / 2, abs=1e-4)


def test_a_ratio_without_end_has_its_bound_whatever_its_cases():
    """Trials of arms of which one is six times as fast: where likelihood rises without end, a bound is never lost."""
    tests, bounds = np.array([0.5, 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10]), []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        arm = np.repeat(["plain", "buffered"], int(rng.integers(6, 10)))
        onset = np.where(arm == "plain", 3.5, 3.5 / 6 ** (1 / 1.5)) * rng.weibull(1.5, arm.size)
        ends, rows = np.concatenate(([0.0], tests, [INF])), np.searchsorted(tests, onset)
        try:
            fit(Intervals(ends[rows], ends[rows + 1]), arm)
        except NotEstimable as caught:
            bounds.append(caught.bound)
    assert len(bounds) >= 5
    assert None not in bounds


@pytest.mark.parametrize(
    ("left", "right", "code"),
    [([0] * 6, [1] * 6, "no_information"), ([5] * 6, [INF] * 6, "no_information"), ([], [], "no_cases")],
)
def test_what_tells_nothing_gives_no_number(left, right, code):
    with pytest.raises(NotEstimable) as caught:
        fit(Intervals(left, right), ["plain", "buffered"] * (len(left) // 2))
    assert caught.value.code == code


def test_clusters_of_one_are_close_to_the_model_and_pairs_are_taken_together():
    times, x = grid_study(3, n=300, p=1)
    model = fit_proportional_hazards(times, {"a": x[:, 0]})
    alone = fit_proportional_hazards(times, {"a": x[:, 0]}, cluster=np.arange(300))
    assert alone.estimates[0].estimate == model.estimates[0].estimate
    assert alone.estimates[0].std_error == pytest.approx(model.estimates[0].std_error, rel=0.1)
    # Every case entered twice under one cluster: the error stays that of 300 cases, give or take g / (g - 1).
    twice = Intervals(np.repeat(times.left, 2), np.repeat(times.right, 2))
    paired = fit_proportional_hazards(twice, {"a": np.repeat(x[:, 0], 2)}, cluster=np.repeat(np.arange(300), 2))
    assert paired.estimates[0].std_error == pytest.approx(alone.estimates[0].std_error, rel=1e-6)


@pytest.mark.parametrize("clusters", [4, 15, 16, 40])
def test_few_clusters_say_too_narrow_and_no_naive_p_stands_beside(clusters):
    times, x = grid_study(3, n=300, p=1)
    found = fit_proportional_hazards(times, {"a": x[:, 0]}, cluster=np.arange(300) % clusters)
    one, narrow = found.estimates[0], clusters < 16
    assert ("clusters_too_narrow" in {c.code for c in one.caution}) == narrow
    assert any("too narrow" in c.text for c in one.caution) == narrow
    assert (one.p_value is None) == narrow
    # Likelihood ratio and score test take cases as independent: never beside a clustered interval.
    assert [t.quantity for t in found.tests] == ([] if narrow else ["Wald test"])
    alone = fit_proportional_hazards(times, {"a": x[:, 0]})
    assert len(alone.tests) == 3
    assert alone.estimates[0].p_value is not None
    assert [(t.observed_minus_expected, t.variance) for t in alone.tests] == [((), ())] * 3


def test_patients_who_were_never_tested_are_no_clusters():
    times, x = grid_study(3, n=40, p=1)
    arm, cluster = np.where(x[:, 0] > 0, "buffered", "plain"), np.arange(40) % 10
    more = Intervals(np.append(times.left, [0] * 20), np.append(times.right, [INF] * 20))
    one = fit(times, arm, cluster=cluster)
    other = fit(more, np.append(arm, ["plain", "buffered"] * 10), cluster=np.append(cluster, np.arange(20) + 10))
    assert other.estimates[0].std_error == pytest.approx(one.estimates[0].std_error, rel=1e-6)
    assert other.estimates[0].p_value is None
    assert "Only 10 clusters" in " ".join(c.text for c in other.caution)


def test_the_result_survives_json_and_names_its_covariates():
    times, x = grid_study(1)
    technique = np.where(x[:, 0] > 0, "ianb", "infiltration")
    found = fit_proportional_hazards(times, pd.DataFrame({"technique": technique, "size": x[:, 1]}))
    assert [e.contrast for e in found.estimates] == ["technique: infiltration / ianb", "size: per unit"]
    assert from_dict(found.to_dict()).to_dict() == found.to_dict()
    assert len(found.to_frame()) == 2


@pytest.mark.parametrize(
    ("covariates", "options", "words"),
    [
        ({"arm": ["a", "b"]}, {}, "2 values for 4 cases"),
        ({"arm": ["a", None, "b", "b"]}, {}, "1 values are missing"),
        ({"arm": ["a"] * 4}, {}, "all cases have the level 'a'"),
        ({"x": [1, 1, 1, 1]}, {}, "all cases have the value 1"),
        ({"x": [1, 2, 3, INF]}, {}, "some values are infinite"),
        ({"arm": ["a", "a", "b", "b"]}, {"reference": {"arm": "c"}}, "the reference level 'c' does not occur"),
        ({"arm": ["a", "a", "b", "b"]}, {"reference": {"other": "c"}}, "there is no such covariate"),
        (
            {"arm": ["a", "a", "b", "b"]},
            {"weight": [1, 1, 1, -1]},
            "weight is not a whole number of 0 or more: -1 for case 3",
        ),
        ({"arm": ["a", "a", "b", "b"]}, {"stratum": [1, 2]}, "stratum has 2 entries for 4 cases"),
        ({"arm": ["a", "a", "b", "b"]}, {"conf_level": 95}, "the confidence level must lie between"),
        ({}, {}, "there is no covariate"),
    ],
)
def test_wrong_input_is_named(covariates, options, words):
    with pytest.raises(OnsetStudyError, match=f"(?i){words}"):
        fit_proportional_hazards(Intervals([0, 1, 2, 3], [1, 2, 3, 4]), covariates, **options)


# Laws ----------------------------------------------------------------------------------------------------------------

cells = st.tuples(st.integers(0, 5), st.integers(1, 4) | st.just(0), st.booleans())


def drawn(rows):
    left = np.array([float(a) for a, _, _ in rows])
    right = np.array([INF if w == 0 else a + w for a, w, _ in rows], dtype=float)
    return Intervals(left, right), np.array(["buffered" if g else "plain" for _, _, g in rows])


def outcome(times, arm, **options):
    try:
        found = fit(times, arm, **options)
    except NotEstimable as error:
        return error.code, None
    return "estimate", found


@pytest.mark.slow
@examples(300, usual=20)
@given(st.lists(cells, min_size=6, max_size=24), st.randoms(use_true_random=False))
def test_laws(rows, random):
    times, arm = drawn(rows)
    assume(len(set(arm)) == 2)
    code, found = outcome(times, arm)
    order = list(range(len(arm)))
    random.shuffle(order)
    assert outcome(times.take(order), arm[order])[0] == code
    if found is None:
        return
    b, e = math.log(found.estimates[0].estimate), found.estimates[0]
    assert found.certificate.gap <= found.certificate.tolerance
    assert math.isfinite(b)
    assert e.interval.low <= e.estimate <= e.interval.high
    shuffled = fit(times.take(order), arm[order])
    assert math.log(shuffled.estimates[0].estimate) == pytest.approx(b, abs=1e-4)
    assert shuffled.log_likelihood == pytest.approx(found.log_likelihood, abs=1e-6)
    swapped = fit(times, arm, "buffered")
    assert math.log(swapped.estimates[0].estimate) == pytest.approx(-b, abs=1e-4)
    scaled = fit(times.rescale(60.0), arm)
    assert scaled.log_likelihood == pytest.approx(found.log_likelihood, abs=1e-6)
    doubled = fit(times, arm, weight=np.full(len(arm), 2.0))
    assert doubled.log_likelihood == pytest.approx(2 * found.log_likelihood, abs=1e-6)
    assert doubled.estimates[0].std_error == pytest.approx(e.std_error / math.sqrt(2), rel=1e-3)
    idle = Intervals(np.append(times.left, 0.0), np.append(times.right, INF))
    added = fit(idle, np.append(arm, "plain"))
    assert added.log_likelihood == pytest.approx(found.log_likelihood, abs=1e-6)
    wider = Intervals(np.append(0.0, times.left[1:]), times.right)
    again, wide = outcome(wider, arm)
    if again == "estimate":
        assert wide.log_likelihood >= found.log_likelihood - 1e-7


def stratified(seed, n=40):
    """Cases of two strata, of which the second has one innermost interval only: everybody is numb by the first test."""
    rng = np.random.default_rng(seed)
    first = np.arange(n) < n // 2
    left = np.where(first, rng.integers(0, 5, n), 0).astype(float)
    right = np.where(first, np.where(rng.random(n) < 0.3, INF, left + rng.integers(1, 3, n)), 1.0)
    return Intervals(left, right), np.where(rng.random(n) < 0.5, "buffered", "plain"), np.where(first, "A", "B")


@pytest.mark.parametrize("seed", range(6))
def test_a_case_that_says_nothing_changes_nothing_in_any_stratum(seed):
    """A case known only to become numb some time, and a stratum that cannot compare, leave the ratio as it is."""
    times, arm, stratum = stratified(seed)
    first = stratum == "A"
    alone = fit(times.take(np.flatnonzero(first)), arm[first]).estimates[0]
    both = fit(times, arm, stratum=stratum)
    assert both.estimates[0].estimate == pytest.approx(alone.estimate, rel=1e-6)
    assert both.log_likelihood >= both.log_likelihood_null
    for where in ("A", "B"):
        more = Intervals(np.append(times.left, [0.0] * 3), np.append(times.right, [INF] * 3))
        e = fit(
            more, np.append(arm, ["buffered", "plain", "plain"]), stratum=np.append(stratum, [where] * 3)
        ).estimates[0]
        assert e.estimate == pytest.approx(alone.estimate, rel=1e-6)
        assert (e.interval.low, e.interval.high) == pytest.approx((alone.interval.low, alone.interval.high), rel=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_likelihoods_of_strata_add_up(seed):
    """At any ratio the log-likelihood of all strata is the sum of those of each, whatever interval a case begins in."""
    rng = np.random.default_rng(seed)
    n = 60
    left = rng.integers(0, 4, n).astype(float)
    right = np.where(rng.random(n) < 0.4, INF, left + rng.integers(1, 4, n))
    times, stratum = Intervals(left, right), rng.integers(0, 6, n)
    x = rng.integers(0, 2, (n, 1)).astype(float)

    def profile(rows, b):
        problem = set_up(
            times.take(rows), x[rows] - 0.5, np.unique(stratum[rows], return_inverse=True)[1], np.ones(rows.size)
        )
        # Covariates are centred, so that the same b stands for the same ratio in every part.
        return maximise(problem, held={0: b}).log_likelihood

    for b in (-0.7, 0.0, 1.1):
        parts = sum(profile(np.flatnonzero(stratum == k), b) for k in range(6))
        assert profile(np.arange(n), b) == pytest.approx(parts, abs=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_what_cases_do_not_speak_of_is_not_called_separation(seed):
    rng = np.random.default_rng(seed)
    left = rng.integers(0, 6, 30).astype(float)
    times = Intervals(left, np.where(rng.random(30) < 0.2, INF, left + 1))
    arm = np.array(["plain", "buffered"] * 15)
    for options in ({"stratum": arm}, {}):
        covariates = {"arm": arm} if options else {"arm": arm, "again": (arm == "buffered").astype(float)}
        with pytest.raises(NotEstimable, match="say nothing of the ratio buffered / plain") as caught:
            fit_proportional_hazards(times, covariates, reference={"arm": "plain"}, **options)
        assert (caught.value.code, caught.value.bound) == ("no_contrast", None)


@pytest.mark.parametrize("reference_arm", ["plain", "buffered"])
@pytest.mark.parametrize("together", [False, True])
def test_an_arm_that_was_never_tested_has_no_ratio(reference_arm, together):
    """Not one at 1 with narrow limits, where clusters make them: these are of the other arm's cases alone."""
    times = Intervals([0.8, 0, 0.8, 0.9, 0], [0.9, INF, INF, 0.9, 0.6])
    weight, cluster = [3, 3, 1, 1, 1], np.arange(5) if together else None
    with pytest.raises(NotEstimable) as caught:
        fit(times, ["plain", "buffered", "plain", "plain", "plain"], reference_arm, weight=weight, cluster=cluster)
    assert caught.value.code == "no_contrast"


def test_many_small_strata_are_told():
    times, x = grid_study(3, n=120, p=1)
    arm = np.where(x[:, 0] > 0, "buffered", "plain")
    codes = lambda found: [c.code for c in found.caution]  # noqa: E731
    assert "small_strata" in codes(fit(times, arm, stratum=np.arange(120) // 19))
    assert "small_strata" not in codes(fit(times, arm, stratum=np.arange(120) // 20))
    assert "small_strata" not in codes(fit(times, arm))


@pytest.mark.parametrize("clusters", [1, 2])
def test_fewer_clusters_than_coefficients_are_no_estimate(clusters):
    times, x = grid_study(3, n=40, p=2)
    covariates = {"a": x[:, 0], "b": x[:, 1]}
    with pytest.raises(NotEstimable, match="too few clusters") as refused:
        fit_proportional_hazards(times, covariates, cluster=np.arange(40) % clusters)
    assert refused.value.code == "too_few_clusters"
