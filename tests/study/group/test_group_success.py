"""Success over practices when some cases were not tested on both sides of the target."""

from functools import partial

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.pool.common_odds import common_odds
from onsetstudy.study.group.stratified_ipd import by_arm
from onsetstudy.study.group.stratified_success import pool_success, success_tables
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.summaries.npmle_proportion import spread_evenly
from onsetstudy.survival.summaries.success import success_by
from tests.simulation.kept import KeptStudies
from tests.study.cases import protocol, set_of

MEAN = {"plain": 5.0, "buffered": 2.5}
TRUE = {arm: 1 - np.exp(-2 / mean) for arm, mean in MEAN.items()}


def cells_of(arm, left, right, practice="A", technique="ianb"):
    frame = pd.DataFrame({"practice_id": practice, "technique": technique, "arm": arm,
                          "left_success": left, "right_success": right})  # fmt: skip
    frame["right_success"] = frame["right_success"].replace(np.inf, np.nan)
    frame[["left_hazard", "right_hazard"]] = frame[["left_success", "right_success"]]
    return frame.groupby(list(frame.columns), dropna=False, as_index=False).size().rename(columns={"size": "n"})


def drawn(rng, per_arm, missed, practices=1):
    """Tests every minute; of ``missed`` cases those at 2 and 3 were left out, whenever the tooth became numb."""
    arm = np.repeat(["plain", "buffered"], per_arm)
    onset = rng.exponential(np.where(arm == "plain", MEAN["plain"], MEAN["buffered"]))
    left = np.floor(onset)
    right = left + 1
    gap = (rng.random(arm.size) < missed) & (onset > 1) & (onset <= 4)
    left[gap], right[gap] = 1, 4
    late = onset > 15
    left[late], right[late] = 15, np.inf
    return cells_of(arm, left, right, practice=rng.choice(list("ABCDEFGH")[:practices], arm.size))


def test_undecided_cases_do_not_bend_difference_and_odds_ratio():
    found = pool_success(set_of(drawn(np.random.default_rng(1), 40000, 0.5), protocol()))
    odds = {arm: p / (1 - p) for arm, p in TRUE.items()}
    assert found.pooled.difference.estimate == pytest.approx(TRUE["buffered"] - TRUE["plain"], abs=0.012)
    assert found.pooled.odds_ratio.estimate == pytest.approx(odds["buffered"] / odds["plain"], abs=0.12)
    # Decided cases alone: late failures are kept, late successes lost.
    tables = success_tables(set_of(drawn(np.random.default_rng(1), 40000, 0.5), protocol()))
    bent = common_odds(tables.numb, tables.numb + tables.not_numb, arms=("plain", "buffered"))
    assert bent.difference.estimate - (TRUE["buffered"] - TRUE["plain"]) > 0.03
    assert bent.odds_ratio.estimate - odds["buffered"] / odds["plain"] > 0.3


def told(pooled):
    """Numbers of one pooled success that a simulation keeps."""
    d, ratio = pooled.difference, pooled.odds_ratio
    return {
        "difference": d.estimate, "low": d.interval.low, "high": d.interval.high, "std_error": d.std_error,
        "ratio": ratio.estimate, "ratio_low": ratio.interval.low, "ratio_high": ratio.interval.high,
        "ratio_std_error": ratio.std_error,
    }  # fmt: skip


def truth_held(found, low, high, truth):
    """Share of the studies whose interval holds the truth."""
    return ((found[low] <= truth) & (truth <= found[high])).mean()


def one_group(k):
    rng = np.random.default_rng([7, k])
    return told(pool_success(set_of(drawn(rng, 100, 0.5, practices=5), protocol()), extremes=False).pooled)


GROUPS = KeptStudies(name="success_of_groups", one=one_group, count=200)


def test_intervals_hold_the_truth_in_about_nineteen_of_twenty():
    """200 groups of five practices, 200 cases; Monte Carlo error of the coverage 0.015."""
    truth = TRUE["buffered"] - TRUE["plain"]
    odds = TRUE["buffered"] / (1 - TRUE["buffered"]) / (TRUE["plain"] / (1 - TRUE["plain"]))
    found = GROUPS.numbers()
    assert 0.905 < truth_held(found, "low", "high", truth) < 0.99
    assert 0.905 < truth_held(found, "ratio_low", "ratio_high", odds) < 0.99
    spread = found["difference"].std(ddof=0)
    assert found["difference"].mean() == pytest.approx(truth, abs=4 * spread / np.sqrt(200))
    assert found["std_error"].mean() == pytest.approx(spread, rel=0.15)


