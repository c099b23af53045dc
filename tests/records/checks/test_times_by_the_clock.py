"""Times of day of injections and cold tests: over midnight, with their dates, and as numbers of a spreadsheet."""

from __future__ import annotations

import datetime as dt

import openpyxl
import pytest

from onsetstudy.core.errors import RecordsError
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.protocol.model import Quarter
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.outcomes import chair_records
from tests.records.checks.test_corpus import PROMISED, clean, records

LATE = {"seated_time": "23:40", "injection_start": "23:56", "injection_end": "23:58:30",
        "treatment_end_time": "00:40", "dismissed_time": "00:45"}  # fmt: skip


def late(**changes: str):
    cases, readings = clean()
    for row in cases:
        row.update(LATE | changes)
    return cases, readings


def at(zero: str, reading) -> dt.datetime:
    return dt.datetime.fromisoformat(f"2026-08-03T{zero}") + dt.timedelta(minutes=float(reading["minute"]))


def by_the_clock(zero: str, readings):
    return [{**r, "minute": at(zero, r).time().isoformat()} for r in readings]


def test_a_case_over_midnight_is_read_and_its_stages_are_minutes():
    cases, readings = late()
    found = records(cases, readings, PROMISED)
    assert not found.problems
    analysed, _ = prepare(PROMISED, found, through=Quarter.of(dt.date(2026, 8, 3)))
    stages = dict(chair_records(analysed).stages)
    told = {name: float(minutes[0]) for name, minutes in stages.items()}
    assert sorted(told.values()) == pytest.approx(sorted([16, 2.5, 6, 41.5 - 6, 5]))


def test_tests_by_the_clock_over_midnight_become_minutes():
    cases, readings = late()
    found = records(cases, by_the_clock("23:58:30", readings), PROMISED)
    assert not found.problems
    assert found.readings["minute"].tolist() == pytest.approx(records(cases, readings, PROMISED).readings["minute"])
    assert [r.code for r in found.repairs if r.column == "minute"] == ["time_of_day"]


def test_a_needle_before_midnight_and_an_injection_that_ends_after_it():
    cases, readings = late(injection_start="23:59", injection_end="00:01")
    assert not records(cases, readings, PROMISED).problems
    assert not records(cases, by_the_clock("00:01", readings), PROMISED).problems


@pytest.mark.parametrize(("column", "time"), [("injection_end", "03:10"), ("dismissed_time", "05:00")])
def test_what_comes_more_than_three_hours_over_midnight_is_refused(column, time):
    cases, readings = clean()
    cases[0].update(LATE | {column: time})
    found = records(cases, readings, PROMISED)
    assert ("times", column) in [(p.code, p.where.column) for p in found.problems]
    assert "P01-0001" not in set(found.cases["case_id"])


def test_times_after_midnight_that_may_be_minutes_and_seconds_are_refused():
    """00:04:30 after an injection at 23:50 is fourteen and a half minutes later, or a duration."""
    cases, readings = late(injection_start="23:47", injection_end="23:50")
    typed = [{**r, "minute": f"00:{int(r['minute']):02d}:30"} for r in readings]
    with pytest.raises(RecordsError) as caught:
        records(cases, typed, PROMISED)
    told = next(str(p) for p in caught.value.problems if p.code == "clock_or_minutes")
    assert '"00:01:30" may be the time of day, soon after the injection_end of its case, or minutes and seconds' in told
    cases, _ = clean()
    cases[0].update(LATE | {"injection_start": "23:47", "injection_end": "23:50"})
    found = records(cases, typed, PROMISED)
    assert sorted(found.cases["case_id"]) == ["P01-0002", "P01-0003", "P01-0004"]
    assert found.readings["minute"].min() == 1.5


