"""With a window in the protocol only planned tests date onset; what an extra test found stands beside the answer."""

from __future__ import annotations

import copy
import dataclasses
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_csv_table, read_records
from onsetstudy.protocol.check import check_protocol
from onsetstudy.protocol.estimands import questions_of
from onsetstudy.protocol.guided.content import GuidedAnswers, guided_content
from onsetstudy.records.checks.check import check_records
from onsetstudy.records.derived.onset import Onsets
from onsetstudy.records.schema import asked_columns
from onsetstudy.study.counts.exchange import terms_of
from onsetstudy.study.practice.sensitivity import run_sensitivity
from onsetstudy.study.sets.prepare import prepare
from tests.records.validity.test_gates import study

ROOT = Path(__file__).parents[3]
FILE = ROOT / "protocols" / "mandibular_block_group.toml"
PROTOCOL = read_protocol(FILE)
WINDOW = 0.35


def changed(**testing):
    content = copy.deepcopy(tomllib.loads(FILE.read_text(encoding="utf-8")))
    content["testing"].update(testing)
    return check_protocol(content)


WITH = changed(window_min=WINDOW)


def records_of(*tests):
    """One case; each test is (minute, felt), with the control tooth felt beside it."""
    records = study(1, n=1)
    cases = records.cases.iloc[:1].reset_index(drop=True).assign(rescue_min=np.nan)
    code = cases["case_id"].iloc[0]
    rows = [(code, m, role, "felt" if felt or role == "control" else "not_felt") for m, felt in tests
            for role in ("target", "control")]  # fmt: skip
    readings = pd.DataFrame(rows, columns=["case_id", "minute", "tooth_role", "response"])
    return dataclasses.replace(records, cases=cases, readings=readings)


def onset(records, window):
    row = Onsets(records=records, protocol=PROTOCOL).table(window_min=window).iloc[0]
    return row["left_min"], row["right_min"]


def test_an_extra_test_does_not_date_onset():
    tests = [(1, True), (2, True), (2.5, False), (3, False), (4, False)]
    assert onset(records_of(*tests), None) == (2.0, 2.5)
    assert onset(records_of(*tests), WINDOW) == (2.0, 3.0)


def test_an_extra_test_does_not_confirm_onset_even_within_the_window():
    tests = [(1, True), (2, True), (3, False), (3.2, False), (4, True), (5, False), (6, False)]
    assert onset(records_of(*tests), None) == (2.0, 3.0)
    assert onset(records_of(*tests), WINDOW) == (4.0, 5.0)


def test_where_an_extra_test_ended_the_testing_planned_minutes_date_the_onset():
    """Nobody tests on once two tests in a row found the tooth numb: the case must not count as never numb."""
    assert onset(records_of((1, True), (2, True), (2.5, False), (3, False)), WINDOW) == (2.0, 3.0)
    assert onset(records_of((1, True), (2, True), (2.5, False), (2.6, False)), WINDOW) == (2.0, 3.0)
    assert onset(records_of((0.5, False), (0.6, False)), WINDOW) == (0.0, 1.0)
    assert onset(records_of((1, True), (2, True), (2.5, False)), WINDOW) == (2.0, np.inf)


def test_what_its_record_calls_extra_stands_for_no_planned_minute_however_near():
    tests = [(1, True), (2, True), (2.9, False), (3.9, False)]
    records = records_of(*tests)
    assert onset(records, WINDOW) == (2.0, 3.0)
    extra = np.where(records.readings["minute"] == 2.9, "extra", "planned")
    told = dataclasses.replace(records, readings=records.readings.assign(test_kind=extra))
    # The tooth was numb at 2.9, and nobody else was asked at 3: of that minute the extra test leaves no doubt.
    assert onset(told, WINDOW) == (2.0, 3.0)
    early = np.where(records.readings["minute"] < 3, "extra", "planned")
    assert onset(dataclasses.replace(records, readings=records.readings.assign(test_kind=early)), WINDOW) == (2.0, 3.0)
    assert onset(told, None) == (2.0, 2.9)


def test_the_kind_of_a_test_is_asked_where_it_decides_and_read_anywhere():
    assert "test_kind" in [c.name for c in asked_columns("cold_tests", WITH)]
    assert "test_kind" not in [c.name for c in asked_columns("cold_tests", PROTOCOL)]
    folder = ROOT / "data" / "synthetic"
    cases, tests = (read_csv_table(folder / f"{name}.csv") for name in ("cases", "cold_tests"))
    plain = check_records(cases, tests, PROTOCOL)
    kinds = np.where(np.arange(len(tests.frame)) % 9 == 0, "extra", "planned")
    told = check_records(cases, dataclasses.replace(tests, frame=tests.frame.assign(test_kind=kinds)), PROTOCOL)
    assert len(told.readings) == len(plain.readings)
    assert set(told.readings["test_kind"]) == {"planned", "extra"}
    assert told.digest != plain.digest
    empty = dataclasses.replace(tests, frame=tests.frame.assign(test_kind=""))
    assert check_records(cases, empty, PROTOCOL).digest == plain.digest


