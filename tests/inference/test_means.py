"""Differences of means: reference libraries, a stratified one by hand, weights against copies, labels swapped."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from onsetstudy.inference.means import Moments, mean_difference, moments_by_stratum

ARMS = ("plain", "buffered")


def sample(seed, n=30, strata=1):
    rng = np.random.default_rng(seed)
    arm = rng.choice(ARMS, n * strata)
    arm[:4] = [*ARMS, *ARMS]
    stratum = np.repeat([f"P{k}" for k in range(strata)], n)
    for k in range(strata):
        arm[k * n : k * n + 4] = [*ARMS, *ARMS]
    values = np.round(rng.gamma(2, 10, n * strata) + 5 * (arm == "buffered"), 0)
    return values, arm, stratum


@pytest.mark.parametrize("seed", range(5))
def test_one_stratum_is_welch_as_scipy_and_statsmodels_have_it(seed):
    values, arm, _ = sample(seed)
    ours = mean_difference(moments_by_stratum(values, arm, ARMS), conf_level=0.95)
    reference, other = (values[arm == a] for a in ARMS)
    theirs = stats.ttest_ind(other, reference, equal_var=False)
    span = CompareMeans(DescrStatsW(other), DescrStatsW(reference)).tconfint_diff(usevar="unequal")
    assert ours.p_value == pytest.approx(theirs.pvalue, rel=1e-10)
    assert ours.df == pytest.approx(theirs.df, rel=1e-10)
    assert (ours.low, ours.high) == pytest.approx(span, rel=1e-10)


def test_two_strata_by_hand():
    """Strata of 4 and 8 cases: differences 1 and 4, combined 1/3 and 2/3; variances of the means by hand."""
    pairs = [
        (Moments.of([1, 3]), Moments.of([2, 4])),
        (Moments.of([0, 0, 2, 2]), Moments.of([3, 5, 5, 7])),
    ]
    found = mean_difference(pairs, conf_level=0.95)
    assert found.estimate == pytest.approx(1 / 3 * 1 + 2 / 3 * 4)
    # Sample variances 2, 2, 4/3, 8/3; over n: 1, 1, 1/3, 2/3.
    variance = (1 + 1) / 9 + 4 / 9 * (1 / 3 + 2 / 3)
    assert found.std_error == pytest.approx(math.sqrt(variance))
    df = variance**2 / (2 * (1 / 9) ** 2 / 1 + (4 / 27) ** 2 / 3 + (8 / 27) ** 2 / 3)
    assert found.df == pytest.approx(df)


def test_arms_that_differ_between_practices_only_do_not_differ_within():
    values = np.array([0.0, 1.0] * 10 + [50.0, 51.0] * 10)
    stratum = np.array(["A"] * 20 + ["B"] * 20)
    arm = np.array((["plain"] * 16 + ["buffered"] * 4) + (["plain"] * 4 + ["buffered"] * 16))
    crude = mean_difference(moments_by_stratum(values, arm, ARMS), conf_level=0.95)
    within = mean_difference(moments_by_stratum(values, arm, ARMS, stratum=stratum), conf_level=0.95)
    assert crude.estimate == pytest.approx(30.0)
    assert within.estimate == pytest.approx(0.0, abs=1e-12)


@given(st.integers(0, 10_000), st.integers(1, 3))
def test_weights_are_copies_and_rows_have_no_order(seed, strata):
    values, arm, stratum = sample(seed, n=12, strata=strata)
    whole = mean_difference(moments_by_stratum(values, arm, ARMS, stratum=stratum), conf_level=0.9)
    keys = sorted(set(zip(values, arm, stratum, strict=True)), key=str)
    counts = [int(np.sum((values == v) & (arm == a) & (stratum == s))) for v, a, s in keys]
    v, a, s = (np.array(c) for c in zip(*keys, strict=True))
    counted = mean_difference(moments_by_stratum(v.astype(float), a, ARMS, stratum=s, weight=counts), conf_level=0.9)
    for name in ("estimate", "std_error", "df", "low", "high"):
        assert getattr(counted, name) == pytest.approx(getattr(whole, name), rel=1e-11, abs=1e-11)


@given(st.integers(0, 10_000))
def test_labels_swapped_turn_the_difference(seed):
    values, arm, stratum = sample(seed, strata=2)
    one = mean_difference(moments_by_stratum(values, arm, ARMS, stratum=stratum), conf_level=0.95)
    two = mean_difference(moments_by_stratum(values, arm, ARMS[::-1], stratum=stratum), conf_level=0.95)
    assert two.estimate == pytest.approx(-one.estimate, abs=1e-12)
    assert (two.low, two.high) == pytest.approx((-one.high, -one.low), abs=1e-12)
    assert two.p_value == pytest.approx(one.p_value)


def test_too_few_or_nothing_that_varies():
    assert mean_difference([(Moments.of([1.0]), Moments.of([2.0, 3.0]))], conf_level=0.95) is None
    assert mean_difference([], conf_level=0.95) is None
    same = mean_difference([(Moments.of([0.1] * 3), Moments.of([0.3] * 7))], conf_level=0.95)
    assert (same.std_error, same.low, same.high) == (0.0, same.estimate, same.estimate)
    assert Moments.of([0.1] * 7).variance == 0.0