@pytest.mark.parametrize("day", ["2026-08-03", "2026-03-03"])
def test_cells_with_date_and_time_are_read_over_midnight(tmp_path, day):
    cases, readings = late()
    shift = dt.datetime.fromisoformat(day) - dt.datetime(2026, 8, 3)
    readings = [{**r, "minute": at("23:58:30", r) + dt.timedelta(seconds=30) + shift} for r in readings]
    cases = [{**c, "injection_end": dt.datetime.fromisoformat(f"{day}T23:58:30")} for c in cases]
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in (("cases", cases), ("cold_tests", readings)):
        sheet = book.create_sheet(name)
        columns = list(dict.fromkeys(name for row in rows for name in row))
        sheet.append(columns)
        for row in rows:
            sheet.append([row.get(name) for name in columns])
    book.save(tmp_path / "book.xlsx")
    found = read_records(tmp_path / "book.xlsx", PROMISED)
    assert not found.problems
    assert sorted(set(found.readings["minute"])) == pytest.approx([m + 0.5 for m in (1, 2, 3, 4)])
    assert ("injection_end", "time_with_date") in {(r.column, r.code) for r in found.repairs}


def as_fractions(zero: str, readings, places: int = 6):
    midnight = dt.datetime(2026, 8, 3)
    return [{**r, "minute": f"{(at(zero, r) - midnight) / dt.timedelta(days=1) % 1:.{places}f}"} for r in readings]


@pytest.mark.parametrize(("zero", "places"), [("14:04", 6), ("09:10", 5), ("23:58:30", 7)])
def test_a_spreadsheets_numbers_for_times_of_day_are_read_and_said(zero, places):
    cases, readings = clean()
    cases = [{**c, "injection_end": zero, "injection_start": "", "treatment_end_time": "", "dismissed_time": "",
              "seated_time": ""} for c in cases]  # fmt: skip
    found = records(cases, as_fractions(zero, readings, places), PROMISED)
    assert not found.problems
    assert found.readings["minute"].tolist() == pytest.approx(records(cases, readings, PROMISED).readings["minute"])
    told = [(r.code, r.count) for r in found.repairs if r.column == "minute"]
    assert told == [("excel_time", len(readings))]


@pytest.mark.parametrize(("zero", "places"), [("", 6), ("18:30", 6), ("14:04", 3)])
def test_numbers_for_times_of_day_that_fit_no_injection_are_refused(zero, places):
    """Without an injection to count from, far from it, or rounded to a minute and a half."""
    cases, readings = clean()
    cases[0] |= {"injection_end": zero, "treatment_end_time": "", "dismissed_time": ""}
    found = records(cases, [*as_fractions("14:04", readings[:8], places), *readings[8:]], PROMISED)
    assert sorted(found.cases["case_id"]) == ["P01-0002", "P01-0003", "P01-0004"]
    told = next(str(p) for p in found.problems if p.code == "clock_or_minutes")
    assert "may be a spreadsheet's number for a time of day and cannot be set against the injection_end" in told
    assert "Give the injection_end of its case and the times by the clock" in told


def test_a_single_number_for_a_time_of_day_is_refused_where_it_may_be_one():
    cases, readings = clean()
    single = [{**readings[0], "minute": "0.5868"}]  # 14:05:00, or thirty-five seconds
    found = records(cases, [*single, *readings[8:]], PROMISED)
    assert "P01-0001" not in set(found.cases["case_id"])
    assert "or a part of the first minute" in next(p.what for p in found.problems if p.code == "clock_or_minutes")
    half = records(cases, [{**readings[0], "minute": "0.5"}, *readings[8:]], PROMISED)
    assert not half.problems
    beside = records(cases, [{**readings[0], "minute": "0.5"}, *as_fractions("14:04", readings[8:])], PROMISED)
    assert "P01-0001" not in set(beside.cases["case_id"])


@pytest.mark.parametrize("minutes", [("0.3", "0.5", "0.7", "0.9"), ("0.008", "0.015", "0.022", "0.031")])
def test_several_tests_in_the_first_minute_are_asked_about(minutes):
    """Spread too far for times of day, or of the night as such."""
    cases, readings = clean()
    early = [{**r, "minute": m} for r, m in zip(readings[:8:2], minutes, strict=True)]
    found = records(cases, [*early, *readings[8:]], PROMISED)
    assert not found.problems
    assert any("all tests of this case lie in the first minute" in q.what for q in found.queries)


def test_a_minute_of_the_case_beside_such_numbers_is_refused_where_it_may_be_one():
    cases, readings = clean()
    cases[0]["treatment_start_min"] = "0.5924"
    found = records(cases, as_fractions("14:04", readings), PROMISED)
    assert [(p.code, p.where.column) for p in found.problems] == [("clock_or_minutes", "treatment_start_min")]
