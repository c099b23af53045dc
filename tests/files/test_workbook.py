"""The entry workbook and the dictionary page come from the data dictionary and lead back to accepted records."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.files.dictionary_page import PAGE, dictionary_page
from onsetstudy.files.spreadsheet import read_records
from onsetstudy.files.workbook import write_template
from onsetstudy.records.schema import CASES, COLD_TESTS
from tests.study.cases import PROTOCOLS, case, protocol, readings_of, records

PROMISED = protocol()


@pytest.fixture(scope="module")
def template(tmp_path_factory) -> Path:
    return write_template(tmp_path_factory.mktemp("book") / "entry.xlsx", PROMISED)


def test_the_page_shows_the_dictionary_as_it_is():
    assert PAGE.read_text(encoding="utf-8") == dictionary_page()


def test_headings_and_drop_downs_are_those_of_the_dictionary(template):
    book = openpyxl.load_workbook(template)
    for name, columns in (("cases", CASES), ("cold_tests", COLD_TESTS)):
        sheet = book[name]
        assert [cell.value for cell in sheet[1]] == [c.name for c in columns]
        assert sheet.freeze_panes == "B2"
        lists = [v for v in sheet.data_validations.dataValidation if v.type == "list"]
        assert len(lists) == sum(bool(c.codes) or c.kind == "tooth" for c in columns)
    assert book["codes"].sheet_state == "hidden"
    shown = {row[1].value for row in book["dictionary"].iter_rows(min_row=2)}
    assert shown == {c.name for c in (*CASES, *COLD_TESTS)}


def test_the_sheet_how_to_speaks_of_this_protocol(tmp_path):
    schedule = dataclasses.replace(PROMISED.schedule, clock_zero="injection_start", tests_min=(1.0, 2.5, 16.0))
    other = dataclasses.replace(PROMISED, schedule=schedule)
    sheet = openpyxl.load_workbook(write_template(tmp_path / "entry.xlsx", other))["how_to"]
    lines = [row[0].value for row in sheet.iter_rows()]
    assert "A buffered case needs mix_mode and bicarbonate_ml too." in lines
    assert "Minutes count from the start of the injection: 4.5 or 4:30. Dates as 2026-04-03, times as 14:05." in lines
    assert "Planned minutes of the cold tests: 1, 2.5, 16." in lines
    assert any(line.startswith("Go on until 2 tests in a row were not felt") for line in lines if line)
    assert any("control tooth" in line for line in lines if line), "this protocol asks for a control tooth"


def test_drop_downs_offer_what_the_protocol_admits(template):
    book = openpyxl.load_workbook(template)
    offered = [[cell.value for cell in column if cell.value is not None] for column in book["codes"].iter_cols()]
    assert ["plain", "buffered"] in offered
    assert list(PROMISED.eligibility.techniques) in offered


def test_what_is_entered_is_read(template, tmp_path):
    book = openpyxl.load_workbook(template)
    cases = [case(1), case(2, "buffered", injection_end="14:04")]
    readings = [r for i in (1, 2) for r in readings_of(i, "ffnn")]
    for name, rows, columns in (("cases", cases, CASES), ("cold_tests", readings, COLD_TESTS)):
        place = {c.name: i for i, c in enumerate(columns, start=1)}
        for number, row in enumerate(rows, start=2):
            for key, value in row.items():
                book[name].cell(number, place[key], value)
    path = tmp_path / "filled.xlsx"
    book.save(path)
    found = read_records(path, PROMISED, today=dt.date(2026, 9, 1))
    assert not found.problems
    assert found.digest == records(cases, readings, PROMISED).digest


def test_the_command_does_not_overwrite_entered_cases(tmp_path):
    path = tmp_path / "entry.xlsx"
    arguments = ["template", str(PROTOCOLS / "mandibular_block_group.toml"), "--into", str(path)]
    assert CliRunner().invoke(onsetstudy, arguments).exit_code == 0
    again = CliRunner().invoke(onsetstudy, arguments)
    assert again.exit_code == 2
    assert "is there already and may hold records" in again.output
    assert CliRunner().invoke(onsetstudy, [*arguments, "--overwrite"]).exit_code == 0
