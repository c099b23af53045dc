"""The nonparametric curve: by hand, against published masses and other software, slow twins, and laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.innermost import innermost_intervals, support_index
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.summaries.npmle_proportion import curve_limits
from tests.examples import THOROUGH, examples
from tests.reference import load_reference
from tests.survival.hazards.test_regression import OPEN_DATA, open_data

INF = math.inf


def test_neighbouring_gaps_share_by_thirds():
    # Five cases in each of (0, 2], (2, 4], (4, 6]: gaps that touch have no point in common.
    curve = fit_npmle(Intervals([0] * 5 + [2] * 5 + [4] * 5, [2] * 5 + [4] * 5 + [6] * 5))
    assert curve.left.tolist() == [0, 2, 4]
    assert curve.mass == pytest.approx([1 / 3] * 3, abs=1e-12)
    assert [curve.at(t) for t in (0, 2, 4, 6)] == [pytest.approx((s, s)) for s in (1, 2 / 3, 1 / 3, 0)]


def test_order_of_ends_at_one_value():
    # An exact time at 2 lies in (0, 2] but not in (2, 4].
    support = innermost_intervals(Intervals([0, 2, 2], [2, 2, 4]))
    assert support.left.tolist() == [2, 2]
    assert support.right.tolist() == [2, 4]


def test_two_overlapping_cases_by_hand():
    # (0, 2] and (1, 3] overlap in (1, 2]: all mass there, likelihood 1.
    curve = fit_npmle(Intervals([0, 1], [2, 3]))
    assert (curve.left.tolist(), curve.right.tolist(), curve.mass.tolist()) == ([1], [2], [1])
    assert curve.log_likelihood == pytest.approx(0.0, abs=1e-12)


def test_three_cases_by_hand():
    # (0, 1], (0, 2], (1, 2]: with p in (0, 1] the likelihood is p * 1 * (1 - p), greatest at 1/2.
    curve = fit_npmle(Intervals([0, 0, 1], [1, 2, 2]))
    assert curve.mass == pytest.approx([0.5, 0.5], abs=1e-9)
    assert curve.log_likelihood == pytest.approx(math.log(0.25))


def test_right_censored_mass_by_hand():
    # One onset in (0, 1] and one case followed to 2: half is never seen.
    curve = fit_npmle(Intervals([0, 2], [1, INF]))
    assert curve.mass == pytest.approx([0.5, 0.5])
    assert (curve.left[-1], curve.right[-1]) == (2, INF)
    assert curve.quantile(0.75) == (2, INF)


def test_a_mass_that_is_not_unique_is_marked():
    # Four gaps known in pairs only, in a cycle: {1, 2}, {2, 3}, {3, 4} and {1, 4} as (0,2], (1,3], (2,4] and the rest.
    # With the pairs (0,2], (2,4] and the exact middle pair the masses of gaps 1..4 are tied only by their sums.
    times = Intervals([0, 2, 1, 0, 1, 2, 3], [2, 4, 3, 1, 2, 3, 4])
    assert np.all(fit_npmle(times).determined == 1)
    # Nothing tells (0, 1] from (1, 2]: neither is innermost alone, one interval takes the mass, and it is determined.
    assert np.all(fit_npmle(Intervals([0, 0], [2, 2])).determined == 1)


@pytest.mark.parametrize("arm", ["Rad", "RadChem"])
def test_cosmesis_masses_as_printed(reference, arm):
    ref = reference("fay_shaw_2010_cosmesis_curve")
    times, group, _ = open_data("cosmesis")
    curve = fit_npmle(times.take(group == arm))
    printed = [name for name in ref.expected["name"] if name.startswith(f"{arm}_")]
    assert curve.mass.size == len(printed)
    for left, right, mass in zip(curve.left, curve.right, curve.mass, strict=True):
        ref.check(f"{arm}_{left:g}_{right:g}", float(mass))


GROUPS = {"cosmesis": ("Rad", "RadChem"), "mice": ("ce", "ge"), "diabetes": ("female", "male")}


@pytest.mark.parametrize("name", OPEN_DATA)
def test_open_data_against_npsurv(reference, name):
    ref = reference("npsurv_open_data_curves")
    times, group, _ = open_data(name)
    for who in ("pooled", *GROUPS[name]):
        curve = fit_npmle(times if who == "pooled" else times.take(group == who))
        assert curve.log_likelihood >= ref.value(f"{name}_{who}_loglik") - 1e-8
        ref.check(f"{name}_{who}_loglik", curve.log_likelihood)
        assert curve.certificate.gap <= 1e-8
        for label in (n for n in ref.expected["name"] if n.startswith(f"{name}_{who}_low_")):
            t = float(label.rsplit("_", 1)[1])
            low, high = curve.at(t)
            # Where a mass is not unique, or an end of its interval falls on t, either bound may be theirs.
            theirs = ref.value(label), ref.value(label.replace("_low_", "_high_"))
            if np.all(curve.determined == 1):
                assert low - 1e-6 <= theirs[0] <= theirs[1] <= high + 1e-6, label


def test_exact_and_right_censored_times_give_kaplan_meier(reference):
    ref = reference("survival_freireich_km")
    data = load_reference("survival_freireich_logrank").data
    times = Intervals(data["time"], np.where(data["status"] == 1, data["time"], INF))
    group = data["trt"].astype(str).to_numpy()
    for label in ref.expected["name"]:
        who, week = label.rsplit("_", 1)
        mine = "6MP" if who == "6MP" else next(g for g in set(group) if g != "6MP")
        low, high = fit_npmle(times.take(group == mine)).at(float(week))
        ref.check(label, high)
        assert low <= high


@pytest.mark.parametrize("seed", range(5))
def test_kaplan_meier_of_a_general_library(seed):
    rng = np.random.default_rng(seed)
    time, seen = rng.integers(1, 12, 60).astype(float), rng.random(60) < 0.7
    curve = fit_npmle(Intervals(time, np.where(seen, time, INF)))
    theirs = KaplanMeierFitter().fit(time, seen)
    for t in np.unique(time[seen]):
        assert curve.at(t)[1] == pytest.approx(float(theirs.predict(t)), abs=1e-9)


def test_current_status_gives_pooled_adjacent_violators():
    # 3 of 10 numb at 1, 2 of 10 at 2, 6 of 10 at 3: .25 .25 .60 by pooling the first two.
    left = [0] * 3 + [1] * 7 + [0] * 2 + [2] * 8 + [0] * 6 + [3] * 4
    right = [1] * 3 + [INF] * 7 + [2] * 2 + [INF] * 8 + [3] * 6 + [INF] * 4
    curve = fit_npmle(Intervals(left, right))
    shares = [1 - curve.at(t)[1] for t in (1, 2, 3)]
    assert shares == pytest.approx([0.25, 0.25, 0.60], abs=1e-8)


def self_consistent(times, weight, steps=20_000):
    """Turnbull's iteration, slow and plain."""
    support = innermost_intervals(times)
    first, last = support_index(times, support)
    place = np.arange(len(support))
    inside = (place >= first[:, None]) & (place <= last[:, None])
    mass = np.full(len(support), 1 / len(support))
    for _ in range(steps):
        share = inside * mass
        share = share / share.sum(axis=1, keepdims=True)
        new = weight @ share / weight.sum()
        if np.abs(new - mass).max() < 1e-13:
            break
        mass = new
    return float(weight @ np.log((inside * mass).sum(axis=1)))