def test_the_parts_of_an_arm_add_up_to_its_practices_curve():
    cells = drawn(np.random.default_rng(3), 150, 0.6, practices=4)
    tables = success_tables(set_of(cells, protocol()))
    for i, practice in enumerate(sorted(cells["practice_id"].unique())):
        for j, arm in enumerate(("plain", "buffered")):
            own = cells[(cells["arm"] == arm) & (cells["practice_id"] == practice)]
            right = own["right_success"].fillna(np.inf).to_numpy()
            curve = fit_npmle(Intervals(own["left_success"].to_numpy(), right), weight=own["n"].to_numpy())
            share = (tables.numb + tables.likely)[i, j] / tables.cases[i, j]
            assert share == pytest.approx(spread_evenly(curve, 2.0), abs=1e-4)
    assert min(tables.inflation) > 1.1


def unequal(rng, sizes, missed):
    """One practice in which the arms differ in size and in how many tests were missed."""
    parts = [drawn(rng, size, m) for size, m in zip(sizes, missed, strict=True)]
    both = [p[p["arm"] == a] for p, a in zip(parts, ("plain", "buffered"), strict=True)]
    return pd.concat(both, ignore_index=True)


def one_unequal(missed, k):
    rng = np.random.default_rng([5, k])
    return told(pool_success(set_of(unequal(rng, (300, 100), missed), protocol()), extremes=False).pooled)


UNEQUAL = {
    arm: KeptStudies(name=f"success_missed_in_{arm}", one=partial(one_unequal, missed), count=150)
    for arm, missed in (("buffered", (0.0, 0.9)), ("plain", (0.9, 0.0)))
}


@pytest.mark.parametrize("arm", UNEQUAL)
def test_each_arm_answers_for_its_own_missed_tests(arm):
    """A small arm with many missed tests rules the variance; 150 groups, error of the coverage 0.018."""
    truth = TRUE["buffered"] - TRUE["plain"]
    found = UNEQUAL[arm].numbers()
    assert 0.895 < truth_held(found, "low", "high", truth) < 0.995
    assert found["std_error"].mean() == pytest.approx(found["difference"].std(ddof=0), rel=0.2)
    assert found["ratio_std_error"].mean() == pytest.approx(np.log(found["ratio"]).std(ddof=0), rel=0.25)


def test_a_technique_of_one_arm_only_widens_nothing():
    rng = np.random.default_rng(2)
    both = cells_of(np.repeat(["plain", "buffered"], 100), np.repeat([1, 2, 1, 2], [30, 70, 55, 45]),
                    np.repeat([2, 3, 2, 3], [30, 70, 55, 45]))  # fmt: skip
    alone = drawn(rng, 200, 0.9)
    alone = alone[alone["arm"] == "plain"].assign(technique="mental_incisive")
    without = pool_success(set_of(both, protocol())).pooled.difference
    beside = pool_success(set_of(pd.concat([both, alone], ignore_index=True), protocol())).pooled.difference
    assert (beside.estimate, beside.std_error) == pytest.approx((without.estimate, without.std_error), rel=1e-9)


def test_a_slow_practice_that_tests_seldom_is_not_read_by_the_speed_of_the_others():
    """A tests every minute; B is half as fast and tests at 1 and 4 min only."""
    rng = np.random.default_rng(9)
    quick = drawn(rng, 3000, 0.0)
    arm = np.repeat(["plain", "buffered"], 3000)
    onset = rng.exponential(np.where(arm == "plain", 2 * MEAN["plain"], 2 * MEAN["buffered"]))
    ticks = np.array([0, 1, 4, 15, np.inf])
    cell = np.searchsorted(ticks, onset)
    slow = cells_of(arm, ticks[cell - 1], ticks[cell], practice="B")
    tables = success_tables(set_of(pd.concat([quick, slow], ignore_index=True), protocol()))
    shares = ((tables.numb + tables.likely) / tables.cases)[1]
    true = [1 - np.exp(-2 / (2 * MEAN[a])) for a in ("plain", "buffered")]
    # What is not seen between 1 and 4 min is spread evenly, which is not quite how onset comes.
    assert shares == pytest.approx(true, abs=0.035)


