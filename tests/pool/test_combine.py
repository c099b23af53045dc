import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize
from statsmodels.stats.meta_analysis import combine_effects

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import Counts, Estimate, Interval, NotAvailable
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.pool.combine import PoolOptions, combine_estimates
from onsetstudy.pool.heterogeneity import _restricted, between_variance, generalised_q


def estimate(value, error, *, quantity="rmst_difference", unit="min", contrast="buffered - plain"):
    return Estimate(
        quantity=quantity,
        contrast=contrast,
        estimate=value,
        std_error=error,
        interval=Interval(low=value - 2 * error, high=value + 2 * error, level=0.95, method="normal"),
        unit=unit,
        method="by hand",
        n=Counts(cases=10, onsets=8),
    )


def pooled(effect, variance, **options):
    labels = [f"P{k:02d}" for k in range(len(effect))]
    made = [estimate(float(y), math.sqrt(v)) for y, v in zip(effect, variance, strict=True)]
    return combine_estimates(made, labels, PoolOptions(**options))


def bcg(reference):
    d = reference("metafor_bcg_pooling").data
    n1, n0 = d.tpos + d.tneg, d.cpos + d.cneg
    effect = np.log((d.tpos / n1) / (d.cpos / n0)).to_numpy()
    return effect, (1 / d.tpos - 1 / n1 + 1 / d.cpos - 1 / n0).to_numpy()


WAYS = {
    "dl_hk": ("dersimonian_laird", "hartung_knapp"),
    "reml_hk": ("reml", "hartung_knapp"),
    "pm_hk": ("paule_mandel", "hartung_knapp"),
    "dl_z": ("dersimonian_laird", "none"),
    "reml_z": ("reml", "none"),
}


@pytest.mark.parametrize("way", WAYS)
def test_bcg_trials_as_published_software_pools_them(reference, way):
    ref = reference("metafor_bcg_pooling")
    between, adjustment = WAYS[way]
    found = pooled(*bcg(reference), between=between, adjustment=adjustment)
    average = found.average
    for name, ours in (
        ("b", average.estimate),
        ("se", average.std_error),
        ("low", average.interval.low),
        ("high", average.interval.high),
        ("tau2", found.heterogeneity.tau2),
        ("i2", found.heterogeneity.i2),
    ):
        ref.check(f"{way} {name}", ours)
    if adjustment == "hartung_knapp":
        ref.check(f"{way} prediction low", found.prediction.low)
        ref.check(f"{way} prediction high", found.prediction.high)
        assert "12 degrees of freedom (practices less 1)" in found.prediction.method
    ref.check("common b", found.common.estimate)
    ref.check("common se", found.common.std_error)
    ref.check("q", found.heterogeneity.q)


def test_bcg_q_profile(reference):
    ref = reference("metafor_bcg_pooling")
    h = pooled(*bcg(reference)).heterogeneity
    ref.check("reml qprofile tau2 low", h.tau2_interval.low)
    ref.check("reml qprofile tau2 high", h.tau2_interval.high)
    ref.check("reml qprofile i2 low", h.i2_interval.low)
    ref.check("reml qprofile i2 high", h.i2_interval.high)


def test_nine_laboratories(reference):
    ref = reference("kacker_2004_pooling")
    data = ref.data["effect"].to_numpy(), ref.data["variance"].to_numpy()
    pm = pooled(*data, between="paule_mandel", adjustment="none")
    ref.check("pm tau", math.sqrt(pm.heterogeneity.tau2))
    for name, ours in (("tau2", pm.heterogeneity.tau2), ("b", pm.average.estimate), ("se", pm.average.std_error)):
        ref.check(f"pm {name}", ours)
    ref.check("pm low", pm.average.interval.low)
    ref.check("pm high", pm.average.interval.high)
    dl = pooled(*data, between="dersimonian_laird", adjustment="hartung_knapp")
    ref.check("dl b", dl.average.estimate)
    ref.check("dl tau2", dl.heterogeneity.tau2)
    ref.check("dl i2", dl.heterogeneity.i2)
    ref.check("dl_hk se", dl.average.std_error)
    ref.check("dl_hk low", dl.average.interval.low)
    ref.check("dl_hk high", dl.average.interval.high)
    ref.check("common b", dl.common.estimate)
    ref.check("q", dl.heterogeneity.q)
    ref.check("q p", dl.heterogeneity.p_value)


effects = st.lists(st.tuples(st.floats(-3, 3), st.floats(0.01, 2.0)), min_size=3, max_size=12)


@pytest.mark.parametrize("seed", range(6))
def test_paule_mandel_and_dersimonian_laird_equal_statsmodels(seed):
    rng = np.random.default_rng(seed)
    k = 4 + seed
    variance = rng.uniform(0.05, 0.4, k)
    effect = rng.normal(-1, np.sqrt(variance + 2.0))
    for ours, theirs in (("paule_mandel", "iterated"), ("dersimonian_laird", "chi2")):
        other = combine_effects(effect, variance, method_re=theirs, atol=1e-10, maxiter=500)
        found = pooled(effect, variance, between=ours, adjustment="none")
        assert other.tau2 > 0
        assert found.heterogeneity.tau2 == pytest.approx(other.tau2, rel=1e-7)
        assert found.average.estimate == pytest.approx(other.mean_effect_re, rel=1e-7)
        assert found.average.std_error == pytest.approx(other.sd_eff_w_re, rel=1e-7)


