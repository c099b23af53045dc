"""Waits of patients who had both arms: Student's t where waits are known, no more errors than promised where not."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy import special, stats
from statsmodels.stats.weightstats import DescrStatsW

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import PATIENTS
from onsetstudy.core.serialise import from_dict
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.survival.summaries.rmst import estimate_rmst
from onsetstudy.survival.summaries.waits_within_patient import ALIKE, paired_wait
from onsetstudy.survival.summaries.within_patient import paired_numb_by
from tests.simulation.kept import KeptStudies

TICKS = np.array([1, 2, 3, 4, 5, 6, 8, 10, 12, 15.0])
TAU, RATIO, TRUE_DIFFERENCE = 15.0, 0.4, -1.988


def drawn(rng, patients, correlation, ratio=1.0, never=0.1):
    """Onset of each patient in both arms, minutes, shape (2, patients)."""
    shared = rng.normal(size=patients) * np.sqrt(correlation)
    chance = special.ndtr(shared + rng.normal(size=(2, patients)) * np.sqrt(1 - correlation))
    waits = 4 * np.array([[1.0], [ratio]]) * stats.weibull_min.ppf(np.minimum(chance / (1 - never), 1 - 1e-9), 1.3)
    return np.where(chance < 1 - never, waits, np.inf)


def seen_at_tests(rng, onset, *, missed=0.1):
    """The gaps in which tests find it; one in ten is missed, never the last."""
    done = rng.random((onset.size, TICKS.size)) >= missed
    done[:, -1] = True
    before = np.where(done & (onset.reshape(-1, 1) > TICKS), TICKS, 0.0).max(axis=1)
    after = np.where(done & (onset.reshape(-1, 1) <= TICKS), TICKS, np.inf).min(axis=1)
    return Intervals(before, after)


def asked(times, **more):
    m = len(times) // 2
    told = {"reference_arm": "plain", "tau_min": TAU} | more
    return paired_wait(times, np.repeat(["plain", "buffered"], m), np.tile(np.arange(m), 2), **told)


@pytest.mark.parametrize("patients", [2, 12, 40])
def test_known_waits_give_the_t_test_of_their_differences(patients):
    """Against statsmodels and scipy; who is not numb by the horizon has waited that long."""
    waits = np.minimum(drawn(np.random.default_rng(patients), patients, 0.6), 30.0)
    found = asked(Intervals(waits.ravel(), waits.ravel()))
    cut = np.minimum(waits, TAU)
    apart, twin = DescrStatsW(cut[1] - cut[0]), stats.ttest_rel(cut[1], cut[0])
    assert found.difference.estimate == pytest.approx(apart.mean)
    ends = np.clip(apart.tconfint_mean(), -TAU, TAU)
    assert (found.difference.interval.low, found.difference.interval.high) == pytest.approx(tuple(ends))
    assert found.difference.std_error == pytest.approx(apart.std_mean)
    assert found.difference.p_value == pytest.approx(twin.pvalue)
    assert [a.estimate for a in found.arms] == pytest.approx(list(cut.mean(axis=1)))
    assert PATIENTS in found.difference.assumptions
    assert INDEPENDENT_CASES not in found.difference.assumptions
    assert found.ratio is None
    assert from_dict(found.to_dict()) == found


def test_gaps_that_do_not_overlap_wait_their_middle():
    """Every test done: Student's t of the middles of the gaps."""
    rng = np.random.default_rng(3)
    times = seen_at_tests(rng, drawn(rng, 12, 0.6, never=0.0), missed=0.0)
    middle = (times.left + np.minimum(times.right, TAU)) / 2
    apart = DescrStatsW(middle[12:] - middle[:12])
    found = asked(times).difference
    assert found.estimate == pytest.approx(apart.mean)
    assert (found.interval.low, found.interval.high) == pytest.approx(apart.tconfint_mean())
    assert found.p_value == pytest.approx(apart.ttest_mean(0)[1])


def test_order_of_rows_does_nothing_and_swapped_arms_mirror():
    rng = np.random.default_rng(5)
    times = seen_at_tests(rng, drawn(rng, 20, 0.6, 0.7))
    arm, who = np.repeat(["plain", "buffered"], 20), np.tile(np.arange(20), 2).astype(str)
    one = paired_wait(times, arm, who, reference_arm="plain", tau_min=TAU)
    order = rng.permutation(40)
    again = paired_wait(times.take(order), arm[order], who[order], reference_arm="plain", tau_min=TAU)
    assert again == one
    back = paired_wait(times, arm, who, reference_arm="buffered", tau_min=TAU)
    assert back.difference.estimate == pytest.approx(-one.difference.estimate)
    assert back.difference.interval.low == pytest.approx(-one.difference.interval.high)
    assert back.difference.p_value == pytest.approx(one.difference.p_value)
    # The arms, and the difference of their means, are those of the same cases taken as any.
    apart = estimate_rmst(times, arm, reference_arm="plain", tau_min=TAU)
    assert one.difference.estimate == pytest.approx(apart.difference.estimate)
    assert [a.interval for a in one.arms] == [a.interval for a in apart.arms]