# Exact times begin at 1: an exact time at 0 lies outside (0, inf], which is what a case censored at 0 says.
ends = st.tuples(st.integers(0, 9), st.sampled_from([0, 1, 1, 2, 3, 5, None])).filter(lambda e: e != (0, 0))
cases = st.lists(ends, min_size=1, max_size=25)


def drawn(rows):
    left = np.array([float(a) for a, _ in rows])
    return Intervals(left, np.array([INF if w is None else a + w for a, w in rows], dtype=float))


@examples(1000, usual=100)
@given(cases)
def test_every_fit_is_certified_and_no_slow_twin_is_higher(rows):
    times = drawn(rows)
    curve = fit_npmle(times)
    assert curve.certificate.gap <= curve.certificate.tolerance
    assert curve.mass.sum() == pytest.approx(1.0, abs=1e-9)
    assert np.all(curve.mass > 0)
    slow = self_consistent(times, np.ones(len(times)), steps=400)
    assert curve.log_likelihood >= slow - 1e-7
    assert curve.log_likelihood <= 1e-12 + 0.0


@examples(500, usual=50)
@given(cases, st.randoms(use_true_random=False), st.data())
def test_laws(rows, random, data):
    times = drawn(rows)
    value = fit_npmle(times).log_likelihood
    order = list(range(len(times)))
    random.shuffle(order)
    assert fit_npmle(times.take(order)).log_likelihood == pytest.approx(value, abs=1e-6)
    assert fit_npmle(times.rescale(60)).log_likelihood == pytest.approx(value, abs=1e-6)
    weight = np.array([data.draw(st.integers(1, 4)) for _ in rows])
    split = times.take(np.repeat(np.arange(len(times)), weight))
    assert fit_npmle(times, weight=weight).log_likelihood == pytest.approx(fit_npmle(split).log_likelihood, abs=1e-6)
    idle = Intervals(np.append(times.left, 0.0), np.append(times.right, INF))
    assert fit_npmle(idle).log_likelihood == pytest.approx(value, abs=1e-6)
    row = data.draw(st.integers(0, len(times) - 1))
    left, right = times.left.copy(), times.right.copy()
    left[row], right[row] = max(0.0, left[row] - 1), right[row] + 1
    assert fit_npmle(Intervals(left, right)).log_likelihood >= value - 1e-7