def test_every_case_decided_is_the_conditional_likelihood_as_before():
    cells = drawn(np.random.default_rng(5), 60, 0.0, practices=3)
    found = pool_success(set_of(cells, protocol()))
    tables = success_tables(set_of(cells, protocol()))
    assert found.pooled == common_odds(tables.numb, tables.cases, arms=("plain", "buffered"))
    assert found.undecided == (("plain", 0), ("buffered", 0))
    assert (found.if_for, found.if_against) == (None, None)
    assert tables.inflation == (1.0, 1.0)


def test_the_range_with_all_undecided_numb_or_none_holds_the_estimate_of_each_arm():
    cells = drawn(np.random.default_rng(11), 80, 0.7, practices=3)
    found = pool_success(set_of(cells, protocol()))
    tables = success_tables(set_of(cells, protocol()))
    assert found.undecided == tuple(zip(("plain", "buffered"), tables.undecided.sum(axis=0), strict=True))
    # The most that the undecided can do lies beyond moving both arms alike.
    alike = [
        common_odds(numb, tables.cases, arms=("plain", "buffered")).difference.estimate
        for numb in (tables.numb, tables.numb + tables.undecided)
    ]
    low, high = (c.difference.estimate for c in (found.if_against, found.if_for))
    assert low < min(alike) <= max(alike) < high
    for against, alone in ((found.if_against, (1, 0)), (found.if_for, (0, 1))):
        numb = tables.numb + tables.undecided * np.array(alone)
        assert against == common_odds(numb, tables.cases, arms=("plain", "buffered"))
    assert np.all((tables.likely >= 0) & (tables.likely <= tables.undecided))


def test_a_technique_that_says_nothing_of_the_target_takes_the_curve_of_the_arm():
    common = drawn(np.random.default_rng(13), 100, 0.3)
    rare = cells_of(["plain", "buffered"], [1.0, 1.0], [4.0, 4.0], technique="mental_incisive")
    found = pool_success(set_of(pd.concat([common, rare], ignore_index=True), protocol()))
    assert isinstance(found.pooled.difference, Estimate)
    assert found.pooled.difference.n.cases == 202


def test_cases_that_decide_nothing_give_no_number():
    cells = cells_of(np.repeat(["plain", "buffered"], 10), np.full(20, 1.0), np.full(20, 4.0))
    found = pool_success(set_of(cells, protocol())).pooled
    assert isinstance(found.difference, NotAvailable)
    assert isinstance(found.odds_ratio, NotAvailable)
    assert "too few were tested on both sides" in found.difference.reason


def test_shares_by_arm_are_those_of_the_cases_put_together():
    cells = drawn(np.random.default_rng(17), 90, 0.4, practices=4)
    rows = cells.loc[cells.index.repeat(cells["n"])].reset_index(drop=True)
    strata = set_of(rows.assign(n=1), protocol()).strata(["practice_id"])
    total = dict.fromkeys(MEAN, 0.0)
    for name in strata.names:
        part = rows[strata.code == name]
        times = Intervals(part["left_success"].to_numpy(), part["right_success"].fillna(np.inf).to_numpy())
        inside = success_by(times, part["arm"].to_numpy(dtype=str), reference_arm="plain", target_min=2.0)
        for share in inside.arms:
            total[share.contrast] += len(part) / len(rows) * share.estimate
    ours = by_arm(set_of(cells, protocol()), "success_difference")
    assert {e.contrast: e.estimate for e in ours} == pytest.approx(total, abs=1e-9)
    alone = by_arm(set_of(cells[cells["arm"] == "plain"], protocol()), "success_difference")
    assert all(isinstance(s, NotAvailable) for s in alone)


def test_a_million_cases_are_read_like_a_thousand():
    cells = drawn(np.random.default_rng(19), 900, 0.5)
    many = cells.assign(n=cells["n"] * 1000)
    few_tables, tables = success_tables(set_of(cells, protocol())), success_tables(set_of(many, protocol()))
    np.testing.assert_allclose(tables.likely, 1000 * few_tables.likely, rtol=1e-6)
    for ours, theirs in zip(
        by_arm(set_of(many, protocol()), "success_difference"),
        by_arm(set_of(cells, protocol()), "success_difference"),
        strict=True,
    ):
        assert ours.estimate == pytest.approx(theirs.estimate, abs=1e-7)
        width, before = (e.interval.high - e.interval.low for e in (ours, theirs))
        # A thousandfold of the cases: limits about 32 times as narrow.
        assert before / width == pytest.approx(1000**0.5, rel=0.25)
        assert ours.n.cases == 1000 * theirs.n.cases
