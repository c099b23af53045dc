"""What a report tells of cases that were recorded at the chair: every event, and how the clocks ran."""

from __future__ import annotations

import dataclasses
import datetime as dt

import pandas as pd
import pytest

from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import facts_of
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.files.store import EventStore, preparations_path
from onsetstudy.records.model import OpenTables
from onsetstudy.report.sections.main.records import clocks_words, records_section
from onsetstudy.study.practice.analyse import analyse
from onsetstudy.study.results import ChairClocks
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.outcomes import safety_of
from tests.records.chair.test_event_log import CASE, Page, drifting, injected
from tests.study import demo

pytestmark = pytest.mark.usefixtures("unpainted", "few_draws")

AUDIT = read_protocol("protocols/infiltration_audit.toml")
ALL_ALONE = demo.of_all_cases_alone(AUDIT)
TODAY = dt.date(2026, 7, 1)


def write_store(path, page):
    facts = facts_of(AUDIT, "P06")
    with EventStore(path, create=facts) as store, EventStore(preparations_path(path), create=facts) as kept:
        store.append(page.events)
        mixer = Page(device="mixer-1")
        mixer.tap("preparation", {"arm": "buffered", "mix_mode": "add", "bicarbonate_ml": 0.18, "volume_ml": 1.98})
        kept.append(mixer.events)
    return path


@pytest.fixture
def store(tmp_path):
    """One case, timed by a clock that is slow by a thousandth, with two events."""
    page = Page()
    injected(page)
    drifting(page, 90, 1000)
    for planned, response in ((0.5, "felt"), (1.0, "not_felt"), (1.5, "not_felt")):
        page.tap("test", {"planned_min": planned, "tooth_role": "target", "response": response})
        page.wait(30)
    page.tap("recorded", {"technique": "buccal_infiltration", "tooth": "16"})
    for kind, serious in (("positive_aspiration", "no"), ("trismus", "yes")):
        page.tap("adverse_event", {"kind": kind, "serious": serious})
    page.anchor()
    return write_store(tmp_path / "practice.sqlite", page)


def test_every_event_of_a_case_reaches_the_report_from_a_store(store):
    records = read_records(store, AUDIT, today=TODAY)
    data, _ = prepare(AUDIT, records, through=AUDIT.quarters[-1])
    told = {line.event: sum(arm.count for arm in line.arms) for line in safety_of(data, records.open_tables).harms}
    assert (told["any"], told["serious"], told["trismus"]) == (1, 1, 1)
    listed = [row[1] for row in safety_of(data, records.open_tables).listing]
    assert set(listed) == {"trismus"}  # an aspiration is in the course of an injection, and no harm


@pytest.mark.parametrize("given", [lambda path: path, lambda path: [path], str])
def test_a_store_tells_how_its_clocks_ran(store, given):
    clocks = read_records(given(store), AUDIT, today=TODAY).open_tables.clocks
    assert clocks["case_id"].tolist() == [CASE]
    assert 0.05 < clocks["apart_s"][0] < 0.15  # ninety seconds at a thousandth; the other minutes ran true
    assert clocks["widened"].tolist() == [False]


@pytest.fixture(scope="module")
def typed():
    """The demo audit, as a spreadsheet."""
    return read_records("data/synthetic/audit", AUDIT, today=TODAY)


def with_clocks(typed, rows):
    table = pd.DataFrame(rows, columns=["case_id", "apart_s", "widened"])
    return dataclasses.replace(typed, open_tables=OpenTables(clocks=table))


@pytest.mark.usefixtures("answer_alone")
def test_only_analysed_cases_count_and_the_most_is_told(typed):
    codes = typed.cases["case_id"].tolist()
    rows = [(codes[0], 0.02, False), (codes[1], 0.31, True), (codes[2], float("nan"), True), ("elsewhere", 9.0, True)]
    results = analyse(ALL_ALONE, with_clocks(typed, rows), quarter=AUDIT.quarters[-1].label)
    told = results.data_quality.clocks
    assert told == ChairClocks(cases=3, measured=2, apart_s=0.31, widened=2)
    assert from_dict(to_dict(told)) == told
    said = " ".join(block.text for block in records_section(results).blocks if hasattr(block, "text"))
    assert "at most 0.31 s from the computer's (measured in 2 of 3)" in said
    assert "2 intervals were widened" in said


@pytest.mark.usefixtures("answer_alone")
def test_records_that_were_typed_say_nothing_of_clocks(typed):
    results = analyse(
        demo.of_all_cases_alone(AUDIT), with_clocks(typed, [("elsewhere", 0.1, True)]), quarter=AUDIT.quarters[-1].label
    )
    assert results.data_quality.clocks is None
    assert "clock" not in " ".join(b.text for b in records_section(results).blocks if hasattr(b, "text"))


def test_the_words_for_one_for_none_and_for_hardly_anything():
    one = clocks_words(ChairClocks(cases=1, measured=0, apart_s=None, widened=1))
    assert "1 case was recorded" in one
    assert "could not be measured" in one
    assert "1 interval was widened" in one
    hardly = clocks_words(ChairClocks(cases=2, measured=2, apart_s=0.0004, widened=0))
    assert "less than 0.01 s" in hardly
    assert "no interval was widened" in hardly