@pytest.mark.parametrize("seed", range(3 if THOROUGH else 1))
def test_thousands_of_continuous_cases_against_the_slow_twin(seed):
    rng = np.random.default_rng(seed)
    onset, tests = 5 * rng.weibull(1.5, 300), np.sort(rng.uniform(0, 12, (300, 3)), axis=1)
    bounds = np.column_stack((np.zeros(300), tests, np.full(300, INF)))
    cell = (tests < onset[:, None]).sum(axis=1)
    times = Intervals(bounds[np.arange(300), cell], bounds[np.arange(300), cell + 1])
    curve, slow = fit_npmle(times), self_consistent(times, np.ones(300))
    assert curve.log_likelihood == pytest.approx(slow, abs=2e-3)
    assert curve.log_likelihood >= slow - 1e-7


def test_degenerate_sets():
    assert fit_npmle(Intervals([3], [3])).mass.tolist() == [1]
    assert fit_npmle(Intervals([0] * 4, [1] * 4)).at(1) == (0.0, 0.0)
    assert fit_npmle(Intervals([5] * 4, [INF] * 4)).at(5) == (1.0, 1.0)
    with pytest.raises(NotEstimable) as caught:
        fit_npmle(Intervals([], []))
    assert caught.value.code == "no_cases"
    with pytest.raises(NotEstimable):
        fit_npmle(Intervals([0, 1], [1, 2]), weight=[0, 0])
    with pytest.raises(OnsetStudyError, match="weight is not a whole number of 0 or more: -1 for case 1"):
        fit_npmle(Intervals([0, 1], [1, 2]), weight=[1, -1])


def test_a_weight_of_nought_is_no_case():
    with_it = fit_npmle(Intervals([0, 1, 4], [1, 2, 5]), weight=[1, 2, 0])
    without = fit_npmle(Intervals([0, 1], [1, 2]), weight=[1, 2])
    assert with_it.mass == pytest.approx(without.mass)


def test_an_unmet_certificate_never_becomes_a_number():
    rng = np.random.default_rng(0)
    left = rng.uniform(0, 5, 400)
    with pytest.raises(NotEstimable) as caught:
        fit_npmle(Intervals(left, left + rng.uniform(0.5, 4, 400)), tolerance=1e-14, max_iterations=1)
    assert caught.value.code == "not_converged"


# Limits ---------------------------------------------------------------------------------------------------------------


def test_limits_of_decided_shares_are_wilsons():
    """81 of 263: .2553 to .3662 (Newcombe 1998, Stat Med 17:857, table I, method 3)."""
    times = Intervals([0] * 81 + [2] * 182, [2] * 81 + [INF] * 182)
    (found,) = curve_limits(times, [2.0])
    assert found.estimate == pytest.approx(81 / 263)
    assert (found.interval.low, found.interval.high) == pytest.approx((0.2553, 0.3662), abs=5e-5)


def test_missed_tests_widen_the_limits():
    few = Intervals([0] * 10 + [2] * 10, [2] * 10 + [4] * 10)
    wide = Intervals([0] * 5 + [0] * 5 + [2] * 10, [2] * 5 + [4] * 5 + [4] * 10)
    one, other = curve_limits(few, [2.0])[0], curve_limits(wide, [2.0])[0]
    assert other.interval.high - other.interval.low > one.interval.high - one.interval.low


def test_limits_at_nought_and_all_are_one_sided():
    (none,) = curve_limits(Intervals([2] * 20, [INF] * 20), [2.0])
    assert (none.estimate, none.interval.low) == (0.0, 0.0)
    assert none.interval.high == pytest.approx(0.1611, abs=5e-5)


def test_where_nobody_looked_there_is_no_limit():
    (found,) = curve_limits(Intervals([0] * 5, [4] * 5), [2.0])
    assert found.code == "undecided"
