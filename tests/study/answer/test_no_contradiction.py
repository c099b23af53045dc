"""What stands side by side must not contradict: limits and what is possible, P and interval, look and verdict."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import confint_proportions_2indep

from onsetstudy.core.claims import Look
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Caution, HypothesisTest
from onsetstudy.outcomes.scores.pain_moments import PainRecords, moment_of_pain
from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.report.document import Pairs
from onsetstudy.report.sections.group.pooled import statistician_section
from onsetstudy.report.sentences import sentence
from onsetstudy.study.answer.cautions import group_arms_caution
from onsetstudy.study.practice.cautions import _size
from onsetstudy.survival.hazards.frailty import fit_shared_frailty
from tests.report.claimed import RANDOMISED, N, claim, group_of, told
from tests.report.samples import estimate, rich
from tests.study.cases import analyse, case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("unpainted")

TAU = RANDOMISED.onset.tau_min
LOOK = Look(number=1, planned=4, label="2026Q1", code="not_reached", side=0, counted=9, planned_count=350,
            unit="onsets", critical=4.3)  # fmt: skip


@pytest.mark.parametrize("look", [None, LOOK])
def test_no_wait_is_told_that_the_horizon_does_not_allow(look):
    """Six cases: Student's t reaches hundreds of minutes, of waits that end after fifteen."""
    found = claim("rmst_difference", -3.6, -130.0, 203.0, look=look)
    assert (found.answer.interval.low, found.answer.interval.high) == (-TAU, TAU)
    assert "cut at what is possible" in found.answer.interval.method
    if look is not None:
        assert (found.alone.low, found.alone.high) == (-TAU, TAU)
    said = sentence(found, RANDOMISED)
    assert "203" not in said.seen
    assert f"{TAU:.1f} minutes" in said.seen


def test_no_score_is_told_that_the_scale_does_not_have_and_what_is_possible_stays():
    scale = RANDOMISED.pain.instrument
    found = claim("pain_difference", 1.0, -324.0, 327.0)
    assert (found.answer.interval.low, found.answer.interval.high) == (scale.low - scale.high, scale.high - scale.low)
    kept = claim("rmst_difference", -1.0, -2.0, 0.5)
    assert (kept.answer.interval.low, kept.answer.interval.high) == (-2.0, 0.5)
    assert "cut" not in kept.answer.interval.method
    assert claim("hazard_ratio", 2.0, 0.01, 900.0).answer.interval.high == 900.0


def ranked(p_value):
    return HypothesisTest(
        quantity="onset_test", contrast="buffered / plain", statistic=1.9, statistic_name="Z", df=1, p_value=p_value,
        alternative="two-sided", method="log-rank", n=N,
    )  # fmt: skip


def test_a_ratio_whose_test_does_not_reject_is_no_finding():
    found = claim("hazard_ratio", 2.22, 1.01, 5.01, test=ranked(0.059))
    assert found.bears.side == 0
    allows = sentence(found, RANDOMISED).allows
    assert "p = 0.059" in allows
    assert "none is claimed" in allows
    assert claim("hazard_ratio", 2.22, 1.01, 5.01, test=ranked(0.041)).bears.side == 1
    # A P value that is not shown decides nothing.
    assert claim("hazard_ratio", 2.22, 1.01, 5.01, test=ranked(math.nan)).bears.side == 1


@pytest.mark.parametrize("n", [(20, 20), (7, 15)])
def test_p_of_painless_injections_never_contradicts_its_interval(n):
    for x in range(n[0] + 1):
        for y in range(0, n[1] + 1, 2):
            score = np.concatenate([np.where(np.arange(k) < v, 0.0, 50.0) for k, v in zip(n, (x, y), strict=True)])
            arm, who = np.repeat(["plain", "buffered"], n), np.arange(score.size).astype(str)
            found = moment_of_pain(
                PainRecords(score=score, arm=arm, reason=np.full(score.size, ""), patient=who, covariates={}),
                moment="deposition", arms=("plain", "buffered"), unit="mm", painless_at_most=0.0,
                important_difference=None, conf_level=0.95,
            ).painless_difference  # fmt: skip
            outside = not found.interval.low <= 0 <= found.interval.high
            assert (found.p_value < 0.05) == outside, (x, y)
            if 1e-4 < found.p_value < 1:
                low, high = confint_proportions_2indep(y, n[1], x, n[0], compare="diff", method="newcomb",
                                                       alpha=found.p_value)  # fmt: skip
                assert min(abs(low), abs(high)) < 1e-6


