"""Lines of a table that are no records: told once each, counted as no case, and never taken for one."""

from __future__ import annotations

import csv

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import RecordsError
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.checks.no_records import read
from onsetstudy.records.derived.flow import refused_by_practice
from onsetstudy.records.model import Records
from tests.records.checks.test_corpus import clean
from tests.study.cases import NO_LIST, PROTOCOLS, protocol, raw, records

PROMISED = protocol()
UNITS = {"volume_ml": "mL", "minute": "min", "case_date": "YYYY-MM-DD", "cartridge_ml": "mL", "response": "felt or not"}
SECOND = {
    "units": UNITS.get,
    "in words": lambda column: column.replace("_", " ").capitalize(),
    "in other words": lambda column: {"case_id": "Code", "tooth": "Tooth (FDI)"}.get(column, f"the {column}"),
    "the same": lambda column: column,
    "required": lambda column: "required",
}


def tables(second, place=0, only=("cases", "cold_tests")):
    made = []
    for name, rows in zip(("cases", "cold_tests"), clean(), strict=True):
        columns = dict.fromkeys(column for row in rows for column in row)
        line = {column: second(column) for column in columns}
        made.append([*rows[:place], line, *rows[place:]] if name in only else rows)
    return made


@pytest.mark.parametrize("second", SECOND.values(), ids=SECOND)
def test_a_second_line_of_headings_has_one_message_a_table_and_is_no_case(second):
    found = records(*tables(second), PROMISED)
    assert isinstance(found, Records)
    assert [(p.code, p.where.row) for p in found.problems] == [("heading_row", 2)] * 2
    assert "second line of headings" in str(found.problems[0])
    assert len(found.cases) == len(clean()[0])
    assert len(found.readings) == len(clean()[1])
    assert list(found.rejects["code"]) == ["heading_row"] * 2
    assert refused_by_practice(found, PROMISED) == {}


def test_headings_that_come_again_further_down_are_none_either():
    found = records(*tables(SECOND["the same"], place=2), PROMISED)
    assert [p.code for p in found.problems] == ["heading_row"] * 2
    assert len(found.cases) == len(clean()[0])


def test_a_line_of_units_further_down_is_a_row_that_cannot_be_read():
    """Only below the headings units are expected: elsewhere what cannot be read may be a case."""
    found = records(*tables(UNITS.get, place=2, only=("cases",)), PROMISED)
    assert "heading_row" not in [p.code for p in found.problems]
    assert refused_by_practice(found, PROMISED) == {"": 1}


@pytest.mark.parametrize(
    "change",
    [{"case_id": "P01-X1"}, {"tooth": "36"}, {"volume_ml": "1.8"}, {"arm": "plain"}],
)
def test_a_first_case_in_which_anything_can_be_read_is_a_case(change):
    cases, readings = clean()
    first = dict.fromkeys(cases[0], "?!") | {"case_id": "Code"} | change
    found = records([first, *cases], readings, PROMISED)
    assert "heading_row" not in [p.code for p in found.problems]
    assert any(p.where.row == 2 for p in found.problems)


def test_what_stood_there_is_not_told_as_it_may_be_a_name():
    cases, readings = clean()
    line = dict.fromkeys(cases[0], "?!") | {"case_id": "Erika Example"}
    (problem,) = records([line, *cases], readings, PROMISED).problems
    assert problem.code == "heading_row"
    assert problem.value is None
    assert "Erika" not in str(problem)


def written(folder, above):
    """Both tables as CSV, with lines above the headings of the cases."""
    for name, rows in zip(("cases", "cold_tests"), clean(), strict=True):
        columns = list(dict.fromkeys(column for row in rows for column in row))
        lines = [columns, *([row.get(c) for c in columns] for row in rows)]
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            if name == "cases":
                file.write("".join(f"{line}{',' * (len(columns) - 1) if pad else ''}\n" for line, pad in above))
            csv.writer(file).writerows(lines)


