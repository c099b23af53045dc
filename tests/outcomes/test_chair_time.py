"""Time at the chair: arithmetic by hand, Welch's interval against statsmodels, uncertainty carried through."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.outcomes.chair_time import ChairRecords, Prices, compare_chair_time

PRICES = Prices(cases_per_month=20, mixing_min=1.0, chair_hour_cost=120.0, material_cost=2.0, currency="EUR")


def seen(wait, arm, mixing=None, **more):
    n = len(wait)
    arm = np.asarray(arm)
    filled = {
        "at_least": np.zeros(n, dtype=bool),
        "mixing_min": np.where(arm == "b", 1.0, np.nan) if mixing is None else np.asarray(mixing, dtype=float),
        "wait_used": np.full(n, "no"),
        "patient": np.array([f"p{i:04d}" for i in range(n)]),
        "visit_min": np.full(n, np.nan),
        **more,
    }
    return ChairRecords(arm=arm, wait_min=np.asarray(wait, dtype=float), **filled)


def compare(records, prices=PRICES):
    return compare_chair_time(records, prices, reference_arm="a", contrast_arm="b")


def drawn(n=60, seed=2, gain=2.0):
    rng = np.random.default_rng(seed)
    arm = np.where(np.arange(n) % 2, "b", "a")
    return seen(rng.gamma(4, 2, n) - gain * (arm == "b") + gain, arm)


def saved_of(found):
    """Limits of the minutes saved, from those of the difference, other arm minus reference."""
    return -found.difference.interval.high, -found.difference.interval.low


def test_the_difference_is_the_other_arm_minus_the_reference_as_everywhere():
    found = compare(seen([40, 40, 9, 9], list("aabb")))
    assert found.difference.contrast == "b - a"
    assert found.difference.quantity == "chair_time_difference"
    assert found.difference.estimate < 0 < found.hours_month.estimate
    assert found.hours_month.contrast == "a - b"


def test_thirty_minutes_on_twenty_cases_are_ten_hours_a_month():
    """Common practice, no source: 30 min on each of 20 cases a month is 10 h a month, 120 h a year."""
    found = compare(seen([40, 40, 9, 9], list("aabb")))
    assert found.difference.estimate == -30
    assert found.hours_month.estimate == 10
    assert found.hours_year.estimate == 120


def test_by_hand():
    """Plain waits 6, 8, 10: 8. Buffered 4, 6 with 1 and 2 min of mixing: 5 and 6.5, so 3 before mixing, 1.5 after.
    Material 2 EUR a case, chair 2 EUR a minute: break-even 1 min, 2/1.5 EUR a minute, 1.5 * 2 - 2 = 1 EUR a case."""
    found = compare(seen([6, 8, 10, 4, 6], list("aaabb"), mixing=[np.nan] * 3 + [1, 2]))
    assert [e.estimate for e in found.spent] == [8, 5]
    assert found.mixing.estimate == 1.5
    assert found.difference_before_mixing.estimate == -3
    assert found.difference.estimate == -1.5
    assert found.break_even_min == 1
    assert found.cost_per_minute.estimate == pytest.approx(2 / 1.5)
    assert found.net_value.estimate == pytest.approx(1)


def test_limits_of_a_mean_wait_are_not_negative():
    """1 and 9 minutes: 5 with a standard error of 4, so Student's lower limit would be 5 - 12.7 x 4; 5 and 5.1 keep
    theirs."""
    wide = compare(seen([1, 9, 5, 6], list("aabb"))).spent[0]
    assert wide.interval.low == 0
    assert wide.interval.high == pytest.approx(5 + 12.7062 * 4, abs=1e-3)
    assert wide.interval.method == "Student's t, cut at 0"
    exact = compare(seen([1, 9, 5.0, 5.1], list("aabb"))).spent[1]
    assert exact.interval.low == pytest.approx(5.05 - 12.7062 * 0.05, abs=1e-4)
    assert exact.interval.method == "Student's t"


def test_limits_are_those_of_statsmodels():
    """Welch's interval, statsmodels CompareMeans.tconfint_diff(usevar='unequal')."""
    records = drawn()
    cost = records.wait_min + np.where(records.arm == "b", 1.0, 0.0)
    low, high = CompareMeans(
        DescrStatsW(cost[records.arm == "b"]), DescrStatsW(cost[records.arm == "a"])
    ).tconfint_diff(usevar="unequal")
    found = compare(records).difference
    assert (found.interval.low, found.interval.high) == pytest.approx((low, high), rel=1e-12)