def test_extra_tests_do_not_overrule_planned_ones():
    tests = [(1, True), (2, True), (2.5, False), (2.6, False), (3, True), (4, True)]
    assert onset(records_of(*tests), None) == (2.0, 2.5)
    assert onset(records_of(*tests), WINDOW) == (4.0, np.inf)


def test_a_felt_test_off_schedule_does_not_narrow_the_interval_either():
    tests = [(1, True), (2, True), (2.5, True), (3, False), (4, False)]
    assert onset(records_of(*tests), None) == (2.5, 3.0)
    assert onset(records_of(*tests), WINDOW) == (2.0, 3.0)


def test_a_test_answers_for_its_planned_minute_whenever_in_its_window_it_was_done():
    """A test brought forward because the patient tells must not make a case numb sooner."""
    for minute in (3 - WINDOW, 3 - 0.2, 3, 3 + WINDOW):
        assert onset(records_of((1, True), (2.1, True), (minute, False), (4, False)), WINDOW) == (2.0, 3.0)
    assert onset(records_of((1, True), (2, True), (3 + WINDOW + 0.05, False), (4, False)), WINDOW) == (2.0, 4.0)
    assert onset(records_of((1 + WINDOW, False), (2, False)), WINDOW) == (0.0, 1.0)


def test_a_planned_test_left_out_after_an_extra_one_does_not_delay_onset():
    """As when somebody finds the tooth numb at 2.6 and comes again with the test after next."""
    early = records_of((1, True), (1.8, True), (1.9, False), (1.95, False))
    extra = np.where(early.readings["minute"] > 1.85, "extra", "planned")
    assert onset(dataclasses.replace(early, readings=early.readings.assign(test_kind=extra)), WINDOW) == (2.0, 3.0)
    tests = [(1, True), (2, True), (2.6, False), (4, False), (5, False)]
    assert onset(records_of(*tests), WINDOW) == (2.0, 3.0)
    # A planned minute that nobody came to is passed by a later test that was felt, too.
    assert onset(records_of((1, True), (2.5, True), (3, False), (4, False)), WINDOW) == (2.0, 3.0)
    # What planned tests say stands, whatever was found between them.
    assert onset(records_of((1, True), (2, True), (2.6, False), (3, True), (4, False), (5, False)), WINDOW) == (
        3.0,
        4.0,
    )
    assert onset(records_of((1, True), (2, False), (2.5, True), (3, False), (4, False)), WINDOW) == (1.0, 2.0)


def test_a_test_before_a_supplement_counts_though_its_planned_minute_lies_after_it():
    records = records_of((1, True), (2, False), (2.8, False))
    records = dataclasses.replace(records, cases=records.cases.assign(rescue_min=2.9))
    assert onset(records, WINDOW) == (1.0, 2.0)
    late = dataclasses.replace(records, cases=records.cases.assign(rescue_min=2.7))
    assert Onsets(records=late, protocol=PROTOCOL).table(window_min=WINDOW)["reason"].iloc[0] == "rescued"


@pytest.mark.parametrize("seed", range(3))
def test_on_a_schedule_that_was_kept_the_window_only_puts_ends_onto_the_plan(seed):
    records = study(seed)
    records = dataclasses.replace(records, cases=records.cases.assign(rescue_min=np.nan))
    onsets = Onsets(records=records, protocol=PROTOCOL)
    every, planned = onsets.table(), onsets.table(window_min=WINDOW)
    minutes = np.array([0.0, *PROTOCOL.schedule.tests_min, np.inf])
    for end in ("left_min", "right_min"):
        ended = np.isfinite(every[end].to_numpy())
        np.testing.assert_array_equal(ended, np.isfinite(planned[end].to_numpy()))
        apart = np.abs(every[end].to_numpy()[ended] - planned[end].to_numpy()[ended])
        assert (apart <= WINDOW).all()
        assert np.isin(planned[end], minutes).all()
    for name in ("censoring", "reason", "valid_readings", "missed_tests"):
        np.testing.assert_array_equal(every[name], planned[name])


def test_a_protocol_without_a_window_is_the_protocol_that_it_was():
    content = tomllib.loads(FILE.read_text(encoding="utf-8"))
    assert "window_min" not in content["testing"]
    assert PROTOCOL.schedule.window_min is None
    assert all(key != "schedule.window_min" for key, _ in terms_of(PROTOCOL))
    assert WITH.digest != PROTOCOL.digest
    assert dict(terms_of(WITH))["schedule.window_min"] == "0.35"


