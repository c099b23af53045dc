from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.serialise import from_dict
from onsetstudy.inference.proportions import mcnemar_exact, newcombe_paired_difference
from onsetstudy.survival.summaries.within_patient import (
    paired_not_numb,
    paired_numb_by,
)

YES, NO, OPEN = (0.0, 2.0), (4.0, np.inf), (1.0, 6.0)
PAIRS = ((YES, YES), (YES, NO), (NO, YES), (NO, NO))


def paired(pairs):
    """Cases from (buffered, plain) results per patient."""
    rows = [(i, arm, gap) for i, pair in enumerate(pairs) for arm, gap in zip(("buffered", "plain"), pair, strict=True)]
    times = Intervals([r[2][0] for r in rows], [r[2][1] for r in rows])
    return times, [r[1] for r in rows], [f"p{r[0]}" for r in rows]


def test_the_printed_crossover(reference):
    # 44 plain and 48 buffered successes of 63, 43 both: 1 against 5 discordant.
    times, arm, patient = paired([(YES, YES)] * 43 + [(YES, NO)] * 5 + [(NO, YES)] * 1 + [(NO, NO)] * 14)
    result = paired_numb_by(times, arm, patient, reference_arm="plain", target_min=3)
    reference("manta_2023_mcnemar").check("1 v 5", result.difference.p_value)
    assert [a.estimate for a in result.arms] == [44 / 63, 48 / 63]
    assert result.difference.estimate == pytest.approx(4 / 63)
    assert result.difference.interval.low < 0 < result.difference.interval.high
    # (5 + 1) / 63 less the square of 4/63, over 63.
    assert result.difference.std_error**2 == pytest.approx((6 / 63 - (4 / 63) ** 2) / 63)
    assert result.caution == ()
    assert from_dict(result.to_dict()) == result


def test_limits_as_printed(reference):
    ref = reference("newcombe_1998_paired")
    times, arm, patient = paired([(YES, YES)] * 20 + [(YES, NO)] * 12 + [(NO, YES)] * 2 + [(NO, NO)] * 16)
    result = paired_numb_by(times, arm, patient, reference_arm="plain", target_min=3)
    ref.check("20 12 2 16 low", result.difference.interval.low)
    ref.check("20 12 2 16 high", result.difference.interval.high)


@pytest.mark.parametrize("n", [6, 12])
def test_p_and_interval_never_contradict_and_keep_their_error(n):
    """Every study of n patients; without a difference 5 % at most claim one (Newcombe's limits alone: 12 and 7 %)."""
    tables = [t for t in itertools.product(range(n + 1), repeat=4) if sum(t) == n]
    claimed = []
    for table in tables:
        cases = paired([p for p, k in zip(PAIRS, table, strict=True) for _ in range(k)])
        for level in (0.8, 0.95, 0.99):
            found = paired_numb_by(*cases, reference_arm="plain", target_min=3, conf_level=level).difference
            outside = not found.interval.low <= 0 <= found.interval.high
            assert (found.p_value < 1 - level) == outside, (table, level)
            low, high = newcombe_paired_difference(*table, level)
            assert found.interval.low - 1e-12 <= low < high <= found.interval.high + 1e-12
            if level == 0.95:
                claimed.append(outside)
    for differ, both in itertools.product(np.linspace(0.05, 1, 20), np.linspace(0, 1, 6)):
        chance = [(1 - differ) * both, differ / 2, differ / 2, (1 - differ) * (1 - both)]
        assert stats.multinomial.pmf(np.array(tables)[claimed], n, chance).sum() < 0.05


def test_p_and_interval_agree_where_the_limits_are_wider_than_the_exact_test():
    cases = paired([(YES, YES)] + [(YES, NO)] * 8 + [(NO, NO)] * 191)
    found = paired_numb_by(*cases, reference_arm="plain", target_min=3, conf_level=0.99).difference
    assert found.interval.low < 0
    assert found.p_value > 0.01 > mcnemar_exact(8, 0)


def test_row_order_does_nothing_and_swapping_mirrors():
    times, arm, patient = paired([(YES, YES)] * 4 + [(YES, NO)] * 5 + [(NO, YES)] * 2 + [(NO, NO)] * 3)
    order = np.random.default_rng(1).permutation(len(arm))
    one = paired_numb_by(times, arm, patient, reference_arm="plain", target_min=3)
    two = paired_numb_by(
        times.take(order), np.array(arm)[order], np.array(patient)[order], reference_arm="plain", target_min=3
    )
    assert one == two
    back = paired_numb_by(times, arm, patient, reference_arm="buffered", target_min=3)
    assert back.difference.estimate == -one.difference.estimate
    assert back.difference.interval.low == pytest.approx(-one.difference.interval.high)
    assert back.difference.p_value == one.difference.p_value


def test_single_patients_are_left_out_and_counted():
    times, arm, patient = paired([(YES, NO)] * 4 + [(NO, NO)] * 3 + [(OPEN, YES)] * 2 + [(NO, YES)])
    kept = np.arange(len(arm)) != len(arm) - 1
    result = paired_numb_by(
        times.take(kept), np.array(arm)[kept], np.array(patient)[kept], reference_arm="plain", target_min=3
    )
    assert result.n.cases == 18
    assert "1 of 10 patients is left out" in result.caution[-1].text