@pytest.mark.parametrize("above", [[("My study", True)], [("My study", True), ("", True)]])
def test_headings_below_a_title_are_found_and_said(tmp_path, above):
    written(tmp_path, above)
    with pytest.raises(RecordsError, match=f"headings stand in row {len(above) + 1}: take out what stands above"):
        read_records(tmp_path, PROMISED)


def test_a_title_without_separators_is_no_question_of_quotation_marks(tmp_path):
    written(tmp_path, [("My study", False)])
    with pytest.raises(RecordsError, match="headings have to stand in row 1") as refused:
        read_records(tmp_path, PROMISED)
    assert "quotation" not in str(refused.value)


@pytest.mark.parametrize("above", ["sep=;", "Buffering audit, exported 1 October", "Our cases, 2026; all of them"])
def test_a_line_above_the_headings_is_named_and_not_the_rows_below(tmp_path, above):
    for name, rows in zip(("cases", "cold_tests"), clean(), strict=True):
        columns = list(dict.fromkeys(column for row in rows for column in row))
        with (tmp_path / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            file.write(f"{above}\n" if name == "cases" else "")
            lines = [[str(row.get(c) or "").replace(".", ",") for c in columns] for row in rows]
            csv.writer(file, delimiter=";").writerows([columns, *lines])
    with pytest.raises(RecordsError) as refused:
        read_records(tmp_path, PROMISED)
    (problem,) = refused.value.problems
    assert (problem.where.file, problem.where.row) == ("cases.csv", 1)
    assert "take out what stands above row 2" in problem.mend


def test_lines_that_are_no_records_are_not_counted_as_cases():
    cases, readings = tables(SECOND["the same"])
    found = records(cases, readings, PROMISED)
    assert (read(found, "cases"), read(found, "cold_tests")) == (found.rows_read - 1, found.readings_read - 1)
    for row in cases[1:]:
        row["tooth"] = "99"
    with pytest.raises(RecordsError, match=f"none of {len(clean()[0])} cases can be used"):
        records(cases, readings, PROMISED)


def test_a_table_of_such_lines_alone_has_no_case():
    """Nobody is asked whether no case at all is of another protocol."""
    line = dict.fromkeys(clean()[0][0]) | {"case_id": "Total", "volume_ml": "7.2"}
    with pytest.raises(RecordsError) as refused:
        records([line], clean()[1], PROMISED)
    told = [str(p) for p in refused.value.problems if p.code == "nothing_left"]
    assert told == ["cases.csv: there is no case in this table. Enter one row for every injection."]


def test_nor_are_they_by_the_command(tmp_path):
    written(tmp_path, [])
    with (tmp_path / "cases.csv").open("a", encoding="utf-8") as file:
        file.write("Total,4\n")
    protocol_file = PROTOCOLS / "mandibular_block_group.toml"
    shown = CliRunner().invoke(onsetstudy, ["check", str(protocol_file), str(tmp_path), "--without-list", NO_LIST])
    assert "this line sums up the others" in shown.output
    assert "Cases: 4 read, 4 accepted, 0 refused." in shown.output
    assert (shown.exit_code, shown.output.splitlines()[-1]) == (0, "Nothing has to be corrected.")
    assert "Lines that are no records, with reasons: " in shown.output
    (line,) = csv.DictReader(next(tmp_path.glob("*-rejects.csv")).read_text(encoding="utf-8").splitlines())
    assert (line["case_id"], line["code"]) == ("Total", "totals_row")


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ({"patient_id": "Summe", "volume_ml": "7.2"}, "totals_row"),
        ({"case_date": "Mean buffered", "pain_deposition": "22"}, "totals_row"),
        ({"case_id": "Average (n = 4)", "arm": "plain", "volume_ml": "1.8"}, "totals_row"),
        ({"patient_id": "n", "volume_ml": "4"}, "totals_row"),
        (dict.fromkeys(clean()[0][0], "4") | {"case_id": " Total "}, "totals_row"),
        ({"case_id": "P01-0009", "notes": "Total"}, "missing"),
        ({"clinician_id": "SD", "volume_ml": "1.8"}, "missing"),
        ({"notes": "Total loss of the crown", "volume_ml": "1.8"}, "missing"),
    ],
)
def test_a_line_is_of_sums_where_no_code_of_a_case_stands(line, code):
    cases, readings = clean()
    found = records([*cases, line], readings, PROMISED)
    assert list(found.rejects["code"]) == [code]
    assert refused_by_practice(found, PROMISED) == ({} if code == "totals_row" else {"": 1})