def test_only_planned_tests_are_primary_and_all_tests_a_sensitivity_analysis():
    assert {each.rule.window_min for each in questions_of(WITH).values()} == {WINDOW}
    assert {each.rule.window_min for each in questions_of(WITH, choice="all_tests").values()} == {None}


def test_a_window_that_reaches_into_the_next_test_is_refused():
    with pytest.raises(OnsetStudyError) as raised:
        changed(window_min=0.6)
    assert "reaches from one planned test into the next" in str(raised.value)


def chairside(onsets, extra):
    """Readings of patients tested on the plan, and at ``extra`` minutes too, until two tests in a row are not felt."""
    records = study(1, n=(len(onsets) + 1) // 2)
    cases = records.cases.iloc[: len(onsets)].reset_index(drop=True).assign(rescue_min=np.nan)
    rows = []
    for code, numb, more in zip(cases["case_id"], onsets, extra, strict=True):
        run = 0
        for minute in np.unique([*PROTOCOL.schedule.tests_min, *more]):
            felt = minute < numb
            rows += [(code, minute, "target", "felt" if felt else "not_felt"), (code, minute, "control", "felt")]
            run = 0 if felt else run + 1
            if run == 2:
                break
    readings = pd.DataFrame(rows, columns=["case_id", "minute", "tooth_role", "response"])
    return dataclasses.replace(records, cases=cases, readings=readings)


PATTERNS = {
    "just after onset": lambda rng, onset: onset + rng.uniform(0.02, 0.3, 1),
    "twice after onset": lambda rng, onset: onset + np.array([0.02, 0.1]),
    "before onset": lambda rng, onset: np.maximum(onset - rng.uniform(0.05, 0.9, 1), 0.01),
    "at random": lambda rng, onset: rng.uniform(0.1, 15, 4),
}


@pytest.mark.parametrize("pattern", PATTERNS)
def test_patients_tested_whenever_they_feel_something_get_the_onset_of_those_who_were_not(pattern):
    """So that no pattern of extra tests in one arm makes a difference, whatever the pattern."""
    rng = np.random.default_rng(7)
    onsets = rng.uniform(0.1, 14.5, 120)
    extra = [PATTERNS[pattern](rng, onset) for onset in onsets]
    quiet, asked = chairside(onsets, [()] * len(onsets)), chairside(onsets, extra)
    expected, found = (
        Onsets(records=quiet, protocol=PROTOCOL).table(),
        Onsets(records=asked, protocol=PROTOCOL).table(window_min=WINDOW),
    )
    every = Onsets(records=asked, protocol=PROTOCOL).table()
    np.testing.assert_array_equal(found["left_min"], expected["left_min"])
    np.testing.assert_array_equal(found["right_min"], expected["right_min"])
    assert ((every["right_min"] < expected["right_min"]) | (every["left_min"] > expected["left_min"])).mean() > 0.2
    assert ((found["left_min"] < onsets) & (onsets <= found["right_min"])).all()


@pytest.mark.parametrize("tests", [(0.5, 1.0, 2.0), (1.0, 2.0, 5.0), (3.0, 6.0, 9.0, 12.0)])
def test_a_protocol_made_by_questions_has_a_window_of_its_own_schedule(tests):
    told = GuidedAnswers(
        practice="P07", randomised=False, assessor_blind=True, technique="ianb", agent="articaine",
        bicarbonate_ml=0.18, tests_min=tests, target_min=tests[0], tau_min=tests[-2], control_tooth=True,
        notation="universal", pain_scale="", cases_per_month=4.0, first_quarter="2026Q4", ethics="approved",
        wait_difference_min=0.4,
    )  # fmt: skip
    made = check_protocol(guided_content(told))
    assert 0 < made.schedule.window_min <= min(0.5, np.diff((0.0, *tests)).min() / 2)


def test_all_tests_stand_beside_the_answer_though_no_plan_named_them():
    records = read_records([ROOT / "data" / "synthetic"], WITH)
    through = WITH.quarters[-1]
    data, _ = prepare(WITH, records, through=through)
    bare = dataclasses.replace(WITH, plan=dataclasses.replace(WITH.plan, sensitivity=()))
    varied = run_sensitivity(Onsets(records=records, protocol=bare), data, through=through)
    assert "all_tests" in [v.code for v in varied]
    without = dataclasses.replace(bare, schedule=PROTOCOL.schedule)
    varied = run_sensitivity(Onsets(records=records, protocol=without), data, through=through)
    assert "all_tests" not in [v.code for v in varied]