def test_hours_say_what_the_minutes_say_also_with_few_cases():
    """Plain 4 5 9 6 (mean 6, variance 14/3), buffered 3 3.5 4 2 and 0.5 of mixing (mean 3.625, variance 35/48): saved
    2.375 with a standard error of sqrt(7/6 + 35/192) = 1.1615, Welch's 3.920 degrees of freedom, t = 2.799, so -0.876
    to 5.626. At 60 cases a month hours a month are the same numbers."""
    prices = Prices(cases_per_month=60, material_cost=3.0, chair_hour_cost=300.0, mixing_min=0.5, currency="EUR")
    found = compare(seen([4, 5, 9, 6, 3, 3.5, 4, 2], list("aaaabbbb"), mixing=[np.nan] * 4 + [0.5] * 4), prices)
    month, year, value = found.hours_month.interval, found.hours_year.interval, found.net_value.interval
    assert (month.low, month.high) == pytest.approx((-0.876, 5.626), abs=2e-3)
    assert (month.low, month.high) == pytest.approx(saved_of(found))
    assert (year.low, year.high) == pytest.approx((12 * month.low, 12 * month.high))
    assert (value.low, value.high) == pytest.approx((5 * month.low - 3, 5 * month.high - 3))
    assert found.cost_per_minute.interval.low == pytest.approx(3 / month.high)
    assert found.cost_per_minute.interval.high == np.inf


@pytest.mark.parametrize("n", [6, 10, 20])
@pytest.mark.parametrize("seed", range(5))
def test_no_line_says_more_than_the_minutes(n, seed):
    found = compare(drawn(n, seed=seed, gain=3.0))
    low = saved_of(found)[0]
    assert (found.hours_month.interval.low > 0) == (low > 0)
    assert (found.net_value.interval.low > 0) == (low > found.break_even_min)
    if isinstance(found.cost_per_minute, Estimate):
        assert np.isfinite(found.cost_per_minute.interval.high) == (low > 0)


def test_missing_mixing_is_charged_or_left_out():
    wait, arm = [6, 8, 10, 4, 6, 5], list("aaabbb")
    mixing = [np.nan] * 3 + [0.5, np.nan, 0.5]
    charged = compare(seen(wait, arm, mixing))
    assert charged.waits[1].mixing_charged == 1
    assert charged.mixing.estimate == pytest.approx((0.5 + 1 + 0.5) / 3)
    assert any(c.code == "mixing_charged" for c in charged.caution)
    left_out = compare(seen(wait, arm, mixing), dataclasses.replace(PRICES, mixing_min=None))
    assert left_out.mixing.estimate == 0.5
    assert left_out.difference.estimate == pytest.approx((4.5 + 5.5) / 2 - 8)
    assert left_out.waits[1].mixing_charged == 0


def test_mixing_is_charged_to_the_arm_that_is_mixed_whichever_is_compared():
    """Waits 6 and 8 against 4 and 5; the mixed arm takes a minute more: 7 against 5.5 either way round."""
    records = seen([6, 8, 4, 5], list("aabb"), mixed_arm="b")
    ours = compare_chair_time(records, PRICES, reference_arm="a", contrast_arm="b")
    turned = compare_chair_time(records, PRICES, reference_arm="b", contrast_arm="a")
    assert ours.difference.estimate == pytest.approx(5.5 - 7)
    assert turned.difference.estimate == pytest.approx(7 - 5.5)
    assert turned.difference.interval.low == pytest.approx(-ours.difference.interval.high)
    assert (turned.mixing.estimate, turned.mixing.interval) == (ours.mixing.estimate, ours.mixing.interval)
    assert isinstance(ours.net_value, Estimate)
    # The material is not the compared arm's: minutes of it are not weighed against its price.
    assert isinstance(turned.net_value, NotAvailable)
    assert "compared with" in turned.net_value.reason
    assert isinstance(turned.cost_per_minute, NotAvailable)


