"""Simulated trials: the same intervals and tests as records get, honest error rates, schedules, pace."""

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from onsetstudy.core.errors import DesignError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.seeds import stream
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.accrual import time_to_answer
from onsetstudy.design.interim.boundaries import spending_bounds
from onsetstudy.design.size_results import OnsetExpectation
from onsetstudy.design.sizes.plans import plan_onset_test, plan_success
from onsetstudy.design.trials.draws import cells_of, draw_trials, place_of
from onsetstudy.design.trials.results import TrialScenario
from onsetstudy.design.trials.trial_power import (
    compare_schedules,
    scores_of,
    simulate_power,
    simulate_scores,
    summarise,
)
from onsetstudy.records.derived.onset import Onsets
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.survival.ranktests.batched_rank_tests import compare_many_pairs
from onsetstudy.survival.ranktests.compare import compare_arms
from tests.study.cases import case, protocol, records

GRID = tuple(float(t) for t in (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 16))
USUAL = OnsetExpectation(median_min=4.2, never_reference=0.12, never_other=0.10)
BASE = TrialScenario(cases=80, expected=USUAL, hazard_ratio=1.6, tests_min=GRID, missed_share=0.1)
NULL = dataclasses.replace(
    BASE, hazard_ratio=1.0, expected=OnsetExpectation(median_min=4.2, never_reference=0.1, never_other=0.1)
)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"missed_share": 0.0},
        {"control_failure_share": 0.2, "confirmations": 1},
        {"rescue_min": 9.0, "rescue_share": 0.6},
        {"operators": 4, "operator_spread": 0.3},
    ],
)
def test_simulated_trials_are_tested_like_rows(changes):
    """Trial by trial, compare_arms on the rows."""
    scenario = dataclasses.replace(BASE, **changes)
    drawn = draw_trials(scenario, 5, np.random.default_rng(1))
    z = scores_of(scenario, drawn)
    for k in range(5):
        arm = np.where(drawn.other[k], "buffered", "plain")
        rows = compare_arms(Intervals(drawn.left[k], drawn.right[k]), arm, reference_arm="plain", method="asymptotic")
        assert z[k] == pytest.approx(rows.statistic, abs=1e-8)


def test_paired_trials_are_tested_like_rows():
    scenario = dataclasses.replace(BASE, design="paired", cases=25, patient_spread=0.5)
    drawn = draw_trials(scenario, 4, np.random.default_rng(2))
    z = scores_of(scenario, drawn)
    for k in range(4):
        rows = compare_arms(
            Intervals(drawn.left[k], drawn.right[k]),
            np.where(drawn.other[k], "buffered", "plain"),
            reference_arm="plain",
            block=np.tile([f"p{i}" for i in range(25)], 2),
            method="asymptotic",
        )
        assert z[k] == pytest.approx(rows.statistic, abs=1e-8)


def test_pairs_that_tell_nothing_are_left_out():
    cells = cells_of((1.0, 2.0))
    nothing = int(place_of(np.array([0.0]), np.array([np.inf]), (1.0, 2.0))[0])
    early = int(place_of(np.array([0.0]), np.array([1.0]), (1.0, 2.0))[0])
    late = int(place_of(np.array([1.0]), np.array([2.0]), (1.0, 2.0))[0])
    with_nothing = compare_many_pairs(cells, np.array([[late, late, nothing]]), np.array([[early, early, early]]))
    without = compare_many_pairs(cells, np.array([[late, late]]), np.array([[early, early]]))
    assert np.isfinite(with_nothing[0])
    assert np.sign(with_nothing[0]) == np.sign(without[0]) == 1


