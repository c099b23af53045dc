"""Arms tested at different, coarse minutes: the interval of the difference in waiting allows for it."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from onsetstudy import Intervals, estimate_rmst, probability_numb_sooner
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.summaries.probability_index import ordered_chances
from onsetstudy.survival.testing.unlike_gaps import Gaps, mean_gaps
from tests.simulation.unlike_gaps import SCHEDULES, study

TABLE = Path(__file__).parents[2] / "simulation" / "unlike_gaps.csv"


def gaps(left, right, weight=None):
    times = Intervals(left, right)
    weight = np.ones(len(times)) if weight is None else np.asarray(weight, dtype=float)
    return Gaps(times=times, weight=weight, curve=fit_npmle(times, weight=weight))


def widths(reference, other, tau):
    return mean_gaps([(1.0, reference, other)], tau)


EVERY_TWO = gaps([0, 2, 4, 6] * 5, [2, 4, 6, 8] * 5)
EVERY_FOUR = gaps([0, 0, 4, 4] * 5, [4, 4, 8, 8] * 5)


def test_the_width_of_the_gaps_by_hand():
    assert widths(EVERY_TWO, EVERY_FOUR, 8.0) == pytest.approx((2.0, 4.0))
    assert widths(EVERY_FOUR, EVERY_TWO, 8.0) == pytest.approx((4.0, 2.0))
    assert widths(EVERY_TWO, EVERY_TWO, 8.0) == pytest.approx((2.0, 2.0))


def test_an_arm_that_goes_numb_where_tests_lie_close_is_not_tested_more_finely():
    """Tests at 1, 2, 3, 7, 11 in both arms: one is numb early, the other late."""
    early = gaps([0, 0, 1, 1, 2, 3, 7], [1, 1, 2, 2, 3, 7, 11])
    late = gaps([0, 1, 2, 3, 3, 7, 7], [1, 2, 3, 7, 7, 11, 11])
    one, two = widths(early, late, 11.0)
    assert one == pytest.approx(two)


def test_an_onset_after_the_horizon_is_not_one_at_it():
    """Both arms tested every two minutes, one numb later: of 80 cases 32 by minute 2, in gaps of two minutes."""
    early = gaps([0, 0, 0, 2, 4] * 8, [2, 2, 2, 4, 6] * 8)
    late = gaps([0, 2, 2, 4, 6] * 8, [2, 4, 4, 6, 8] * 8)
    assert widths(early, late, 2.0) == pytest.approx((0.8, 0.8))


def test_missed_tests_are_chance():
    """One case of four was not tested at minute 2: a gap of 4 min instead of 2, in one arm only."""
    missed = gaps([0, 2, 4, 0], [2, 4, 6, 4])
    assert len(set(widths(gaps([0, 2, 4, 2], [2, 4, 6, 4]), missed, 8.0))) == 1


def test_cases_that_were_never_tested_have_no_say():
    left, right = [0, 0, 4, 9] * 5, [4, 4, 9, 10] * 5
    coarse, beside = gaps(left, right), gaps([*left, 0], [*right, math.inf], [1] * 20 + [60])
    assert widths(EVERY_TWO, beside, 10.0) == pytest.approx(widths(EVERY_TWO, coarse, 10.0))


def test_practices_that_test_unlike_make_no_difference_of_arms():
    """Each practice tests both arms alike; one arm has more cases where gaps are wide."""
    alike = [(0.5, EVERY_TWO, EVERY_TWO), (0.5, EVERY_FOUR, EVERY_FOUR)]
    assert mean_gaps(alike, 8.0) == pytest.approx((3.0, 3.0))


def test_a_weight_is_as_many_cases_and_the_scale_of_time_rescales():
    many = gaps([0, 4], [4, 8], [10, 10])
    assert widths(EVERY_TWO, many, 8.0) == pytest.approx(widths(EVERY_TWO, EVERY_FOUR, 8.0))
    slow = gaps([0, 0, 40, 40] * 5, [40, 40, 80, 80] * 5)
    assert widths(gaps([0, 20, 40, 60] * 5, [20, 40, 60, 80] * 5), slow, 80.0) == pytest.approx((20.0, 40.0))


def compared(reference, other, **more):
    arms = ["plain"] * len(reference[0]) + ["buffered"] * len(other[0])
    times = Intervals(np.r_[reference[0], other[0]], np.r_[reference[1], other[1]])
    return estimate_rmst(times, arms, reference_arm="plain", tau_min=8.0, **more).difference


FINE = (np.tile([0, 2, 4, 6], 10), np.tile([2, 4, 6, 8], 10))
COARSE = (np.tile([0, 0, 4, 4], 10), np.tile([4, 4, 8, 8], 10))


def test_the_interval_is_wider_by_half_of_what_the_gaps_differ():
    alike, unlike = compared(FINE, FINE), compared(FINE, COARSE)
    assert "unlike_gaps" not in {c.code for c in alike.caution}
    assert "unlike gaps" not in alike.interval.method
    assert "no direction" not in next(c.text for c in unlike.caution if c.code == "unlike_gaps")
    caution = next(c for c in unlike.caution if c.code == "unlike_gaps")
    assert "from -1.0 to 1.0 min" in caution.text
    reach = (unlike.interval.high - unlike.interval.low) / 2 - 1.0
    # The rest is Welch's: by hand from the variances, 5 n/(n - 1)/n and 4 n/(n - 1)/n of 40 cases each; and of one case
    # more that waits 8 min instead of 4.
    assert reach == pytest.approx(np.hypot(1.991 * np.sqrt((5 + 4) / 39), (8 - 4) / 41), abs=0.005)


def test_no_direction_is_claimed_where_the_gaps_decide():
    """Means of 2 and 3 min, variances 1/80 and 3/80; gaps of 2 against 4 min before minute 4, then one arm alone."""
    reference = (np.repeat([0, 2], 40), np.repeat([2, 4], 40))
    other = (np.repeat([0, 4], [60, 20]), np.repeat([4, 8], [60, 20]))
    found = compared(reference, other)
    assert found.estimate == pytest.approx(1.0)
    assert found.interval.low < 0 < found.interval.high
    moves = 0.875 * (4 - 2) / 2
    assert found.interval.low + moves > 0
    text = next(c.text for c in found.caution if c.code == "unlike_gaps")
    assert "no direction is claimed" in text
    # Readers meet minutes saved: the arm waited a minute longer.
    assert f"the arm buffered saves from {-1 - moves:.1f} to {-1 + moves:.1f} min of waiting" in text


def test_swapped_arms_mirror_the_interval():
    one, two = compared(FINE, COARSE), compared(COARSE, FINE)
    assert (one.interval.low, one.interval.high) == pytest.approx((-two.interval.high, -two.interval.low))


def test_the_simulated_error_is_at_most_one_in_twenty():
    """Of tests/simulation/unlike_gaps.py: 1,000 trials a line; two errors of the simulation are allowed."""
    table = pd.read_csv(TABLE)
    assert len(table) == 24
    assert table["trials"].min() >= 900
    assert (table["excluded"] <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / table["trials"])).all()
    assert table.loc[table["schedules"] != "same", "ignored"].max() > 0.2
    assert np.isclose(table.loc[table["schedules"] == "same", "excluded"].mean(), 0.05, atol=0.015)


def sooner(times, arm, reference):
    return probability_numb_sooner(times, arm, reference_arm=reference)


def test_the_chance_of_being_numb_sooner_allows_for_unlike_gaps_and_mirrors():
    rng = np.random.default_rng(4)
    n = 60
    arm = np.array(["plain"] * n + ["buffered"] * n)
    unlike = study(rng, "block", SCHEDULES["2 against 4 min"], n)
    alike = study(rng, "block", SCHEDULES["same"], n)
    one, two = sooner(unlike, arm, "plain"), sooner(unlike, arm, "buffered")
    assert "unlike gaps" in one.interval.method
    assert "unlike gaps" not in sooner(alike, arm, "plain").interval.method
    assert two.estimate == pytest.approx(1 - one.estimate)
    assert (two.interval.low, two.interval.high) == pytest.approx((1 - one.interval.high, 1 - one.interval.low))
    # Half of what the gaps differ, about a minute, later or sooner: by hand from the curves moved so far.
    both = [gaps(unlike.left[arm == a], unlike.right[arm == a]) for a in ("plain", "buffered")]
    wide = widths(*both, float(unlike.right[np.isfinite(unlike.right)].max()))
    moves = abs(wide[0] - wide[1]) / 2
    assert 0.5 < moves < 1.5
    reference, other = (g.curve for g in both)
    late = dataclasses.replace(other, left=other.left + moves, right=other.right + moves)
    moved = late.mass @ ordered_chances(late, reference)[1] @ reference.mass
    assert moved < one.estimate
    plain = sooner(unlike, arm, "plain").interval
    assert plain.low < moved


@pytest.mark.parametrize("law", ["block", "infiltration"])
def test_where_arms_are_alike_unlike_gaps_make_no_arm_sooner_more_than_one_in_twenty_times(law):
    """It was 13.6 % by the interval that did not allow for them."""
    n, trials = 40, 150
    arm = ["plain"] * n + ["buffered"] * n
    wrong = 0
    for trial in range(trials):
        times = study(np.random.default_rng([7, trial]), law, SCHEDULES["2 against 4 min"], n)
        interval = sooner(times, arm, "plain").interval
        wrong += not interval.low <= 0.5 <= interval.high
    assert wrong / trials <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / trials)