def wide(line):
    head = ["case_id", "patient_id", "case_date", "arm", "tooth", "target 1", "target 2", "target 3", "target 4"]
    top = [["wide_sheet"], ["practice_id", "P01"], ["clinician_id", "P01-A"], ["allocation", "randomised"],
           ["technique", "ianb"], ["agent", "lidocaine"], ["volume_ml", "1.8"]]  # fmt: skip
    cases = [[f"P01-000{n}", f"P01-K{n}", "2025-10-06", "plain", "36", "1", "1", "0", "0"] for n in (1, 2)]
    return [*top, head, [line.get(column, "") for column in head], *cases]


TESTS = ("target 1", "target 2", "target 3", "target 4")


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (dict.fromkeys(TESTS, "felt / not felt") | {"case_date": "date"}, "heading_row"),
        ({name: name.capitalize() for name in ("case_id", "arm", "tooth", *TESTS)}, "heading_row"),
        (dict.fromkeys(TESTS, "2") | {"case_id": "Total"}, "totals_row"),
        (dict.fromkeys(TESTS, "1") | {"case_id": "Sum:"}, "totals_row"),
        (dict.fromkeys(TESTS, "1") | {"patient_id": "Total"}, "totals_row"),
    ],
)
def test_such_a_line_in_a_wide_sheet_is_told_once_and_gives_no_tests(tmp_path, line, code):
    path = tmp_path / "wide.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(wide(line))
    found = read_records(path, PROMISED)
    assert [(p.code, p.where.row) for p in found.problems] == [(code, 9)]
    assert len(found.cases) == 2
    assert len(found.readings) == 8


def test_a_case_of_a_wide_sheet_with_unreadable_tests_is_refused_with_them(tmp_path):
    path = tmp_path / "wide.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(wide(dict.fromkeys(TESTS, "perhaps") | {"case_id": "P01-0003"}))
    with pytest.raises(RecordsError, match="perhaps is not felt"):
        read_records(path, PROMISED)


def test_a_whole_case_under_a_word_for_a_sum_is_a_case():
    cases, readings = clean()
    for row in (*cases, *readings):
        if row["case_id"] == "P01-0001":
            row["case_id"] = "Suma"
    assert "totals_row" not in list(records(cases, readings, PROMISED).rejects["code"])


def test_averages_below_the_cold_tests_are_no_tests():
    cases, readings = clean()
    average = {"tooth_role": "Average", "response": "4.2"}
    found = records(cases, [*readings, average, {"response": "n"}], PROMISED)
    assert list(found.rejects["code"]) == ["totals_row", "missing"]
    assert len(found.readings) == len(readings)


def test_a_heading_in_two_lines_is_read(tmp_path):
    written(tmp_path, [])
    table = tmp_path / "cases.csv"
    text = (
        table.read_text(encoding="utf-8").replace("case_id,", '"Case\nID",', 1).replace("volume_ml", '"Volume\nml"', 1)
    )
    table.write_text(text.replace(",", ";"), encoding="utf-8")
    assert len(read_records(tmp_path, PROMISED).cases) == 4


def test_tables_are_as_they_are_raw():
    """The lines stand in the tables that were read, so that the flow adds up to every row."""
    cases, readings = tables(UNITS.get)
    assert len(raw(cases, "cases").frame) == len(clean()[0]) + 1
    assert records(cases, readings, PROMISED).rows_read == len(clean()[0]) + 1