def test_simulated_readings_go_through_records_to_the_same_intervals():
    """A trial written out as cold tests, read back by the records room: the same intervals."""
    promised = protocol(plan={"sensitivity": ()})
    scenario = dataclasses.replace(BASE, cases=40, missed_share=0.0, tests_min=promised.schedule.tests_min)
    drawn = draw_trials(scenario, 1, stream(3, "records"))
    rows, readings = [], []
    for k in range(40):
        arm = "buffered" if drawn.other[0, k] else "plain"
        rows.append(case(k + 1, arm, case_date="2026-08-03"))
        for t in scenario.tests_min:
            answer = "felt" if t < drawn.onset_min[0, k] else "not_felt"
            base = {"case_id": f"P01-{k + 1:04d}", "minute": f"{t:g}"}
            readings.append({**base, "tooth_role": "target", "response": answer})
            readings.append({**base, "tooth_role": "control", "response": "felt"})
    found = records(rows, readings, promised)
    derived = Onsets(records=found, protocol=promised).table(estimand="hazard").sort_values("case_id")
    assert derived["left_min"].tolist() == drawn.left[0].tolist()
    assert derived["right_min"].tolist() == drawn.right[0].tolist()
    data, _ = prepare(promised, found, through=promised.quarters[-1])
    rows_test = compare_arms(data.times("hazard"), data.arm, reference_arm="plain", method="asymptotic")
    assert scores_of(scenario, drawn)[0] == pytest.approx(rows_test.statistic, abs=1e-8)


def test_cells_are_numbered_as_they_are_listed():
    cells = cells_of(GRID)
    assert place_of(cells.left, cells.right, GRID).tolist() == list(range(len(cells)))


def test_the_truth_is_as_expected():
    drawn = draw_trials(dataclasses.replace(BASE, cases=4000), 5, np.random.default_rng(4))
    reference = drawn.onset_min[~drawn.other]
    assert np.mean(np.isinf(reference)) == pytest.approx(0.12, abs=0.012)
    assert np.median(reference[np.isfinite(reference)]) == pytest.approx(4.2, rel=0.03)
    other = drawn.onset_min[drawn.other]
    at = 3.0
    hazards = [-np.log(np.mean(x[np.isfinite(x)] > at)) for x in (reference, other)]
    assert hazards[1] / hazards[0] == pytest.approx(1.6, rel=0.05)
    assert drawn.other.mean() == 0.5


@pytest.mark.parametrize(
    "changes", [{}, {"design": "paired", "cases": 40, "patient_spread": 0.5}, {"decision": "success"}]
)
def test_the_error_rate_is_kept(changes):
    found = simulate_power(dataclasses.replace(NULL, **changes), trials=4000, seed=5)
    assert abs(found.power - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 4000)
    assert sum(found.by_look) == pytest.approx(found.power)  # with no side to be on, none is wrong


@pytest.mark.slow
def test_power_agrees_with_the_formulas():
    """Schoenfeld on fine tests without losses; two shares at the target."""
    expected = OnsetExpectation(median_min=4, shape=1.5, tau_min=30)
    fine = tuple(np.arange(0.25, 30.01, 0.25))
    scenario = TrialScenario(cases=200, expected=expected, hazard_ratio=1.5, tests_min=fine, confirmations=1)
    found = simulate_power(scenario, trials=3000, seed=6)
    formula = plan_onset_test(hazard_ratio=1.5, cases=200, power=None, expected=expected)
    assert abs(found.power - formula.power) < 4 * found.mc_error
    shares = [1 - 2 ** -((2 / 4) ** 1.5 * r) for r in (1, 1.8)]
    formula = plan_success(reference=shares[0], difference=shares[1] - shares[0], cases=240, power=None)
    scenario = dataclasses.replace(scenario, cases=240, hazard_ratio=1.8, decision="success")
    found = simulate_power(scenario, trials=3000, seed=7)
    assert abs(found.power - formula.power) < 4 * found.mc_error + 0.01