def test_no_disagreement_still_has_width():
    times, arm, patient = paired([(YES, YES)] * 10)
    result = paired_numb_by(times, arm, patient, reference_arm="plain", target_min=3)
    assert result.difference.p_value == 1
    assert result.difference.std_error > 0
    assert result.difference.interval.low < -0.1


def test_mistakes_are_named():
    times, arm, patient = paired([(YES, YES)] * 2)
    with pytest.raises(OnsetStudyError, match="patient p0 has 2 cases in the arm buffered"):
        paired_numb_by(times, arm, ["p0"] * 4, reference_arm="plain", target_min=3)
    with pytest.raises(OnsetStudyError, match="patient has 2 entries for 4 cases"):
        paired_numb_by(times, arm, patient[:2], reference_arm="plain", target_min=3)
    with pytest.raises(OnsetStudyError, match="patient is missing for case 1, 3"):
        paired_numb_by(times, arm, ["p0", None, "p0", None], reference_arm="plain", target_min=3)
    with pytest.raises(NotEstimable, match="no patient was tested in both arms"):
        paired_numb_by(times, arm, ["a", "b", "c", "d"], reference_arm="plain", target_min=3)


def of_each(verb, cases, **more):
    return verb(*cases, reference_arm="plain", **more)


@pytest.mark.parametrize("counts", [(4, 5, 2, 3), (0, 9, 0, 3), (6, 0, 0, 6), (1, 1, 8, 2)])
def test_limits_and_error_are_those_of_the_counts_where_every_result_is_decided(counts):
    """By hand: McNemar's exact test, Newcombe's limits drawn out to 0 where it does not reject, Wald's error."""
    n, (only_buffered, only_plain) = sum(counts), counts[1:3]
    found = of_each(
        paired_numb_by, paired([p for p, k in zip(PAIRS, counts, strict=True) for _ in range(k)]), target_min=3
    )
    low, high = newcombe_paired_difference(*counts)
    exact = mcnemar_exact(only_buffered, only_plain)
    assert found.difference.p_value == pytest.approx(exact)
    low, high = (low, high) if exact < 0.05 else (min(low, 0), max(high, 0))
    assert (found.difference.interval.low, found.difference.interval.high) == pytest.approx((low, high))
    assert found.difference.estimate == pytest.approx((only_buffered - only_plain) / n)
    variance = (only_buffered + only_plain - (only_buffered - only_plain) ** 2 / n) / n**2
    error = np.sqrt(variance) if variance > 1e-12 else (high - low) / 2 / stats.norm.isf(0.025)
    assert found.difference.std_error == pytest.approx(error)
    assert [arm.n.onsets for arm in found.arms] == [counts[0] + only_plain, counts[0] + only_buffered]
    assert found.n.cases == found.difference.n.cases == 2 * n


def test_an_open_result_leaves_no_patient_out():
    """Whoever is numb early is decided sooner: two open results count with what the others of their arm say."""
    cases = paired([(YES, NO)] * 6 + [(YES, YES)] * 4 + [(NO, NO)] * 4 + [(OPEN, NO)] * 2)
    found = of_each(paired_numb_by, cases, target_min=3)
    assert found.n.cases == 32
    assert found.arms[0].estimate == pytest.approx(4 / 16)
    assert 10 / 16 <= found.arms[1].estimate <= 12 / 16
    assert not any(c.code == "incomplete_pairs" for c in found.caution)
    assert any("tested neither numb before nor still not numb after 3 min" in c.text for c in found.difference.caution)
    low, high = found.difference.interval.low, found.difference.interval.high
    assert (found.difference.p_value < 0.05) == (not low <= 0 <= high)
    back = paired_numb_by(*cases, reference_arm="buffered", target_min=3).difference
    assert (back.interval.low, back.p_value) == (pytest.approx(-high), pytest.approx(found.difference.p_value))


@pytest.mark.parametrize("more", [[], [(OPEN, NO)] * 2])
def test_those_not_numb_are_the_others(more):
    cases = paired([(YES, NO)] * 6 + [(YES, YES)] * 4 + [(NO, NO)] * 4 + more)
    numb, others = (of_each(paired_numb_by, cases, target_min=3), of_each(paired_not_numb, cases, tau_min=3))
    assert others.difference.quantity == "not_numb_difference"
    assert others.difference.estimate == -numb.difference.estimate
    assert others.difference.interval.low == -numb.difference.interval.high
    assert others.difference.p_value == numb.difference.p_value
    for one, two in zip(numb.arms, others.arms, strict=True):
        assert (two.quantity, two.estimate) == ("not_numb", 1 - one.estimate)
        assert two.interval.low == pytest.approx(1 - one.interval.high)
        assert two.n.arm(two.contrast).onsets + one.n.arm(one.contrast).onsets <= 14 + len(more)
    assert others.n.arm("plain").onsets == 10 + len(more)


def test_nobody_tested_in_both_arms_has_no_share():
    times, arm, patient = paired([(YES, NO)] * 2)
    with pytest.raises(NotEstimable, match="no patient was tested in both arms"):
        paired_numb_by(times, arm, ["a", "b", "c", "d"], reference_arm="plain", target_min=3)
    kept = np.append(patient, ["q"])
    more = Intervals(np.append(times.left, 0.0), np.append(times.right, 2.0))
    found = paired_numb_by(more, np.append(arm, "plain"), kept, reference_arm="plain", target_min=3)
    assert "1 of 3 patients is left out: they were not tested in both arms." in {c.text for c in found.caution}