def test_patients_without_a_partner_are_left_out_and_counted():
    rng = np.random.default_rng(6)
    times = seen_at_tests(rng, drawn(rng, 12, 0.6))
    whole = asked(times)
    more = Intervals(np.append(times.left, [3.0, 0.0, 2.0]), np.append(times.right, [4.0, np.inf, 3.0]))
    arm = np.append(np.repeat(["plain", "buffered"], 12), ["plain", "plain", "buffered"])
    who = np.append(np.tile(np.arange(12), 2), [12, 13, 13])
    found = paired_wait(more, arm, who, reference_arm="plain", tau_min=TAU)
    assert found.difference.estimate == whole.difference.estimate
    assert found.difference.interval == whole.difference.interval
    assert found.n.cases == 24
    assert any("2 of 14 patients are left out: they were not tested in both" in c.text for c in found.caution)
    with pytest.raises(NotEstimable, match="it takes 2 patients who were tested in both arms"):
        paired_wait(
            more.take(np.array([0, 12, 26])), arm[[0, 12, 26]], who[[0, 12, 26]], reference_arm="plain", tau_min=TAU
        )
    with pytest.raises(OnsetStudyError, match="patient 0 has 2 cases in the arm plain"):
        paired_wait(times, arm[:24], np.arange(24) // 2, reference_arm="plain", tau_min=TAU)


def test_differences_that_are_all_alike_exclude_nothing():
    left = np.array([2.0, 4, 6, 8, 3, 5, 7, 9])
    found = asked(Intervals(left, left)).difference
    assert found.estimate == pytest.approx(1.0)
    assert found.std_error is None
    assert found.p_value is None
    assert found.interval.low < 0 < found.interval.high
    assert ALIKE in found.caution


def test_an_arm_tested_more_coarsely_widens_the_difference_and_p_agrees():
    rng = np.random.default_rng(8)
    onset = drawn(rng, 40, 0.6, 0.4, never=0.0)
    fine, coarse = seen_at_tests(rng, onset[0], missed=0.0), seen_at_tests(rng, onset[1], missed=0.0)
    coarse = Intervals(3 * np.floor(coarse.left / 3), 3 * np.floor(coarse.left / 3) + 3)
    times = Intervals(np.append(fine.left, coarse.left), np.append(fine.right, coarse.right))
    found = asked(times).difference
    assert sum(c.code == "unlike_gaps" for c in found.caution) == 1
    reach = stats.t.isf(0.025, 39) * found.std_error
    assert found.interval.high - found.estimate > reach
    for level in (0.5, 0.8, 0.95, 0.99, 0.999999):
        span = asked(times, conf_level=level).difference.interval
        assert (found.p_value < 1 - level) == (not span.low <= 0 <= span.high)


def one_study(patients, correlation, k):
    """Without a difference, whether one is excluded: of waits within patients and as two groups, of who is numb.

    And with waits of two fifths, whether that is found, and whether the true difference is held.
    """
    rng = np.random.default_rng([9, patients, round(10 * correlation), k])
    arm, who = np.repeat(["plain", "buffered"], patients), np.tile(np.arange(patients), 2)

    def excluded(estimate):
        return not estimate.interval.low <= 0 <= estimate.interval.high

    alike, apart = (seen_at_tests(rng, drawn(rng, patients, correlation, ratio)) for ratio in (1.0, RATIO))
    found = asked(apart).difference
    return {
        "wait": excluded(asked(alike).difference),
        "groups": excluded(estimate_rmst(alike, arm, reference_arm="plain", tau_min=TAU).difference),
        "numb": excluded(paired_numb_by(alike, arm, who, reference_arm="plain", target_min=3).difference),
        "sooner": found.interval.high < 0,
        "sooner_groups": estimate_rmst(apart, arm, reference_arm="plain", tau_min=TAU).difference.interval.high < 0,
        "held": found.interval.low <= TRUE_DIFFERENCE <= found.interval.high,
    }


STUDIES = {
    (patients, correlation): KeptStudies(
        name=f"waits_of_{patients}_pairs_{correlation}", one=partial(one_study, patients, correlation), count=200
    )
    for patients in (12, 40)
    for correlation in (0.0, 0.6)
}


def test_the_true_difference_is_that_of_the_curves():
    minutes = np.linspace(0, TAU, 3001)
    left = [0.1 + 0.9 * stats.weibull_min.sf(minutes / (4 * ratio), 1.3) for ratio in (1.0, RATIO)]
    assert np.trapezoid(left[1] - left[0], minutes) == pytest.approx(TRUE_DIFFERENCE, abs=0.001)


@pytest.mark.parametrize(("patients", "correlation"), STUDIES)
def test_no_difference_is_found_as_rarely_as_promised_and_a_true_one_oftener_than_in_two_groups(patients, correlation):
    """200 studies a line, one test in ten missed and a tooth in ten never numb."""
    found = STUDIES[patients, correlation].numbers().mean()
    assert found["wait"] <= 0.09
    assert found["numb"] <= 0.09
    assert found["held"] >= 0.91
    if correlation:
        assert found["groups"] <= 0.02
        assert found["sooner"] >= found["sooner_groups"] + 0.05