def test_waits_not_seen_to_their_end_are_counted():
    found = compare(seen([6, 8, np.nan, 4, 6], list("aaabb"), at_least=np.array([False, True, False, False, False])))
    assert (found.waits[0].whole, found.waits[0].at_least, found.waits[0].unknown) == (1, 1, 1)
    codes = {c.code for c in found.caution}
    assert {"waits_at_least", "waits_unknown"} <= codes


def test_no_time_saved_has_a_cost_without_an_upper_limit():
    worse = compare(drawn(200, gain=-1.0))
    assert isinstance(worse.cost_per_minute, NotAvailable)
    assert worse.cost_per_minute.reason == "no time was saved in these cases"
    unsure = compare(drawn(30, seed=5, gain=1.5))
    assert isinstance(unsure.cost_per_minute, Estimate)
    assert saved_of(unsure)[0] < 0
    assert unsure.cost_per_minute.interval.high == np.inf


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_too_few_cases_give_reasons_not_numbers(n):
    found = compare(seen([5.0, 6.0, 7.0][:n], list("aba")[:n]))
    assert isinstance(found.difference, NotAvailable)
    assert isinstance(found.hours_month, NotAvailable)
    assert "it takes 2" in found.difference.reason


def test_nothing_stated_nothing_computed():
    found = compare(drawn(), Prices(cases_per_month=10))
    assert found.break_even_min is None
    assert found.cost_per_minute.code == found.net_value.code == "not_stated"
    free = compare(drawn(), dataclasses.replace(PRICES, chair_hour_cost=0.0))
    assert free.break_even_min is None


def test_shares_of_waits_used_are_wilsons():
    """15 of 148: (.0624, .1605), Newcombe 1998 (computed, equal to the printed table as remembered)."""
    used = np.array(["yes"] * 15 + ["no"] * 133 + ["", "no"])
    found = compare(seen([5.0] * 150, ["a"] * 148 + ["b"] * 2, wait_used=used)).wait_used[0]
    assert found.estimate == 15 / 148
    assert (round(found.interval.low, 4), round(found.interval.high, 4)) == (0.0624, 0.1605)
    empty = compare(seen([5.0] * 4, list("aabb"), wait_used=np.full(4, ""))).wait_used
    assert all(e.code == "not_recorded" for e in empty)


@settings(max_examples=20, deadline=None)
@given(st.permutations(range(24)))
def test_the_order_of_cases_changes_nothing(order):
    records, rows = drawn(24), np.array(order)
    moved = dataclasses.replace(
        records,
        **{
            f: getattr(records, f)[rows]
            for f in ("arm", "wait_min", "at_least", "mixing_min", "wait_used", "patient", "visit_min")
        },
    )
    one, other = compare(records), compare(moved)
    for name in ("difference", "hours_month", "cost_per_minute"):
        a, b = getattr(one, name), getattr(other, name)
        assert (a.estimate, a.interval.low) == pytest.approx((b.estimate, b.interval.low), rel=1e-12)


def test_patients_who_repeat_are_said():
    records = drawn(60)
    twice = dataclasses.replace(records, patient=np.array([f"p{i // 2}" for i in range(60)]))
    assert not compare(records).caution
    caution = next(c for c in compare(twice).caution if c.code == "patients_repeat")
    assert caution.text.startswith("30 cases are further ones of patients who are counted already.")


def test_results_travel_as_json():
    found = compare(drawn())
    assert from_dict(to_dict(found)) == found


def test_rows_of_different_length():
    with pytest.raises(OnsetStudyError, match="equally long"):
        compare(dataclasses.replace(drawn(), wait_min=np.ones(3)))


def test_a_proportion_of_waits_counts_the_cases_in_which_it_was_recorded():
    used = np.array(["yes", "no", "", "yes", "", ""])
    reference, other = compare(seen([5.0] * 6, list("aaabbb"), wait_used=used)).wait_used
    assert [(a.cases, a.onsets) for a in reference.n.by_arm] == [(3, 2), (3, 1)]
    assert (reference.estimate, other.estimate) == (0.5, 1.0)