@given(effects, st.lists(st.floats(0, 40), min_size=1, max_size=5))
def test_the_restricted_likelihood_of_a_grid_is_that_of_each_point(rows, grid):
    effect, variance = (np.array(v) for v in zip(*rows, strict=True))
    for tau2, found in zip(grid, _restricted(effect, variance, np.array(grid)), strict=True):
        w = 1 / (variance + tau2)
        by_hand = (np.log(w).sum() - np.log(w.sum()) - generalised_q(effect, variance, tau2)) / 2
        assert found == pytest.approx(by_hand, rel=1e-9, abs=1e-9)


@given(effects)
def test_no_variance_has_a_higher_restricted_likelihood(rows):
    effect, variance = (np.array(v) for v in zip(*rows, strict=True))
    found = between_variance(effect, variance, "reml")

    def minus(tau2):
        w = 1 / (variance + tau2)
        return (-np.log(w).sum() + np.log(w.sum()) + generalised_q(effect, variance, tau2)) / 2

    many = 1 / (variance + np.concatenate(([0.0], np.geomspace(1e-6, 200, 2000)))[:, None])
    mean = (many * effect).sum(axis=1) / many.sum(axis=1)
    apart = (many * (effect - mean[:, None]) ** 2).sum(axis=1)
    best = np.min(-np.log(many).sum(axis=1) + np.log(many.sum(axis=1)) + apart) / 2
    better = optimize.minimize_scalar(minus, bounds=(0, 50), method="bounded").fun
    assert minus(found) <= min(best, better) + 1e-9


@given(effects, st.randoms(use_true_random=False))
def test_order_of_practices_changes_nothing(rows, random):
    turned = list(rows)
    random.shuffle(turned)
    one, other = (pooled(*(np.array(v) for v in zip(*r, strict=True))) for r in (rows, turned))
    assert one.average.estimate == pytest.approx(other.average.estimate, rel=1e-8, abs=1e-9)
    assert one.heterogeneity.tau2 == pytest.approx(other.heterogeneity.tau2, rel=1e-6, abs=1e-9)


@given(effects)
def test_the_wider_interval_is_never_narrower_than_either(rows):
    data = tuple(np.array(v) for v in zip(*rows, strict=True))
    width = {a: np.ptp([(i := pooled(*data, adjustment=a).average.interval).low, i.high]) for a in
             ("wider", "hartung_knapp", "none")}  # fmt: skip
    assert width["wider"] >= max(width["hartung_knapp"], width["none"]) - 1e-12


def test_two_practices_give_a_wide_honest_interval_and_no_prediction():
    found = pooled([-1.0, -0.9], [0.1, 0.1])
    # Student's t with one degree of freedom: 12.7 standard errors of sqrt(.05).
    assert found.average.interval.high == pytest.approx(-0.95 + 12.7062 * math.sqrt(0.05), abs=1e-4)
    assert found.prediction is None
    assert found.caution[0].code == "few_practices"


def test_one_practice_gives_none():
    found = pooled([-1.0], [0.1])
    assert isinstance(found.average, NotAvailable)
    assert found.average.reason == ("one practice of 1 has an estimate of its own; an average over practices takes two")
    assert found.heterogeneity is None


def test_practices_without_an_estimate_are_kept_and_counted():
    absent = NotAvailable(
        quantity="hazard_ratio", contrast="buffered / plain", code="no_onset_in_arm", reason="none", unit="ratio",
        method="", n=Counts(cases=4, onsets=1),
    )  # fmt: skip
    made = [estimate(v, 0.3, quantity="hazard_ratio", unit="ratio", contrast="buffered / plain") for v in (1.2, 1.5)]
    found = combine_estimates([made[0], absent, made[1]], ["A", "B", "C"])
    assert [m.weight for m in found.members] == pytest.approx([0.5, 0, 0.5])
    assert found.average.estimate == pytest.approx(math.sqrt(1.2 * 1.5))
    assert {c.code for c in found.caution} == {"few_practices", "practices_left_out"}
    assert from_dict(to_dict(found)) == found


@pytest.mark.parametrize(
    ("value", "error"), [(0.0, 1.0), (math.inf, 1.0), (math.nan, 1.0), (1.5, math.inf), (1e200, 1.0)]
)
def test_a_value_that_is_no_number_of_a_study_is_kept_with_weight_nought(value, error):
    kind = {"quantity": "hazard_ratio", "unit": "ratio", "contrast": "buffered / plain"}
    strange, *others = estimate(value, error, **kind), estimate(1.2, 0.3, **kind), estimate(1.5, 0.3, **kind)
    found = combine_estimates([strange, *others], ["A", "B", "C"])
    assert [m.weight for m in found.members] == pytest.approx([0, 0.5, 0.5])
    assert found.average.estimate == pytest.approx(math.sqrt(1.2 * 1.5))
    alone = combine_estimates([strange, others[0]], ["A", "B"])
    assert alone.average.reason.startswith("one practice of 2 has an estimate")


def test_unlike_estimates_are_refused_and_all_of_them_named():
    with pytest.raises(OnsetStudyError) as error:
        combine_estimates([estimate(1, 1), estimate(1, 1, unit="s", quantity="other")], ["A", "A"])
    assert [p.code for p in error.value.problems] == ["unlike", "unlike", "repeated"]
    assert "A rmst_difference, A other" in str(error.value)


def test_leaving_one_out_is_pooling_the_others():
    data = np.array([-1.0, -0.2, 0.4, -2.0]), np.array([0.1, 0.2, 0.1, 0.3])
    steps = pooled(*data).without
    assert [s.label for s in steps] == ["P00", "P01", "P02", "P03"]
    for k, step in enumerate(steps):
        kept = np.arange(4) != k
        again = pooled(data[0][kept], data[1][kept])
        assert step.result.estimate == again.average.estimate
        assert step.tau2 == again.heterogeneity.tau2