@pytest.mark.slow
def test_looks_keep_the_error_rate_and_save_cases():
    steps = np.array([0.25, 0.5, 0.75, 1.0])
    bounds = spending_bounds(steps, steps, kind="obrien_fleming", alpha=0.05, final=True)
    looks = tuple(zip(steps.tolist(), bounds.upper.tolist(), strict=True))
    # The same trials read with two sets of boundaries.
    scenario = dataclasses.replace(NULL, cases=200, looks=looks)
    scores = simulate_scores(scenario, trials=4000, seed=8)
    null = summarise(scenario, scores, 4000, 8)
    assert abs(null.power - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 4000) + 0.003
    naive = tuple((f, float(stats.norm.isf(0.025))) for f in steps)
    fooled = summarise(dataclasses.replace(scenario, looks=naive), scores, 4000, 8)
    assert fooled.power > 0.09
    found = simulate_power(dataclasses.replace(BASE, cases=300, looks=looks), trials=1000, seed=9)
    assert found.expected_cases < 300
    assert -1e-9 < sum(found.by_look) - found.power < 0.01  # what stops on the wrong side, hardly ever


def test_the_same_seed_gives_the_same_numbers_chunk_by_chunk():
    one, two = (simulate_power(BASE, trials=60, seed=3) for _ in range(2))
    assert one == two
    assert simulate_power(BASE, trials=60, seed=4).mean_z != one.mean_z
    told = []
    with_progress = simulate_power(BASE, trials=60, seed=3, progress=lambda *a: told.append(a))
    assert with_progress == one
    assert told[-1][0] == told[-1][1]
    assert from_dict(to_dict(one)) == one


def test_schedules_are_compared_on_the_same_teeth():
    found = compare_schedules(
        dataclasses.replace(BASE, cases=120),
        {"every minute": GRID, "every two": (2, 4, 6, 8, 10, 12, 14, 16), "from four": (4, 6, 8, 10, 12, 14, 16)},
        trials=300,
        seed=1,
    )
    first, second, late = found.lines
    assert first.more_cases == 0
    assert second.more_cases > 0
    assert second.more_cases_error < 0.05
    assert late.power.numb_at_first > second.power.numb_at_first > first.power.numb_at_first
    assert [c.code for c in late.caution] == ["first_test_late"]
    assert "nobody can be seen to be numb by 2 min" in late.caution[0].text
    same = compare_schedules(dataclasses.replace(BASE, cases=120), {"a": GRID, "b": GRID}, trials=100, seed=1)
    assert same.lines[1].more_cases == 0
    assert [line.name for line in found.lines] == ["every minute", "every two", "from four"]
    with pytest.raises(DesignError):
        compare_schedules(NULL, {"a": GRID})


def test_all_faults_of_a_scenario_come_at_once():
    bad = dataclasses.replace(BASE, cases=2, tests_min=(3.0, 2.0), missed_share=1.2, decision="luck", alpha=0.0)
    with pytest.raises(DesignError) as caught:
        simulate_power(bad)
    assert {p.where.key for p in caught.value.problems} == {"cases", "tests_min", "shares", "decision", "alpha"}


def test_a_demonstration_is_called_one():
    found = simulate_power(dataclasses.replace(BASE, hazard_ratio=4.0), trials=20)
    assert "demonstration_effect" in {c.code for c in found.caution}


def test_trials_that_cannot_be_compared_count_as_not_found():
    nobody = OnsetExpectation(median_min=400, never_reference=0.9, never_other=0.9)
    found = simulate_power(dataclasses.replace(BASE, expected=nobody, cases=8), trials=50)
    assert found.without_answer > 0
    assert found.power < 0.1


def test_time_to_answer():
    """Without doubt about the pace: 320 cases at 32 a month take 10 months, 4 quarters."""
    sure = time_to_answer(320, cases_per_month=40, eligible_share=0.8, rate_cv=0.0)
    assert sure.months == pytest.approx(10, rel=0.02)
    assert (sure.low, sure.quarters, sure.high) == (4, 4, 4)
    unsure = time_to_answer(320, cases_per_month=40, eligible_share=0.8)
    assert unsure.low < unsure.quarters < unsure.high
    months = stats.gamma(320).ppf(0.5) / 32
    assert sure.months == pytest.approx(months, rel=0.01)
    with pytest.raises(DesignError):
        time_to_answer(0, cases_per_month=10)
