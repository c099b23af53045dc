"""The entry workbook and the dictionary page come from the data dictionary and lead back to accepted records."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.files.documents.workbook import write_template, write_wide_template
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.schema import CASES, COLD_TESTS, asked_columns
from tests.files.dictionary_page import PAGE, dictionary_page
from tests.study.cases import PROTOCOLS, case, protocol, readings_of, records

PROMISED = protocol()


@pytest.fixture(scope="module")
def template(tmp_path_factory) -> Path:
    return write_template(tmp_path_factory.mktemp("book") / "entry.xlsx", PROMISED)


def test_the_page_shows_the_dictionary_as_it_is():
    assert PAGE.read_text(encoding="utf-8") == dictionary_page()


def test_headings_and_drop_downs_are_those_of_the_dictionary(template):
    book = openpyxl.load_workbook(template)
    for name in ("cases", "cold_tests"):
        sheet, columns = book[name], asked_columns(name, PROMISED)
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


def test_drop_downs_of_the_wide_sheet_offer_what_the_protocol_admits(tmp_path):
    sheet = openpyxl.load_workbook(write_wide_template(tmp_path / "wide.xlsx", PROMISED))["wide"]
    lists = {v.formula1 for v in sheet.data_validations.dataValidation if v.type == "list"}
    assert f'"{",".join(PROMISED.eligibility.techniques)}"' in lists


BARE = protocol(
    pain=None, anxiety=None, doses=None, chair_time=None, study={"allocation": "alternating", "practices": ("Q01",),
    "blinding": ()}, plan={"cluster": None, "secondary": ()},
)  # fmt: skip


def test_a_template_asks_only_what_the_protocol_has_a_use_for(tmp_path):
    book = openpyxl.load_workbook(write_template(tmp_path / "entry.xlsx", BARE))
    asked = [cell.value for cell in book["cases"][1]]
    assert not [name for name in asked if name.startswith(("pain_", "anxiety_", "guess_"))]
    assert not {"weight_kg", "seated_time", "dismissed_time", "mixing_min", "allocation_slip", "period",
                "score_missing_reason"} & set(asked)  # fmt: skip
    assert {c.name for c in CASES if c.required} <= set(asked)
    listed = {row[1].value: row[2].value for row in book["dictionary"].iter_rows(min_row=2)}
    assert listed["pain_deposition"] == "not asked"
    assert listed["volume_ml"] == "always"
    assert any("left out here" in (row[0].value or "") for row in book["how_to"].iter_rows())


def test_what_every_table_of_a_protocol_is_about_is_asked(template):
    book = openpyxl.load_workbook(template)
    asked = {cell.value for cell in book["cases"][1]}
    assert {"pain_deposition", "anxiety_before", "weight_kg", "seated_time", "allocation_slip", "period"} <= asked
    assert {"guess_patient", "guess_assessor"} <= asked
    assert "guess_operator" not in asked, "the operator is not blinded"


def test_examples_are_of_the_protocols_own_practice(tmp_path):
    book = openpyxl.load_workbook(write_template(tmp_path / "entry.xlsx", BARE))
    shown = {row[1].value: row[6].value for row in book["dictionary"].iter_rows(min_row=2)}
    assert (shown["case_id"], shown["practice_id"], shown["clinician_id"]) == ("Q01-0001", "Q01", "Q01-A")
    prompts = [v.prompt for v in book["cases"].data_validations.dataValidation]
    assert any("Example: Q01-0001" in prompt for prompt in prompts)
    assert not any("P01" in prompt for prompt in prompts)


def test_a_column_that_is_not_asked_may_still_be_entered(tmp_path):
    book = openpyxl.load_workbook(
        write_template(tmp_path / "entry.xlsx", dataclasses.replace(BARE, study=PROMISED.study))
    )
    sheet = book["cases"]
    place = {cell.value: k for k, cell in enumerate(sheet[1], start=1)}
    for key, value in case(1).items():
        sheet.cell(2, place[key], value)
    sheet.cell(1, len(place) + 1, "weight_kg")
    sheet.cell(2, len(place) + 1, 70)
    for number, row in enumerate(readings_of(1, "ffnn"), start=2):
        for k, value in enumerate(row.values(), start=1):
            book["cold_tests"].cell(number, k, value)
    path = tmp_path / "filled.xlsx"
    book.save(path)
    assert read_records(path, PROMISED, today=dt.date(2026, 9, 1)).cases["weight_kg"].tolist() == [70.0]


def test_what_is_entered_is_read(template, tmp_path):
    book = openpyxl.load_workbook(template)
    cases = [case(1), case(2, "buffered", injection_end="14:04")]
    readings = [r for i in (1, 2) for r in readings_of(i, "ffnn")]
    for name, rows in (("cases", cases), ("cold_tests", readings)):
        place = {c.name: i for i, c in enumerate(asked_columns(name, PROMISED), start=1)}
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
