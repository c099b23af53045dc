"""What a group's answer would be if cold tests erred: from counted intervals, beside a practice's own grid."""

from __future__ import annotations

import dataclasses
import json

import pytest

from onsetstudy import estimate_rmst
from onsetstudy.files.documents.reports import results_json
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.sections.appendix.testing import cold_test_section
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.group.controls import group_test_errors
from onsetstudy.study.group.pool_files import gather
from onsetstudy.study.topics.cold_test_errors import cold_test_errors
from tests.study.cases import protocol
from tests.study.topics.test_cold_test_errors import row, study

pytestmark = pytest.mark.usefixtures("unpainted")

PROTOCOL = protocol()
LAST = PROTOCOL.quarters[-1]


def counted(records, made=PROTOCOL):
    tally = tally_records(made, records, through=LAST)
    return [(f"{c}.json", make_exchange(tally, made, c, records_digest="0" * 64)) for c in tally.practices]


def grid_of(records, made=PROTOCOL):
    return group_test_errors(gather(counted(records, made), made))


@pytest.fixture(scope="module")
def usual():
    """The group's grid and the practice's own of one study."""
    data, records, _ = study()
    return grid_of(records), cold_test_errors(data, records)


def test_without_errors_it_is_the_wait_of_the_intervals(usual):
    data, _, _ = study()
    ours = row(usual[0], 1.0, 1.0)
    theirs = estimate_rmst(data.times("hazard"), data.arm, reference_arm="plain", tau_min=PROTOCOL.onset.tau_min)
    assert ours.wait == pytest.approx([e.estimate for e in theirs.arms], abs=1e-4)


def test_intervals_say_nearly_what_every_test_says():
    """Tests that err, 300 cases an arm: both grids find the truth, and differ by less than a fifth of the limits."""
    data, records, truth = study(300, se=0.95, sp=0.87)
    group, own = grid_of(records), cold_test_errors(data, records)
    ours, theirs = row(group, 0.95, 0.87), row(own, 0.95, 0.87)
    for k, arm in enumerate(("plain", "buffered")):
        assert ours.wait[k] == pytest.approx(truth[arm], abs=0.4)
    low, high = ours.difference_limits
    assert low < truth["buffered"] - truth["plain"] < high < 0
    assert abs(ours.difference - theirs.difference) < (high - low) / 5
    assert high - low == pytest.approx(theirs.difference_limits[1] - theirs.difference_limits[0], rel=0.1)


def both_roads(tests_min, last, *, rescue="composite", **more):
    """The row of the true errors by a group and by the practice, proportions numb by the last test; the true ones."""
    made = protocol(
        schedule={"tests_min": tests_min}, onset={"target_min": last, "tau_min": last}, rescue={"wait": rescue}
    )  # fmt: skip
    data, records, _ = study(400, se=0.95, sp=0.91, made=made, **more)
    return [row(errors, 0.95, 0.91) for errors in (grid_of(records, made), cold_test_errors(data, records))]


def test_both_roads_agree_to_the_last_minute():
    """At 10 min one test is left and nothing could confirm it; both reports tell the same share numb by then."""
    group, own = both_roads((1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0), 10.0)
    for ours, theirs, (low, high) in zip(group.numb, own.numb, own.numb_limits, strict=True):
        assert ours[0] == ours[1]
        assert abs(ours[0] - theirs[0]) < (high - low) / 5
    assert group.wait == pytest.approx(own.wait, abs=0.1)
    assert group.difference == pytest.approx(own.difference, abs=0.1)


def test_a_supplement_whose_minute_is_counted_ends_the_tests_of_both_roads():
    """Up to the supplement at 8.5 min the test at 8 may stay unconfirmed; that at 10 was planned and never done."""
    group, own = both_roads(
        (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0), 8.0, rescue="while_on_treatment", rescued=8.5, ratio=1.0, shape=3.0
    )
    for ours, theirs, (low, high) in zip(group.numb, own.numb, own.numb_limits, strict=True):
        assert abs(ours[0] - theirs[0]) < (high - low) / 8
    assert group.wait == pytest.approx(own.wait, abs=0.05)


def test_every_estimate_has_its_interval(usual):
    for errors in usual:
        told = [r for r in errors.rows if r.difference is not None]
        assert told
        for each in told:
            assert each.difference_limits[0] < each.difference < each.difference_limits[1]
            for (low, high), (least, most) in zip(each.numb_limits, each.numb, strict=True):
                assert 0 <= low <= least <= most <= high <= 1


def test_a_smaller_specificity_leaves_less_known():
    errors = grid_of(study(150, sp=0.87)[1])
    spans = [b - a for a, b in (row(errors, 1.0, sp).difference_limits for sp in (1.0, 0.87))]
    assert spans[1] > spans[0]


def test_control_teeth_of_the_group_tell_false_not_felt(usual):
    """Control teeth felt throughout give no row of their own; with some lost they give three."""
    _, records, _ = study()
    assert not any(r.from_control for r in usual[0].rows)
    readings = records.readings.copy()
    control = readings.index[readings["tooth_role"] == "control"]
    readings.loc[control[::10], "response"] = "not_felt"
    errors = grid_of(dataclasses.replace(records, readings=readings))
    share = len(control[::10]) / len(control)
    assert errors.control_tests == len(control)
    assert errors.false_not_felt.estimate == pytest.approx(share)
    assert [r.specificity for r in errors.rows if r.from_control] == pytest.approx([1 - share] * 3)


def test_few_cases_have_no_grid():
    assert grid_of(study(6)[1]) is None


def test_the_report_and_its_json_have_the_grid_and_say_what_it_is_from(usual):
    results = analyse_group(counted(study()[1]), PROTOCOL)
    section = next(s for s in compose_group(results).sections if s.id == "test_errors")
    assert section == cold_test_section(results.test_errors, PROTOCOL)
    notes = " ".join(section.blocks[1].notes)
    assert "profile likelihood" in notes
    assert "counted onset intervals" in notes
    assert "not tell why testing ended" in notes
    assert "counted onset intervals" not in " ".join(cold_test_section(usual[1], PROTOCOL).blocks[1].notes)
    assert "difference_limits" in json.dumps(json.loads(results_json(results)))