def test_the_spread_of_practices_is_not_shown_from_nought_beside_a_p_that_rejects_it():
    """A lower limit of .004 stays apart from 0 on the page of the group."""
    times = Intervals(np.tile([0.0, 2, 2, 4, 6, 8], 2), np.tile([2, 4, 4, 6, 8, np.inf], 2))
    arm, practice = np.repeat(["plain", "buffered"], 6), np.tile(["P01", "P02"], 6)
    fit = fit_shared_frailty(times, {"arm": arm}, cluster=practice, reference_arm="plain")
    test = dataclasses.replace(fit.test, p_value=0.049)
    group = group_of(rich())
    for low, shown in ((0.004, "0.310 (0.004 to 0.930), p = 0.049"), (0.0, "0.31 (0.00 to 0.93), p = 0.049")):
        span = dataclasses.replace(fit.spread.interval, low=low, high=0.93)
        spread = dataclasses.replace(fit.spread, estimate=0.31, interval=span)
        frailty = dataclasses.replace(fit, spread=spread, test=test)
        found = dataclasses.replace(group, overall=dataclasses.replace(group.overall, frailty=frailty))
        rows = next(b.rows for b in statistician_section(found).blocks if isinstance(b, Pairs))
        assert ("Spread of rates, log scale", shown) in rows
    least = dataclasses.replace(fit, spread=dataclasses.replace(spread, estimate=0.0), test=test)
    found = dataclasses.replace(group, overall=dataclasses.replace(group.overall, frailty=least))
    rows = dict(next(b.rows for b in statistician_section(found).blocks if isinstance(b, Pairs)))
    told = "0.00 (0.00 to 0.93), p = 0.049; 0 is the least it can be: the upper limit alone tells"
    assert rows["Spread of rates, log scale"] == told


def test_p_of_mean_pain_is_that_of_the_means_and_not_of_ranks():
    """Buffered all 10; plain mostly 9 and a few 55: lower in the mean, higher by ranks."""
    promised = protocol(plan={"secondary": ("pain_difference",), "multiplicity": "holm"})
    scores = {"buffered": [10.0] * 11 + [11.0], "plain": [9.0] * 8 + [55.0] * 4}
    cases, readings = [], []
    for arm, values in scores.items():
        for value in values:
            number = len(cases) + 1
            cases.append(case(number, arm, pain_deposition=f"{value:g}"))
            readings += readings_of(number, "ffnn")
    results = analyse(promised, records(cases, readings, promised))
    (line,) = results.comfort.shared.lines
    welch = stats.ttest_ind(scores["buffered"], scores["plain"], equal_var=False)
    assert line.outcome == "pain_difference"
    assert line.p_value == pytest.approx(welch.pvalue, rel=0.02)
    assert results.overall.pain.test.p_value > 2 * line.p_value


def test_an_estimated_proportion_is_not_told_as_seen():
    arms = tuple(
        dataclasses.replace(
            estimate("success_by_target", arm, 1.0, 0.6, 1.0, "proportion", N),
            caution=(Caution(code="undecided_cases", text="3 of 6 cases were tested neither before nor after"),),
        )
        for arm in ("plain", "buffered")
    )
    said = told("success_difference", 0.0, -0.4, 0.4, arms=arms).seen
    assert "an estimated 100" in said.lower()
    assert "not every case was tested on both sides" in said
    sure = tuple(dataclasses.replace(a, caution=()) for a in arms)
    assert "estimated" not in told("success_difference", 0.0, -0.4, 0.4, arms=sure).seen


def test_what_may_have_been_missed_allows_for_the_interim_analysis():
    """3.19 of the boundary and .84 for 80 % power: 4.03 standard errors; none told beyond the horizon."""
    found = rich()
    wait = dataclasses.replace(found.overall.wait_difference, std_error=1.0)
    overall = dataclasses.replace(found.overall, wait_difference=wait)
    found = dataclasses.replace(found, overall=overall)
    assert "smaller than about 4.0 min" in _size(found, 3.19).text
    assert "could easily have been missed" not in _size(found, math.inf).text


def test_a_group_tells_how_many_received_another_arm():
    standing = ArmStanding(source="log", cases=44, verified=44, other_arm=5)
    told = group_arms_caution([standing, standing]).text
    assert "Compared as allocated: 10 of 88 cases received another arm." in told
    assert group_arms_caution([dataclasses.replace(standing, other_arm=0)]) is None
