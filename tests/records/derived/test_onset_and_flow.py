"""Onset from records under a protocol: control tooth, baseline, supplements, and the flow that loses nobody."""

from __future__ import annotations

import math

import pytest

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.protocol.model import Quarter
from onsetstudy.records.derived.flow import analysed_cases, case_flow
from onsetstudy.records.derived.onset import Onsets
from tests.study.cases import case, protocol, readings_of, records

PROMISED = protocol()
INF = math.inf
LAST = Quarter(label="2026Q3")


def one(answers, *, control=None, more=None, promised=PROMISED, **options):
    """Derived onset of one case; ``control`` gives the control tooth's answers, ``.`` where it was not tested."""
    readings = readings_of(1, answers, control=control is None)
    if control is not None:
        rows = readings_of(1, control, control=False)
        readings += [{**row, "tooth_role": "control"} for row in rows]
    found = records([case(1, **(more or {}))], readings, promised)
    return Onsets(records=found, protocol=promised).table(**options).iloc[0]


def test_columns_and_a_plain_case():
    row = one("ffnn")
    assert tuple(row.index) == (
        *("case_id", "practice_id", "arm", "left_min", "right_min", "censoring", "reason", "confirmed_min"),
        *("loss_left_min", "loss_right_min", "valid_readings", "missed_tests", "invalid_cycles"),
    )
    assert (row.left_min, row.right_min, row.censoring, row.reason) == (2, 3, "interval", "confirmed")
    assert (row.valid_readings, row.missed_tests, row.invalid_cycles) == (4, 0, 0)


@pytest.mark.parametrize(
    ("setting", "control", "expected", "invalid"),
    [
        # Target: felt 1, felt 2, not 3, not 4, not 5.
        ("required", "fffff", (2, 3), 0),
        ("required", "ffnff", (2, 4), 1),  # the control did not feel the cold at 3: that test is missed
        ("required", "ff.ff", (2, 4), 1),  # the control was not tested at 3
        ("optional", "ff.ff", (2, 3), 0),
        ("optional", "ffnff", (2, 4), 1),
        ("none", "nnnnn", (2, 3), 0),
    ],
)
def test_control_tooth(setting, control, expected, invalid):
    promised = protocol(schedule={"control_tooth": setting})
    row = one("ffnnn", control=control, promised=promised)
    assert (row.left_min, row.right_min) == expected
    assert row.invalid_cycles == invalid


def test_control_tooth_may_be_tested_a_little_later():
    readings = readings_of(1, "ffnn", control=False)
    late = [
        {**r, "tooth_role": "control", "response": "felt", "minute": f"{float(r['minute']) + 0.4}"} for r in readings
    ]
    found = records([case(1)], readings + late, PROMISED)
    assert Onsets(records=found, protocol=PROMISED).table()["right_min"].iloc[0] == 3
    far = [{**r, "minute": f"{float(r['minute']) - 0.4 + 0.6}"} for r in late[-1:]]
    found = records([case(1)], readings + late[:-1] + far, PROMISED)
    # The control of minute 4 came 0.6 min later, outside the window: not confirmed any more.
    assert Onsets(records=found, protocol=PROMISED).table()["right_min"].iloc[0] == INF


@pytest.mark.parametrize("apart", [0.1, 0.2, 0.3])
def test_of_two_controls_equally_near_the_earlier_counts(apart):
    readings = readings_of(1, "ffnn", control=False)
    controls = [
        {**r, "tooth_role": "control", "response": response, "minute": f"{float(r['minute']) + by:.1f}"}
        for r in readings
        for by, response in ((-apart, "felt"), (apart, "not_felt"))
    ]
    found = records([case(1)], readings + controls, PROMISED)
    row = Onsets(records=found, protocol=PROMISED).table().iloc[0]
    assert (row.left_min, row.right_min, row.invalid_cycles) == (2, 3, 0)


def test_other_choices_for_sensitivity():
    assert one("ffnff", control="fffff", confirmations=1).right_min == 3
    assert one("fffn", accept_unconfirmed=True).right_min == 4
    assert one("ffnn", control="nnnn", control_tooth="none").right_min == 3


def test_a_supplement_is_taken_as_the_protocol_says():
    more = {"rescue_min": "3.5", "rescue_technique": "intraligamentary"}
    hazard, success = one("fffnn", more=more), one("fffnn", more=more, estimand="success")
    assert (hazard.left_min, hazard.right_min, hazard.reason) == (3, INF, "rescued")
    # As a failure the case waited for all of the horizon of 15 min.
    assert (success.left_min, success.right_min) == (15, INF)
    assert one("fffnn", more=more, estimand="success", rescue="censored").left_min == 3
    assert one("fffnn", more=more, rescue="failure").left_min == 15


def test_a_supplement_after_onset_changes_nothing():
    row = one("fnn", more={"rescue_min": "9"}, estimand="wait")
    assert (row.left_min, row.right_min) == (1, 2)


def test_missed_tests_are_counted_up_to_onset():
    row = one("f..nn")
    assert (row.left_min, row.right_min, row.missed_tests) == (1, 4, 2)


def test_an_unknown_estimand_is_refused():
    with pytest.raises(OnsetStudyError, match="'mean' is not one of hazard, success, wait"):
        one("fnn", estimand="mean")


def test_every_case_that_leaves_is_counted_with_its_reason():
    rows = [
        case(1),
        case(2, "buffered"),
        case(3, technique="gow_gates"),
        case(4, agent="articaine"),
        case(5, baseline_response="not_felt"),
        case(6, case_date="2025-11-03"),
        case(7, practice_id="P77"),
        case(8, tooth="99"),
        case(9, pulp_status="necrotic"),
    ]
    found = records(rows, [r for i in range(1, 10) for r in readings_of(i, "fnn")], PROMISED)
    flow = case_flow(found, PROMISED, through=Quarter(label="2025Q4"))
    assert [(s.name, s.count) for s in flow.stages] == [
        ("recorded", 9), ("accepted", 8), ("eligible", 3), ("analysed", 1),
    ]  # fmt: skip
    lost = {reason.code: reason.count for stage in flow.stages for reason in stage.lost}
    assert lost == {
        "tooth": 1, "practice": 1, "technique": 1, "agent": 1, "not_testable": 1, "pulp_status": 1, "later_quarter": 2,
    }  # fmt: skip
    assert analysed_cases(found, PROMISED, through=Quarter(label="2025Q4"))["case_id"].tolist() == ["P01-0006"]
    assert len(analysed_cases(found, PROMISED, through=LAST)) == 3


def test_what_was_not_recorded_does_not_exclude():
    found = records([case(1, pulp_status=None, procedure=None)], readings_of(1, "fnn"), PROMISED)
    assert len(analysed_cases(found, PROMISED, through=LAST)) == 1
