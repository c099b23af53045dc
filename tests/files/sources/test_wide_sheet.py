"""A wide sheet, one row a case, holds what the two tables hold."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import RecordsError
from onsetstudy.files.documents.workbook import write_wide_template
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records, read_tables
from onsetstudy.protocol.check import check_protocol
from onsetstudy.protocol.guided.content import answers_from, guided_content
from onsetstudy.records.checks.wide_sheet import EXTRA, MARK, wide_columns
from onsetstudy.records.validity.completeness import missing_fields

ROOT = Path(__file__).parents[3]
DEMOS = {"audit": (ROOT / "data/synthetic/audit", "infiltration_audit"),
         "group": (ROOT / "data/synthetic", "mandibular_block_group")}  # fmt: skip
TODAY = dt.date(2026, 12, 31)


def protocol_of(name):
    return read_protocol(ROOT / "protocols" / f"{DEMOS[name][1]}.toml")


def save(path, lines, delimiter=","):
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, delimiter=delimiter).writerows(lines)
    return path


def fold_wide(cases, cold_tests, protocol):
    """Rows of a wide sheet from the two tables: a head of what all cases share, and each test at its nearest minute."""
    body = cases.frame.astype("string").fillna("").reset_index(drop=True)
    shared = [str(c) for c in body if c != "case_id" and len(body) and body[c].nunique() == 1 and body[c].iloc[0]]
    planned = [float(m) for m in protocol.schedule.tests_min]
    cells = {}
    tests = cold_tests.frame.astype("string").fillna("")
    kinds = tests["test_kind"] if "test_kind" in tests else pd.Series("", index=tests.index)
    for code, minute, role, response, kind in zip(
        tests["case_id"], tests["minute"], tests["tooth_role"], tests["response"], kinds, strict=True
    ):
        if kind == "extra":
            cells.setdefault((code, f"extra_{role}"), []).append(f"{response} @ {minute}")
            continue
        at = float(minute)
        near = min(planned, key=lambda m: abs(m - at))
        text = response if at == near else f"{response} @ {minute}"
        cells.setdefault((code, f"{role} {near:g}"), []).append(text)
    roles = [r for r in ("target", "control") if any(h.startswith(r) for _, h in cells)]
    headings = [f"{role} {m:g}" for m in planned for role in roles]
    headings += [h for h in EXTRA if any(k == h for _, k in cells)]
    own = [str(c) for c in body if c not in shared]
    lines = [
        [MARK, "1 = felt, 0 = not felt, empty = not done"],
        *([c, str(body[c].iloc[0])] for c in shared),
    ]
    lines.append([*own, *headings])
    for row in body[own].itertuples(index=False):
        code = row[own.index("case_id")]
        lines.append([*map(str, row), *(" | ".join(cells.get((code, h), [])) for h in headings)])
    return lines


def lines_of(name):
    return fold_wide(*read_tables(DEMOS[name][0]), protocol_of(name))


@pytest.mark.parametrize("name", DEMOS)
@pytest.mark.parametrize("delimiter", [",", ";"])
def test_two_tables_to_wide_and_back(tmp_path, name, delimiter):
    lines = lines_of(name)
    if delimiter == ";":  # As a program of a country with decimal commas saves it.
        at = next(i for i, line in enumerate(lines) if line[0] == "case_id")
        comma = lambda text: text.replace(".", ",")  # noqa: E731
        lines = [*lines[:at], [comma(h) for h in lines[at]], *([comma(v) for v in line] for line in lines[at + 1 :])]
        width = max(map(len, lines))
        lines = [line + [""] * (width - len(line)) for line in lines]
    ours = read_records(save(tmp_path / "wide.csv", lines, delimiter), protocol_of(name), today=TODAY)
    theirs = read_records(DEMOS[name][0], protocol_of(name), today=TODAY)
    for frame in ("cases", "readings"):
        got, wanted = (getattr(r, frame).drop(columns="source_row") for r in (ours, theirs))
        pd.testing.assert_frame_equal(got, wanted)
    assert ours.digest == theirs.digest


def test_one_and_zero_say_felt_and_not_felt(tmp_path):
    words = lines_of("audit")
    digits = [[v.replace("not_felt", "0").replace("felt", "1") if j > 0 and i > 0 else v for j, v in enumerate(line)]
              for i, line in enumerate(words)]  # fmt: skip
    at = next(i for i, line in enumerate(words) if line[0] == "case_id")
    column = words[at].index("baseline_response") if "baseline_response" in words[at] else None
    for line, told in zip(digits[at + 1 :], words[at + 1 :], strict=True):
        if column is not None:
            line[column] = told[column]
    for line, told in zip(digits[:at], words[:at], strict=True):
        line[:] = told
    one = read_records(save(tmp_path / "a.csv", words), protocol_of("audit"), today=TODAY)
    two = read_records(save(tmp_path / "b.csv", digits), protocol_of("audit"), today=TODAY)
    assert {"felt", "not_felt"} == set(two.readings["response"])
    assert one.digest == two.digest


def test_a_cell_that_cannot_be_read_and_a_case_against_the_head_are_told_with_their_places(tmp_path):
    lines = lines_of("audit")
    at = next(i for i, line in enumerate(lines) if line[0] == "case_id")
    lines.insert(1, ["tooth", "99"])
    test = next(j for j, h in enumerate(lines[at + 1]) if h.startswith("target"))
    lines[at + 2][test] = "perhaps"
    with pytest.raises(RecordsError) as told:
        read_records(save(tmp_path / "wide.csv", lines), protocol_of("audit"), today=TODAY)
    places = {(p.where.row, p.where.column, p.value) for p in told.value.problems}
    assert (at + 3, lines[at + 1][test].replace(" ", "_"), "perhaps") in places
    assert any(row == at + 3 and column == "tooth" for row, column, _ in places)


def test_an_extra_test_and_one_that_was_not_done(tmp_path):
    lines = lines_of("audit")
    at = next(i for i, line in enumerate(lines) if line[0] == "case_id")
    lines[at].append("extra_target")
    for line in lines[at + 1 :]:
        line.append("")
    lines[at + 1][-1] = "felt @ 0.2"
    test = next(j for j, h in enumerate(lines[at]) if h.startswith("target"))
    lines[at + 2][test] = "not done"
    records = read_records(save(tmp_path / "wide.csv", lines), protocol_of("audit"), today=TODAY)
    extra = records.readings[records.readings["test_kind"] == "extra"]
    assert list(extra["minute"]) == [0.2]
    whole = read_records(DEMOS["audit"][0], protocol_of("audit"), today=TODAY)
    assert len(records.readings) == len(whole.readings)


@pytest.mark.parametrize("ending", ["xlsx", "csv"])
def test_the_template_is_read_once_it_is_filled_in(tmp_path, ending):
    protocol = protocol_of("audit")
    path = write_wide_template(tmp_path / f"wide.{ending}", protocol)
    shared = {"practice_id": "P06", "clinician_id": "P06-A", "allocation": "clinician_choice", "agent": "lidocaine",
              "technique": "buccal_infiltration", "buffered: volume_ml": "1,98", "buffered: mix_mode": "add",
              "buffered: bicarbonate_ml": "0,18", "plain: volume_ml": "1,8", "agent_percent": "2",
              "cartridge_ml": "1.8", "vasoconstrictor": "none"}  # fmt: skip
    cases = [{"case_id": "P06-1", "patient_id": "P06-K7Q2", "case_date": "2026-02-03", "arm": "plain", "tooth": "12"},
             {"case_id": "P06-2", "patient_id": "P06-K7Q3", "case_date": "2026-02-04", "arm": "buffered",
              "tooth": "12"}]  # fmt: skip
    minutes = [f"target {m:g}" for m in protocol.schedule.tests_min]
    for case in cases:
        case |= {minutes[0]: "1", minutes[1]: "0", minutes[2]: "0"}
        case |= {m.replace("target", "control"): "1" for m in minutes[:3]}
    fill(path, shared, cases)
    records = read_records(path, protocol, today=TODAY)
    volumes = dict(zip(records.cases["arm"], records.cases["volume_ml"], strict=True))
    assert volumes == {"plain": 1.8, "buffered": 1.98}
    target = records.readings[records.readings["tooth_role"] == "target"]
    assert list(target["response"]) == ["felt", "not_felt", "not_felt"] * 2
    assert list(target["minute"][:3]) == list(protocol.schedule.tests_min[:3])


def fill(path, shared, cases):
    """Fill a template in as its user would."""
    if path.suffix == ".csv":
        with path.open(encoding="utf-8", newline="") as file:
            lines = list(csv.reader(file))
    else:
        book = openpyxl.load_workbook(path)
        lines = [["" if v is None else v for v in row] for row in book["wide"].iter_rows(values_only=True)]
    at = next(i for i, line in enumerate(lines) if line[0] == "case_id")
    lines = [[line[0], shared.get(line[0], line[1])] for line in lines[:at]] + [lines[at]]
    lines += [[case.get(h, "") for h in lines[at]] for case in cases]
    if path.suffix == ".csv":
        save(path, lines)
        return
    for row, line in enumerate(lines, start=1):
        for column, value in enumerate(line, start=1):
            book["wide"].cell(row, column, value or None)
    book.save(path)


def guided(**more):
    """A protocol as the guided set-up writes it."""
    told = {"practice": "P06", "technique": "buccal_infiltration", "mix_mode": "add", "pain_scale": "nrs11"} | more
    content = guided_content(answers_from(told, first_quarter="2026Q1"))
    return check_protocol(content, file="protocol.toml")


def headings_of(protocol):
    return [h for h in wide_columns(protocol) if not h.startswith(("target ", "control "))]


@pytest.mark.parametrize("scale", ["nrs11", "none"])
def test_a_sheet_that_is_filled_in_dutifully_lacks_nothing_that_the_protocol_promised(tmp_path, scale):
    protocol = guided(pain_scale=scale)
    path = write_wide_template(tmp_path / "wide.csv", protocol)
    shared = {"clinician_id": "P06-A", "buffered: volume_ml": "1.98", "buffered: bicarbonate_ml": "0.18",
              "buffered: mix_mode": "add", "plain: volume_ml": "1.8", "agent_percent": "2", "cartridge_ml": "1.8",
              "vasoconstrictor": "none"}  # fmt: skip
    answers = {"procedure": "filling", "tooth": "12", "control_tooth": "22", "baseline_response": "1",
               "pain_deposition": "3", "treatment_start_min": "9", "adverse_event": "none",
               "case_date": "2026-02-03"}  # fmt: skip
    minutes = [f"target {m:g}" for m in protocol.schedule.tests_min]
    tests = {m: "0" if i else "1" for i, m in enumerate(minutes)}
    tests |= {m.replace("target", "control"): "1" for m in minutes}
    cases = [{**answers, **tests, "arm": arm, "case_id": f"P06-{i}", "patient_id": f"P06-K{i}"}
             for i, arm in enumerate(("plain", "buffered"), 1)]  # fmt: skip
    fill(path, shared, cases)
    records = read_records(path, protocol, today=TODAY)
    assert set(records.cases["baseline_response"]) == {"felt"}
    missing = {field.column for field in missing_fields(records, protocol)}
    # What differs from person to person may be recorded under its heading; nothing that was promised is wanting.
    assert missing <= {"weight_kg", "age_band", "pain_treatment", "test_kind"}


def test_the_sheet_asks_what_its_protocol_needs_and_stays_short():
    audit, block = guided(), guided(technique="ianb", control_tooth="no")
    assert {"pain_deposition", "baseline_response", "control_tooth"} <= set(headings_of(audit))
    assert "pain_insertion" not in headings_of(audit)
    assert len(headings_of(audit)) <= 14
    assert ("lip_numb" in headings_of(block), "lip_numb" in headings_of(audit)) == (True, False)
    assert "control_tooth" not in headings_of(block)
    assert not any(h.startswith("control") for h in wide_columns(block))
    assert not any(h.startswith("pain") for h in headings_of(guided(pain_scale="none")))
    assert not any(h.startswith("guess") for h in headings_of(audit))
    group = headings_of(protocol_of("group"))
    assert {"lip_numb", "guess_patient", "guess_assessor", "pain_deposition", "baseline_response"} <= set(group)
    assert "guess_operator" not in group  # who knows what was mixed is not asked what it was


def test_a_baseline_that_was_not_done_is_not_recorded(tmp_path):
    lines = lines_of("audit")
    at = next(i for i, line in enumerate(lines) if line[0] == "case_id")
    column = lines[at].index("baseline_response")
    for line, told in zip(lines[at + 1 :], ("0", "not_done", "1"), strict=False):
        line[column] = told
    records = read_records(save(tmp_path / "wide.csv", lines), protocol_of("audit"), today=TODAY)
    assert list(records.cases["baseline_response"].fillna("")[:3]) == ["not_felt", "", "felt"]


def test_cells_of_the_head_that_nobody_filled_in_are_named_each(tmp_path):
    protocol = protocol_of("audit")
    path = write_wide_template(tmp_path / "wide.csv", protocol)
    lines = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    rows = {line[0]: number for number, line in enumerate(lines, start=1)}
    fill(path, {}, [{"case_id": "P01-1", "patient_id": "P01-K1", "arm": "plain", "case_date": "2026-02-03"}])
    with pytest.raises(RecordsError) as error:
        read_records(path, protocol, today=TODAY)
    told = {problem.where.column: problem for problem in error.value.problems}
    assert {problem.code for problem in told.values()} == {"missing_column"}
    assert {"clinician_id", "volume_ml"} <= set(told)
    assert str(told["clinician_id"]) == (
        f"wide.csv, row {rows['clinician_id']}, column clinician_id: clinician_id is not filled in, neither in the "
        f"head nor in a column. Write it into cell B{rows['clinician_id']} of the head, or give it to every case in a "
        "column: code of the operator."
    )
    of_arms = f"cell B{rows['plain: volume_ml']} and cell B{rows['buffered: volume_ml']}"
    assert f"{of_arms} of the head" in told["volume_ml"].mend
    # Where the head has no such row, the row of headings is the place.
    lines = [line for line in lines if line[0] != "clinician_id"]
    with pytest.raises(RecordsError, match=rf"row {len(lines)}, column clinician_id: the column clinician_id"):
        read_records(save(path, lines), protocol, today=TODAY)


HEAD = {"practice_id": "P06", "clinician_id": "P06-A", "allocation": "clinician_choice", "agent": "lidocaine",
        "technique": "buccal_infiltration", "plain: volume_ml": "1.8", "plain: mix_mode": "none",
        "plain: bicarbonate_ml": "", "buffered: volume_ml": "1.98", "buffered: mix_mode": "add",
        "buffered: bicarbonate_ml": "0.18"}  # fmt: skip
CASES = [{"case_id": f"P06-{i}", "patient_id": f"P06-K{i}", "case_date": "2026-02-03", "arm": arm, "tooth": "12",
          "target 1": "1", "target 2": "1", "target 3": "0", "target 4": "0"}
         for i, arm in enumerate(("plain", "buffered", "plain", "buffered"), 1)]  # fmt: skip


def small(path, head=None, cases=CASES):
    """A wide sheet of four cases; the first line of the head is row 2, and the headings stand below it."""
    head = HEAD | (head or {})
    headings = list(dict.fromkeys(h for case in cases for h in case))
    lines = [[MARK, ""], *([*line] for line in head.items()), headings]
    return save(path, [*lines, *([case.get(h, "") for h in headings] for case in cases)])


def problems_of(path):
    """Everything that is told, whether anything is accepted or not."""
    try:
        return read_records(path, protocol_of("audit"), today=TODAY).problems
    except RecordsError as error:
        return error.problems


ROW = {key: row for row, key in enumerate(HEAD, 2)}


@pytest.mark.parametrize(
    "empty",
    [
        ("buffered: volume_ml", "buffered: mix_mode", "buffered: bicarbonate_ml"),
        ("buffered: bicarbonate_ml",),
        ("plain: volume_ml",),
    ],
)
def test_a_cell_of_the_head_that_is_empty_for_one_arm_is_named_and_no_row_of_a_case(tmp_path, empty):
    found = problems_of(small(tmp_path / "wide.csv", dict.fromkeys(empty, "")))
    assert [p.where.row for p in found] == [ROW[key] for key in empty]
    for key, problem in zip(empty, found, strict=True):
        assert problem.what.startswith(f"{key} is not filled in")
        assert f"cell B{ROW[key]} of the head" in problem.mend


@pytest.mark.parametrize(
    ("lines", "what"),
    [
        ([["plain: volume_ml", "1.7"]], f"cell B{ROW['plain: volume_ml']} of the head tells volume_ml"),
        ([["technique", "palatal_infiltration"]], f"cell B{ROW['technique']} of the head tells technique"),
        ([["Buffered: technique", "ianb"]], f"cell B{ROW['technique']} of the head tells technique"),
        ([["purple: volume_ml", "9"]], "purple is not an arm"),
    ],
)
def test_a_head_that_contradicts_itself_is_refused_with_its_cell(tmp_path, lines, what):
    path = small(tmp_path / "wide.csv")
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    (problem,) = problems_of(save(path, [*rows[: len(HEAD) + 1], *lines, *rows[len(HEAD) + 1 :]]))
    assert what in problem.what
    assert (problem.where.row, problem.where.column, problem.value) == (len(HEAD) + 2, *lines[0])
    assert "out" in problem.mend


def test_a_case_against_what_the_head_says_of_its_arm_is_refused(tmp_path):
    cases = [case | {"volume_ml": "1.98"} for case in CASES]
    found = problems_of(small(tmp_path / "wide.csv", cases=cases))
    assert {p.what for p in found} == {
        f"1.98, but row {ROW['plain: volume_ml']} of the head says 1.8 for all not buffered cases"
    }
    assert len(found) == 2


def test_a_formula_without_a_stored_result_is_no_test_that_was_not_done(tmp_path):
    book = openpyxl.Workbook()
    rows = list(csv.reader(small(tmp_path / "wide.csv").read_text(encoding="utf-8").splitlines()))
    for row in rows:
        book.active.append(row)
    book.active.cell(len(rows), rows[-5].index("target 3") + 1).value = "=0+0"
    book.save(tmp_path / "wide.xlsx")
    (problem,) = problems_of(tmp_path / "wide.xlsx")
    assert (problem.what, problem.where.row) == ("a formula without a stored result", len(rows))


def test_a_row_without_a_code_takes_no_other_with_it(tmp_path):
    path = small(tmp_path / "wide.csv")
    path.write_text(path.read_text(encoding="utf-8").replace("P06-2,", ",", 1), encoding="utf-8")
    found = read_records(path, protocol_of("audit"), today=TODAY)
    assert found.cases["case_id"].tolist() == ["P06-1", "P06-3", "P06-4"]


def test_a_quotation_mark_that_is_not_closed_takes_no_case_for_its_text(tmp_path):
    path = small(tmp_path / "wide.csv")
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([*lines[:-1], f'"{lines[-1]}']), encoding="utf-8")
    (problem,) = problems_of(path)
    assert problem.where.row == len(lines)
    assert "a quotation mark in this row is not closed" in problem.what


def test_a_dilution_of_no_vasoconstrictor_is_asked_about(tmp_path):
    path = small(tmp_path / "wide.csv", {"vasoconstrictor": "none", "vasoconstrictor_dilution": "100000"})
    found = read_records(path, protocol_of("audit"), today=TODAY)
    assert [q.what for q in found.queries if q.code == "vasoconstrictor"] == [
        "a dilution of 1:100000, but vasoconstrictor is none"
    ]


def test_what_an_arm_without_cases_would_need_is_not_asked_for(tmp_path):
    empty = ("buffered: volume_ml", "buffered: mix_mode", "buffered: bicarbonate_ml")
    plain = [case for case in CASES if case["arm"] == "plain"]
    assert not problems_of(small(tmp_path / "wide.csv", dict.fromkeys(empty, ""), plain))


def test_what_is_wrong_in_the_head_is_told_once_with_its_place_there(tmp_path):
    found = problems_of(small(tmp_path / "wide.csv", {"plain: mix_mode": "add", "plain: bicarbonate_ml": "0.18"}))
    told = {p.where.column: p for p in found}
    assert len(told) == len(found) == 2
    assert told["plain: mix_mode"].where.row == ROW["plain: mix_mode"]
    assert "a not buffered case mixed by add" in told["plain: mix_mode"].what
    assert told["plain: bicarbonate_ml"].where.row == ROW["plain: bicarbonate_ml"]


@pytest.mark.parametrize(
    ("heading", "meant"),
    [("2 min", "target 2"), ("2.5 min", "target 2.5"), ("2,5", "target 2,5"), ("target2", "target 2"),
     ("control2", "control 2"), ("minute 2", "target 2")],
)  # fmt: skip
def test_a_minute_in_a_heading_is_taken_for_a_test_that_is_written_otherwise(tmp_path, heading, meant):
    cases = [{heading if h == "target 2" else h: v for h, v in case.items()} for case in CASES]
    (problem,) = problems_of(small(tmp_path / "wide.csv", cases=cases))
    assert problem.where.row == len(HEAD) + 2
    assert problem.mend == f"did you mean {meant}?"


def test_a_heading_that_nobody_knows_is_told_in_the_row_of_headings(tmp_path):
    (problem,) = problems_of(small(tmp_path / "wide.csv", cases=[case | {"surname": "x"} for case in CASES]))
    assert (problem.code, problem.where.row) == ("unknown_column", len(HEAD) + 2)


@pytest.mark.parametrize("word", ["-", "N/A", "n.a.", "not done"])
def test_a_word_for_nothing_in_the_cell_of_a_test_is_a_test_that_was_not_done(tmp_path, word):
    without = [CASES[0] | {"target 2": ""}, *CASES[1:]]
    made = [read_records(small(tmp_path / f"{i}.csv", cases=cases), protocol_of("audit"), today=TODAY)
            for i, cases in enumerate((without, [CASES[0] | {"target 2": word}, *CASES[1:]]))]  # fmt: skip
    assert made[0].digest == made[1].digest


def test_tests_are_told_by_the_cells_in_which_they_stand(tmp_path):
    cases = [CASES[0] | {"target 2": "1|0"}, CASES[1] | {"target 3": "felt @ 14:05"}, CASES[2] | {"target 2": "1 @ 9"},
             CASES[3]]  # fmt: skip
    records = read_records(small(tmp_path / "wide.csv", cases=cases), protocol_of("audit"), today=TODAY)
    first = len(HEAD) + 3
    tests = [p for p in records.problems if p.code != "reading_refused"]
    assert [(p.code, p.where.row, p.where.column) for p in tests] == [
        ("contradiction", first, "target_2"),
        ("clock_or_minutes", first + 1, "target_3"),
    ]
    (query,) = [q for q in records.queries if q.code == "order"]
    assert (query.where.row, query.where.column) == (first + 2, "target_3")
    of_cases = [p.what for p in records.problems if p.code == "reading_refused"]
    assert "2 cold tests of this case were refused, the first in column target_2" in of_cases[0]
    assert "(column target_3)" in of_cases[1]
    assert "of the cold tests" not in " ".join(of_cases)


@pytest.mark.parametrize("title", ["Sheet1", "cases"])
def test_a_workbook_is_a_wide_sheet_by_its_first_cell(tmp_path, title):
    lines = list(csv.reader(small(tmp_path / "wide.csv").read_text(encoding="utf-8").splitlines()))
    book = openpyxl.Workbook()
    book.active.title = title
    for line in lines:
        book.active.append([value or None for value in line])
    book.save(tmp_path / "wide.xlsx")
    made = [read_records(tmp_path / f"wide.{kind}", protocol_of("audit"), today=TODAY) for kind in ("csv", "xlsx")]
    assert made[0].digest == made[1].digest


@pytest.mark.parametrize("name", ["own.csv", "own.xlsx"])
def test_one_table_alone_is_told_how_a_wide_sheet_is_marked(tmp_path, name):
    book = openpyxl.Workbook()
    book.active.append(list(CASES[0]))
    book.save(tmp_path / "own.xlsx")
    save(tmp_path / "own.csv", [list(CASES[0])])
    assert all(MARK in p.mend and "template PROTOCOL --wide" in p.mend for p in problems_of(tmp_path / name))
    shown = CliRunner().invoke(onsetstudy, ["check", "--help"])
    assert MARK in shown.output
