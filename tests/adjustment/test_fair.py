"""Fair comparison: printed E-values, exact balance by overlap weights, refusals, learning."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from onsetstudy.adjustment.learning import learning_curve
from onsetstudy.adjustment.least_reach import LeastReach, draws_too_narrow
from onsetstudy.adjustment.positivity import refuse_nearly_same, worth
from onsetstudy.adjustment.propensity import code_columns, fit_propensity, overlap_of, overlap_weights
from onsetstudy.adjustment.unmeasured_confounding import e_value, e_value_of_limit, ratio_of_common_hazard
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.results import Estimate, Interval
from tests.reference import load_reference

PRINTED = load_reference("vanderweele_ding_2017_evalues")


def test_the_printed_values():
    for ratio in ("3.9", "10.73", "0.80"):
        PRINTED.check(ratio, e_value(float(ratio)))
    PRINTED.check("limit 0.91", e_value_of_limit(0.80, 0.71, 0.91))
    PRINTED.check("common hazard 2", ratio_of_common_hazard(2))
    assert e_value_of_limit(1.4, 0.9, 2.2) == 1
    assert ratio_of_common_hazard(1) == 1
    for bad in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(OnsetStudyError):
            e_value(bad)
    with pytest.raises(OnsetStudyError):
        ratio_of_common_hazard(0)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.01, 100))
def test_an_e_value_is_the_same_both_ways_and_never_below_one(ratio):
    assert e_value(ratio) == pytest.approx(e_value(1 / ratio))
    assert e_value(ratio) >= 1
    assert ratio_of_common_hazard(ratio) == pytest.approx(1 / ratio_of_common_hazard(1 / ratio))


def drawn(n=120, seed=1):
    rng = np.random.default_rng(seed)
    hands, site = rng.choice(["A", "B", "C"], n), rng.choice(["ianb", "psa"], n)
    anxious = rng.normal(11, 4, n)
    chance = 1 / (1 + np.exp(-(0.8 * (hands == "A") - 0.6 * (site == "psa") + 0.08 * (anxious - 11))))
    return rng.random(n) < chance, {"hands": hands, "site": site, "anxious": anxious}


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000))
def test_overlap_weights_make_every_column_exactly_alike(seed):
    other, covariates = drawn(seed=seed)
    design = code_columns(covariates)
    chance = fit_propensity(other, design.matrix)
    weight = overlap_weights(other, chance)
    had, had_not = (np.average(design.matrix[a], axis=0, weights=weight[a]) for a in (other, ~other))
    assert np.max(np.abs(had - had_not) / design.matrix.std(axis=0)) < 1e-6
    assert {name for name, _ in design.names} == set(covariates)


def test_chances_are_those_of_statsmodels():
    other, covariates = drawn()
    x = sm.add_constant(code_columns(covariates).matrix)
    fit = sm.Logit(other.astype(float), x).fit(disp=False)
    assert fit_propensity(other, x[:, 1:]) == pytest.approx(fit.predict(), rel=1e-6)


def test_columns_by_hand():
    """Levels in order, the last one left out, rare ones together; a measure in standard deviations."""
    values = np.array(["a"] * 6 + ["b"] * 6 + ["c"] * 2 + ["d"] * 3)
    design = code_columns({"x": values, "m": np.arange(17.0), "same": np.ones(17)})
    assert design.names == (("x", "a"), ("x", "b"), ("m", "measure"))
    assert design.matrix[:, 0].sum() == 6
    assert design.matrix[:, 2].std() == pytest.approx(1)


def test_what_cannot_be_weighted_says_why():
    other, covariates = drawn()
    x = code_columns(covariates).matrix
    for arm, matrix, code in [
        (other, np.column_stack((x, x[:, 0])), "collinear"),
        (np.zeros(120, dtype=bool), x, "arm_missing"),
        (other, np.column_stack((x, other.astype(float))), "separation"),
    ]:
        with pytest.raises(NotEstimable) as caught:
            fit_propensity(arm, matrix)
        assert caught.value.code == code
    loose = fit_propensity(other, np.column_stack((x, other.astype(float))), strict=False)
    assert np.all((loose >= 0) & (loose <= 1))


def test_overlap_by_hand():
    """Chances .2 .4 of the reference arm and .4 .6 of the other: common range .4 to .4 ... two of four lie outside."""
    other, chance = np.array([False, False, True, True]), np.array([0.2, 0.4, 0.4, 0.6])
    found = overlap_of(other, chance, np.array([1.0, 1.0, 3.0, 1.0]), ("a", "b"))
    assert found.outside == 0.5
    assert found.effective == (("a", 2.0, 2), ("b", pytest.approx(1.6), 2))


def test_learning_is_found_where_it_is():
    rng = np.random.default_rng(2)
    number = np.tile(np.arange(1, 81), 4)
    chance = 1 / (1 + np.exp(-(-1 + 0.5 * np.log2(number))))
    numb, known = rng.random(320) < chance, np.ones(320, dtype=bool)
    found = learning_curve(numb, known, number, rng.random(320) < 0.5)
    assert found.interval.low < np.exp(0.5) < found.interval.high
    assert found.interval.low > 1
    none = learning_curve(rng.random(320) < 0.5, known, number, rng.random(320) < 0.5)
    assert none.interval.low < 1 < none.interval.high
    few = learning_curve(numb[:10], known[:10], number[:10], known[:10])
    assert few.code == "too_few"
    alike = learning_curve(known, known, number, known)
    assert alike.code == "no_spread"
    assert isinstance(found, Estimate)


def test_what_cases_alike_are_worth_is_what_their_levels_hold():
    """By hand: twice the product over the sum of both arms, level by level."""
    other = np.repeat([False, True], 12)
    assert worth(other, np.empty((24, 0))) == pytest.approx(12)
    assert worth(other, other[:, None].astype(float)) == pytest.approx(0)
    level = np.repeat([0.0, 1.0], 12)
    level[[0, 23]] = 1.0, 0.0
    assert worth(other, level[:, None]) == pytest.approx(2 * (11 * 1 / 12 + 1 * 11 / 12))


def test_an_arm_that_is_a_covariate_is_refused_by_its_name():
    other = np.repeat([False, True], 12)
    quarter = np.where(other, "2026Q4", "2026Q3")
    hands = np.tile(["A", "B"], 12)
    words = {"hands": "operator"}
    with pytest.raises(NotEstimable, match="arm and quarter are the same here") as refused:
        refuse_nearly_same(other, code_columns({"hands": hands, "quarter": quarter}), words)
    assert "operator" not in refused.value.reason
    with pytest.raises(NotEstimable, match="arm and operator are the same here"):
        refuse_nearly_same(other, code_columns({"hands": quarter}), words)
    refuse_nearly_same(other, code_columns({"hands": hands}), words)


@pytest.mark.parametrize(("apart", "told"), [(1, "1"), (2, "3"), (3, "4"), (4, "")])
def test_an_arm_that_nearly_is_a_covariate_is_refused_until_cases_alike_are_worth_five_of_each(apart, told):
    """Twelve of each arm; ``apart`` of the one are with all of the other: worth 2 x 12 x apart / (12 + apart)."""
    other = np.repeat([False, True], 12)
    design = code_columns({"quarter": np.where(np.arange(24) < 12 + apart, "A", "B")})
    assert worth(other, design.matrix) == pytest.approx(2 * 12 * apart / (12 + apart))
    if not told:
        refuse_nearly_same(other, design, {})
        return
    with pytest.raises(NotEstimable) as refused:
        refuse_nearly_same(other, design, {})
    how = f"cases alike tell as much as {told} of each arm would, and it takes 5"
    assert refused.value.reason == f"arm and quarter are nearly the same here: {how}"


def test_arms_that_follow_from_several_covariates_together_are_refused_too():
    """Neither says the arm by itself; A early and B late had the one, the two of them changed over in between."""
    hands, half = np.repeat(["A", "B"], 12), np.tile(["early", "late"], 12)
    both = {"hands": hands, "half": half, "pair": np.where((hands == "A") == (half == "early"), "x", "y")}
    other = (hands == "A") & (half == "early")
    with pytest.raises(NotEstimable, match="the arm follows from hands and half and pair taken together"):
        refuse_nearly_same(other, code_columns(both), {})


def test_limits_of_few_cases_reach_as_far_as_those_of_the_difference_as_it_is():
    other = np.repeat([False, True], 12)
    hands = np.tile([0.0, 1.0], 12)[:, None]
    reach = LeastReach.of(other, hands, edge=1.0)
    assert reach.scale == pytest.approx(1)
    crude = Interval(low=-0.24, high=0.24, level=0.95, method="Newcombe")
    assert reach.widened(0.0, (0.0, 0.0), 0.0, crude) == pytest.approx((-0.24, 0.24))
    assert reach.widened(0.0, (-0.5, 0.5), 0.0, crude) == (-0.5, 0.5)
    assert reach.widened(0.9, (0.9, 0.9), 0.0, crude) == pytest.approx((0.66, 1.0))
    unlike = np.tile([0.0, 0.0, 1.0], 8)[:, None] * other[:, None]
    assert LeastReach.of(other, unlike).scale > 1, "the less is alike, the further"


def test_draws_are_enough_for_many_cases_that_differ():
    other = np.repeat([False, True], 40)
    mixed = np.tile([True, False], 40)
    assert not draws_too_narrow(mixed, other)
    assert draws_too_narrow(np.ones(80, dtype=bool), other), "no case differs"
    assert draws_too_narrow(mixed & other, other), "none of one arm differs"
    assert draws_too_narrow(mixed[20:60], other[20:60]), "few cases"
    assert draws_too_narrow(np.column_stack((mixed & other, np.zeros(80))), other)
