"""What the answer would be if cold tests erred: the grid of the appendix."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest

from onsetstudy import Intervals, estimate_rmst
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.sections.appendix.testing import cold_test_section
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.cold_test_errors import cold_test_errors
from tests.report.samples import rich
from tests.study.cases import case, protocol, records

pytestmark = pytest.mark.usefixtures("unpainted")


def study(n=40, *, se=1.0, sp=1.0, ratio=1.5, seed=3, control="felt", shape=1.6, swapped=False):
    """Cases tested until two in a row were not felt; true waits of both arms."""
    rng, made = np.random.default_rng(seed), protocol()
    cases, tests, wait = [], [], {"plain": [], "buffered": []}
    arms = ["plain", "buffered"]
    for i in range(1, 2 * n + 1):
        place = i % 2
        arm = arms[1 - place] if swapped else arms[place]
        onset = 7.0 / (ratio if place else 1.0) * rng.weibull(shape)
        wait[arm].append(min(onset, made.onset.tau_min))
        cases.append(case(i, arm, baseline_response="felt"))
        run = 0
        for t in made.schedule.tests_min:
            felt = rng.random() < (1 - se if t >= onset else sp)
            at = {"case_id": f"P01-{i:04d}", "minute": f"{t:g}"}
            tests.append({**at, "tooth_role": "target", "response": "felt" if felt else "not_felt"})
            if control:
                tests.append({**at, "tooth_role": "control", "response": control})
            run = 0 if felt else run + 1
            if run == 2:
                break
    found = records(cases, tests, made)
    assert not found.problems, [str(p) for p in found.problems]
    data, _ = prepare(made, found, through=made.quarters[-1])
    return data, found, {arm: float(np.mean(v)) for arm, v in wait.items()}


def row(errors, se, sp):
    return next(r for r in errors.rows if (r.sensitivity, r.specificity) == (se, sp))


def test_without_errors_it_is_the_wait_of_the_intervals():
    data, found, _ = study()
    times = data.times("hazard")
    assert isinstance(times, Intervals)
    ours = row(cold_test_errors(data, found), 1.0, 1.0)
    theirs = estimate_rmst(times, data.arm, reference_arm="plain", tau_min=15.0)
    assert ours.wait == pytest.approx([e.estimate for e in theirs.arms], abs=1e-4)
    assert ours.difference == pytest.approx(theirs.difference.estimate, abs=1e-4)


def test_the_row_of_the_true_errors_is_nearer_the_truth_than_the_rule():
    """In 300 cases an arm, one test in eight of a tooth that feels says that it does not."""
    data, found, truth = study(300, sp=0.87, se=1.0)
    errors = cold_test_errors(data, found)
    right = row(errors, 1.0, 0.87)
    ruled = estimate_rmst(data.times("hazard"), data.arm, reference_arm="plain", tau_min=15.0).arms
    for k, arm in enumerate(("plain", "buffered")):
        assert abs(right.wait[k] - truth[arm]) < abs(ruled[k].estimate - truth[arm])
        assert right.wait[k] == pytest.approx(truth[arm], abs=0.3)


def test_tests_that_err_both_ways_find_the_truth():
    """300 cases an arm, sensitivity .95 and specificity .87."""
    data, found, truth = study(300, se=0.95, sp=0.87)
    ours = row(cold_test_errors(data, found), 0.95, 0.87)
    low, high = ours.difference_limits
    assert low < truth["buffered"] - truth["plain"] < high < 0


def test_every_estimate_has_its_interval():
    data, found, _ = study()
    told = [r for r in cold_test_errors(data, found).rows if r.difference is not None]
    assert told
    for each in told:
        assert each.difference_limits[0] < each.difference < each.difference_limits[1]
        for (low, high), (least, most) in zip(each.numb_limits, each.numb, strict=True):
            assert 0 <= low <= least <= most <= high <= 1


def test_swapped_arms_turn_the_difference():
    one, two = (cold_test_errors(*study(swapped=s)[:2]) for s in (False, True))
    for a, b in zip(one.rows, two.rows, strict=True):
        assert a.difference == pytest.approx(-b.difference, abs=1e-6)
    assert row(one, 1.0, 0.91).difference < 0


def test_control_teeth_tell_false_not_felt_and_nothing_else():
    data, found, _ = study()
    errors = cold_test_errors(data, found)
    assert errors.false_not_felt.estimate == 0
    assert not any(r.from_control for r in errors.rows)
    readings = found.readings.copy()
    control = np.flatnonzero(readings["tooth_role"] == "control")[::20]
    readings.loc[readings.index[control], "response"] = "not_felt"
    errors = cold_test_errors(data, dataclasses.replace(found, readings=readings))
    share = len(control) / int((readings["tooth_role"] == "control").sum())
    assert errors.false_not_felt.estimate == pytest.approx(share)
    assert [r.specificity for r in errors.rows if r.from_control] == pytest.approx([1 - share] * 3)
    assert {r.sensitivity for r in errors.rows if r.from_control} == {1.0, 0.95, 0.91}


def test_few_cases_have_no_grid():
    data, found, _ = study(5)
    assert cold_test_errors(data, found) is None
    assert cold_test_section(None, protocol()) is None


def test_tests_after_a_supplement_do_not_count():
    data, found, _ = study()
    frame = data.frame.assign(rescue_min=np.where(data.arm == "plain", 3.0, np.nan))
    later = cold_test_errors(dataclasses.replace(data, frame=frame), found)
    assert row(later, 1.0, 0.91).wait[0] > row(cold_test_errors(data, found), 1.0, 0.91).wait[0]
    assert isinstance(frame, pd.DataFrame)


def test_the_report_shows_the_grid_and_where_its_values_are_from():
    data, found, _ = study()
    results = dataclasses.replace(rich(), test_errors=cold_test_errors(data, found))
    section = next(s for s in compose(results).sections if s.id == "test_errors")
    table = section.blocks[1]
    assert len(table.rows) == 9
    assert "El Sayed and Gaballah 2021" in table.notes[0]
    assert "Control teeth" in section.blocks[0].text
    saved, low, high = (float(x) for x in re.findall(r"-?[\d.]+", table.rows[1][-1].replace("−", "-")))
    assert low < saved < high
    assert saved > 0
    assert "profile likelihood" in table.notes[1]
    assert re.fullmatch(r"\d+ % \(\d+ to \d+\)", table.rows[1][2])
