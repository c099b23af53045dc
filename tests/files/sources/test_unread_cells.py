"""Merged cells and formulas without a stored result, in workbooks."""

from __future__ import annotations

import itertools
import re
import zipfile

import openpyxl
import pytest

from onsetstudy.core.errors import RecordsError
from onsetstudy.files.sources.spreadsheet import read_records
from tests.records.checks.test_corpus import PROMISED, clean, records


def book_of(path, change):
    cases, readings = clean()
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in (("cases", cases), ("cold_tests", readings)):
        columns = list(dict.fromkeys(column for row in rows for column in row))
        sheet = book.create_sheet(name)
        sheet.append(columns)
        for row in rows:
            sheet.append([row.get(column) for column in columns])
        change(name, sheet, {column: place for place, column in enumerate(columns, 1)})
    book.save(path)
    return read_records(path, PROMISED)


@pytest.mark.parametrize("part", ["worksheets/sheet1.xml", "workbook.xml", "workbook.xml.rels", "styles.xml"])
def test_a_workbook_of_which_a_part_was_cut_cannot_be_read(tmp_path, part):
    book_of(tmp_path / "whole.xlsx", lambda *_: None)
    with zipfile.ZipFile(tmp_path / "whole.xlsx") as whole, zipfile.ZipFile(tmp_path / "cut.xlsx", "w") as cut:
        for name in whole.namelist():
            content = whole.read(name)
            cut.writestr(name, content[: len(content) // 2] if name.endswith(part) else content)
    with pytest.raises(RecordsError, match="the workbook cannot be read"):
        read_records(tmp_path / "cut.xlsx", PROMISED)


def test_a_workbook_with_macros_is_found_in_its_folder(tmp_path):
    (tmp_path / "of").mkdir()
    assert len(book_of(tmp_path / "of" / "book.xlsm", lambda *_: None).cases) == len(clean()[0])
    assert len(read_records(tmp_path / "of", PROMISED).cases) == len(clean()[0])


def written_otherwise(book, pattern, replacement):
    """The records of a workbook in whose sheets a pattern was replaced, as another program may write them."""
    other = book.with_name("other.xlsx")
    with zipfile.ZipFile(book) as written, zipfile.ZipFile(other, "w") as altered:
        for name in written.namelist():
            content = written.read(name)
            altered.writestr(name, re.sub(pattern, replacement, content) if "worksheets/" in name else content)
    return read_records(other, PROMISED)


@pytest.mark.parametrize("size", [b"A1", b"A1:ZZ3"])
def test_a_sheet_whose_file_tells_a_wrong_size_is_read_to_its_end(tmp_path, size):
    whole = book_of(tmp_path / "book.xlsx", lambda *_: None)
    found = written_otherwise(tmp_path / "book.xlsx", rb'<dimension ref="[^"]*"', b'<dimension ref="%s"' % size)
    assert not found.problems
    assert found.digest == whole.digest


def test_a_formula_without_a_result_is_found_where_cells_do_not_say_their_place(tmp_path):
    def write(name, sheet, columns):
        if name == "cases":
            sheet.cell(3, columns["volume_ml"]).value = "=1.7+0.1"

    book_of(tmp_path / "book.xlsx", write)
    (problem,) = written_otherwise(tmp_path / "book.xlsx", rb'<c r="[A-Z]+3"(?=[^>]*><f>)', b"<c").problems
    assert (problem.code, problem.where.row, problem.where.column) == ("no_result", 3, "volume_ml")


def test_merged_codes_are_read_for_all_their_rows_and_said(tmp_path):
    def merge(name, sheet, columns):
        if name == "cold_tests":
            for first in range(2, 34, 8):
                sheet.merge_cells(start_row=first, end_row=first + 7, start_column=1, end_column=1)

    found = book_of(tmp_path / "book.xlsx", merge)
    assert not found.problems
    assert found.digest == records(*clean(), PROMISED).digest
    assert [(r.column, r.code, r.count) for r in found.repairs if r.code == "merged_cells"] == [
        ("case_id", "merged_cells", 28)
    ]


def test_merged_cells_of_two_columns_stay_what_they_are(tmp_path):
    def merge(name, sheet, columns):
        if name == "cases":
            at = columns["age_band"]
            sheet.merge_cells(start_row=2, end_row=3, start_column=at, end_column=at + 1)

    assert not [r for r in book_of(tmp_path / "book.xlsx", merge).repairs if r.code == "merged_cells"]


@pytest.mark.parametrize(
    "column", ["volume_ml", "weight_kg", "clinician_id", "patient_id", "age_band", "injection_end"]
)
def test_a_formula_without_a_stored_result_is_told_as_one_and_not_as_empty(tmp_path, column):
    def write(name, sheet, columns):
        if name == "cases":
            sheet.cell(3, columns[column]).value = "=1.7+0.1"

    found = book_of(tmp_path / "book.xlsx", write)
    (problem,) = found.problems
    assert (problem.code, problem.where.row, problem.where.column) == ("no_result", 3, column)
    assert problem.what == f"{column} is a formula without a stored result"
    assert "open the workbook in your spreadsheet program and save it again" in problem.mend
    assert len(found.cases) == 3


def test_formulas_of_minutes_refuse_their_cases(tmp_path):
    def write(name, sheet, columns):
        for row, column in itertools.product(range(2, 10), ("minute",)) if name == "cold_tests" else ():
            sheet.cell(row, columns[column]).value = "=A1+0"

    found = book_of(tmp_path / "book.xlsx", write)
    assert sorted(found.cases["case_id"]) == ["P01-0002", "P01-0003", "P01-0004"]
    assert [p.code for p in found.problems].count("no_result") == 8
