"""Open tables and the earlier two give the same records for the same facts; contradictions are refused."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from onsetstudy.core.errors import RecordsError
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.derived.flow import case_flow
from onsetstudy.records.validity.completeness import missing_fields
from onsetstudy.report.sections.main.allocation import flow as flow_table

ROOT = Path(__file__).parents[3]
AUDIT = ROOT / "data" / "synthetic" / "audit"
PROTOCOL = read_protocol(ROOT / "protocols" / "infiltration_audit.toml")
TODAY = dt.date(2026, 12, 31)
SOLUTION = ["agent", "agent_percent", "vasoconstrictor", "vasoconstrictor_dilution", "volume_ml", "mix_mode",
            "bicarbonate_ml", "bicarbonate_percent"]  # fmt: skip
EARLIER = read_records(AUDIT, PROTOCOL, today=TODAY)


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


OLD = ("rescue_min", "rescue_technique")


def split(folder):
    """The demo audit as open tables: facts stand in one place each."""
    cases = rows_of(AUDIT / "cases.csv")
    injections, events, screening = [], [], []
    for row in cases:
        code = row["case_id"]
        injections.append({"case_id": code, "number": "1", "role": "planned", "technique": row["technique"],
                           "minute": ""}
                          | {name: row.pop(name) for name in SOLUTION})  # fmt: skip
        minute, technique = row.pop("rescue_min"), row.pop("rescue_technique")
        if minute:
            injections.append(dict.fromkeys(injections[0], "") | {"case_id": code, "number": "2",
                              "role": "supplemental", "technique": technique, "volume_ml": "0.9",
                              "minute": minute})  # fmt: skip
        if kind := row.pop("adverse_event"):
            events.append({"case_id": code, "number": "1", "kind": kind, "serious": "no"})
        row["operator"] = row.pop("clinician_id")
        row["pulpal_diagnosis"] = row.pop("pulp_status")
        screening.append({"screening_id": f"S{len(screening)}", "practice_id": row["practice_id"], "reason": "",
                          "date": row["case_date"], "outcome": "included", "case_id": code})  # fmt: skip
    tests = [{"planned_min": row["minute"], "method": "cold_spray"} | row for row in rows_of(AUDIT / "cold_tests.csv")]
    tables = {"cases": cases, "cold_tests": tests, "injections": injections, "adverse_events": events,
              "screening": screening}  # fmt: skip
    return tables


def write(folder, tables):
    folder.mkdir(exist_ok=True)
    for name, rows in tables.items():
        pd.DataFrame(rows).to_csv(folder / f"{name}.csv", index=False)
    return folder


def read(folder, tables):
    return read_records(write(folder, tables), PROTOCOL, today=TODAY)


def refused(folder, tables):
    with pytest.raises(RecordsError) as told:
        read(folder, tables)
    return told.value.problems


def test_both_roads_give_the_same_records(tmp_path):
    ours = read(tmp_path / "open", split(tmp_path))
    # Facts that only the open tables of this test have.
    without = ["adverse_serious", "source_row", *(c for c in EARLIER.cases if c.startswith("rescue_") and c not in OLD)]
    pd.testing.assert_frame_equal(ours.cases.drop(columns=without), EARLIER.cases.drop(columns=without))
    pd.testing.assert_frame_equal(
        ours.readings.drop(columns=["test_kind", "source_row"]),
        EARLIER.readings.drop(columns=["test_kind", "source_row"]),
    )
    assert set(ours.readings["test_kind"]) == {"planned"}
    assert EARLIER.cases["rescue_min"].notna().sum() > 0


def test_open_tables_beside_a_workbook_are_read_with_it(tmp_path):
    tables = split(tmp_path)
    expected = read(tmp_path / "open", tables)
    with pd.ExcelWriter(tmp_path / "open" / "records.xlsx") as book:
        for name in ("cases", "cold_tests"):
            (tmp_path / "open" / f"{name}.csv").unlink()
            pd.DataFrame(tables[name]).to_excel(book, sheet_name=name, index=False)
    found = read_records(tmp_path / "open", PROTOCOL, today=TODAY)
    assert found.digest == expected.digest
    pd.testing.assert_frame_equal(found.open_tables.adverse_events, expected.open_tables.adverse_events)


def test_a_supplement_at_another_minute_is_refused_with_its_place(tmp_path):
    tables = split(tmp_path)
    at = next(i for i, row in enumerate(tables["injections"]) if row["role"] == "supplemental")
    code = tables["injections"][at]["case_id"]
    for row in tables["cases"]:
        row["rescue_min"] = "3.25" if row["case_id"] == code else ""
    others = {r["case_id"] for r in tables["injections"] if r["role"] == "supplemental"}
    (problem,) = refused(tmp_path / "open", tables)
    assert (problem.where.file, problem.where.row, problem.where.column) == ("injections.csv", at + 2, "minute")
    assert "3.25" in problem.what
    assert problem.mend
    assert code in others


def test_a_second_planned_injection_adds_its_volume_and_the_first_supplement_counts(tmp_path):
    tables = split(tmp_path)
    first = tables["injections"][0]
    case = first["case_id"]
    second = first | {"number": "9", "technique": "ianb", "volume_ml": "0,5"}
    late = first | {"number": "8", "role": "supplemental", "technique": "intraosseous", "minute": "99"}
    tables["injections"] += [second, late]
    row = read(tmp_path / "open", tables).cases.set_index("case_id").loc[case]
    before = EARLIER.cases.set_index("case_id").loc[case]
    assert row["volume_ml"] == pytest.approx(before["volume_ml"] + 0.5)
    assert row["technique"] == before["technique"]
    assert row["rescue_min"] == pytest.approx(min(99, before["rescue_min"]))


def test_supplements_of_one_solution_add_up_and_those_of_two_are_kept_apart(tmp_path):
    tables = split(tmp_path)
    for row in tables["cases"]:
        row.pop("rescue_volume_ml", None)
    first = next(row for row in tables["injections"] if row["role"] == "supplemental")
    case = first["case_id"]
    second = first | {"number": "9", "volume_ml": "0.45"}
    tables["injections"].append(second)
    records = read(tmp_path / "open", tables)
    row = records.cases.set_index("case_id").loc[case]
    assert row["rescue_volume_ml"] == pytest.approx(float(first["volume_ml"]) + 0.45)
    assert not [q for q in records.queries if q.code == "supplement_dose"]
    tables["injections"][-1] = second | {"agent": "mepivacaine"}
    records = read(tmp_path / "two", tables)
    assert pd.isna(records.cases.set_index("case_id").loc[case]["rescue_volume_ml"])
    (query,) = [q for q in records.queries if q.code == "supplement_dose"]
    assert query.what.startswith("a supplement without its volume or strength")
    assert (query.where.file, query.where.row) == ("injections.csv", len(tables["injections"]) + 1)
    tables["injections"][-1] |= {"agent_percent": "3", "vasoconstrictor": "None"}
    records = read(tmp_path / "told", tables)
    assert not [q for q in records.queries if q.code == "supplement_dose"]
    kept = records.open_tables.supplements
    assert kept["case_id"].tolist() == [case, case]
    assert kept["rescue_volume_ml"].tolist() == [float(first["volume_ml"]), 0.45]
    assert kept.iloc[1][["rescue_agent", "rescue_percent", "rescue_vasoconstrictor"]].tolist() == [
        "mepivacaine",
        3,
        "none",
    ]
    assert "rescue_volume_ml" not in [m.column for m in missing_fields(only(records, case), PROTOCOL)]
    tables["injections"][-1]["volume_ml"] = "0"
    records = read(tmp_path / "untold", tables)
    assert [q.where.row for q in records.queries if q.code == "supplement_dose"] == [len(tables["injections"]) + 1]
    assert "rescue_volume_ml" in [m.column for m in missing_fields(only(records, case), PROTOCOL)]


def only(records, case):
    return dataclasses.replace(records, cases=records.cases[records.cases["case_id"] == case].reset_index(drop=True))


@pytest.mark.parametrize(
    ("column", "value"),
    [("agent_percent", "40"), ("agent_percent", "two"), ("vasoconstrictor", "adrenalin"),
     ("vasoconstrictor_dilution", "0"), ("volume_ml", "45")],
)  # fmt: skip
def test_a_supplement_of_a_further_solution_is_held_to_the_dictionary_too(tmp_path, column, value):
    tables = split(tmp_path)
    first = next(row for row in tables["injections"] if row["role"] == "supplemental")
    tables["injections"].append(first | {"number": "9", "agent": "mepivacaine", column: value})
    (problem,) = refused(tmp_path / "open", tables)
    assert (problem.where.row, problem.where.column, problem.value) == (len(tables["injections"]) + 1, column, value)


@pytest.mark.parametrize("agent", [{}, {"agent": "mepivacaine"}])
@pytest.mark.parametrize("volume", ["abc", "-1"])
def test_a_volume_of_a_supplement_that_is_none_is_told_once(tmp_path, agent, volume):
    tables = split(tmp_path)
    first = next(row for row in tables["injections"] if row["role"] == "supplemental")
    tables["injections"].append(first | {"number": "9", "volume_ml": volume} | agent)
    (problem,) = refused(tmp_path / "open", tables)
    assert problem.what == f"{volume} is not a number of 0 or more"


def test_planned_injections_of_two_solutions_are_refused(tmp_path):
    tables = split(tmp_path)
    tables["injections"].append(tables["injections"][0] | {"number": "7", "agent": "articaine"})
    (problem,) = refused(tmp_path / "open", tables)
    assert (problem.where.column, problem.value) == ("agent", "articaine")


def test_a_serious_event_is_not_lost_behind_another(tmp_path):
    tables = split(tmp_path)
    case = tables["cases"][0]["case_id"]
    tables["adverse_events"] = [
        {"case_id": case, "number": "1", "kind": "haematoma", "serious": "no"},
        {"case_id": case, "number": "2", "kind": "syncope", "serious": "yes"},
    ]
    ours = read(tmp_path / "open", tables)
    row = ours.cases.set_index("case_id").loc[case]
    assert (row["adverse_event"], row["adverse_serious"]) == ("syncope", "yes")
    assert len(ours.open_tables.adverse_events) == 2
    tables["cases"][0]["adverse_event"] = "none"
    (problem,) = refused(tmp_path / "open", tables)
    assert (problem.where.file, problem.where.row, problem.where.column) == ("adverse_events.csv", 3, "kind")


@pytest.mark.parametrize("order", [1, -1])
def test_a_case_may_name_any_of_its_events_in_whichever_order_they_were_entered(tmp_path, order):
    tables = split(tmp_path)
    case = tables["cases"][0]["case_id"]
    told = [("haematoma", "no"), ("syncope", "yes")][::order]
    tables["adverse_events"] = [
        {"case_id": case, "number": str(i), "kind": kind, "serious": serious} for i, (kind, serious) in enumerate(told)
    ]
    tables["cases"][0]["adverse_event"] = "haematoma"
    row = read(tmp_path / "open", tables).cases.set_index("case_id").loc[case]
    assert (row["adverse_event"], row["adverse_serious"]) == ("haematoma", "yes")


def test_a_test_that_was_not_done_is_none_and_one_off_schedule_is_extra(tmp_path):
    tables = split(tmp_path)
    tables["cold_tests"][0]["response"] = "not_done"
    tables["cold_tests"][1]["planned_min"] = ""
    ours = read(tmp_path / "open", tables)
    assert len(ours.readings) == len(EARLIER.readings) - 1
    assert (ours.readings["test_kind"] == "extra").sum() == 1


@pytest.mark.parametrize(
    ("change", "column"),
    [
        ({"outcome": "declined"}, "case_id"),
        ({"outcome": "not_eligible", "case_id": ""}, "reason"),
        ({"outcome": "perhaps"}, "outcome"),
        ({"case_id": "P06-9999"}, "case_id"),
    ],
)
def test_screening_that_contradicts_the_cases_is_refused(tmp_path, change, column):
    tables = split(tmp_path)
    tables["screening"][3] |= change
    problems = refused(tmp_path / "open", tables)
    assert any(p.where.file == "screening.csv" and p.where.row == 5 and p.where.column == column for p in problems)


def test_the_same_number_twice_and_an_injection_of_nobody_are_told_together(tmp_path):
    tables = split(tmp_path)
    tables["injections"] += [tables["injections"][0], tables["injections"][0] | {"case_id": "P06-9999"}]
    told = {(p.code, p.where.row) for p in refused(tmp_path / "open", tables)}
    last = len(tables["injections"]) + 1
    assert {("duplicate", last - 1), ("no_case", last)} <= told


def test_a_column_that_nobody_knows_is_refused_because_it_may_name_somebody(tmp_path):
    tables = split(tmp_path)
    tables["screening"] = [row | {"surname": "x"} for row in tables["screening"]]
    (problem,) = refused(tmp_path / "open", tables)
    assert (problem.where.file, problem.where.column) == ("screening.csv", "surname")


def test_the_report_shows_who_was_assessed_and_why_some_were_not_included(tmp_path):
    tables = split(tmp_path)
    blank = {"practice_id": "P06", "date": "2026-02-01", "case_id": "", "reason": ""}
    tables["screening"] += [
        blank | {"screening_id": "X1", "outcome": "not_eligible", "reason": "allergy"},
        blank | {"screening_id": "X2", "outcome": "not_eligible", "reason": "allergy"},
        blank | {"screening_id": "X3", "outcome": "declined"},
    ]
    records = read(tmp_path / "open", tables)
    flow = case_flow(records, PROTOCOL, through=PROTOCOL.quarters[-1])
    assessed, included = flow.screening
    assert (assessed.count, included.count) == (len(tables["cases"]) + 3, len(tables["cases"]))
    assert {(r.code, r.count) for r in included.lost} == {("not_eligible", 2), ("declined", 1)}
    assert assessed.count - sum(r.count for r in included.lost) == included.count == flow.stages[0].count
    steps = flow_table(SimpleNamespace(flow=flow, protocol=PROTOCOL)).steps
    assert steps[0].label.startswith("assessed")
    assert any("allergy" in text for _, text in steps[1].lost)
    assert case_flow(EARLIER, PROTOCOL, through=PROTOCOL.quarters[-1]).screening == ()


def test_a_reason_in_free_words_is_refused_because_it_is_printed(tmp_path):
    tables = split(tmp_path)
    tables["screening"].append({"screening_id": "X1", "practice_id": "P06", "date": "2026-02-01",
                                "outcome": "not_eligible", "reason": "as the aunt told", "case_id": ""})  # fmt: skip
    assert [p.where.column for p in refused(tmp_path / "open", tables)] == ["reason"]


@pytest.mark.parametrize("given", [list, tuple])
def test_open_tables_of_the_one_folder_in_a_list_are_read_too(tmp_path, given):
    """As commands give it, which take several paths."""
    folder = write(tmp_path / "open", split(tmp_path))
    ours, alone = (read_records(what, PROTOCOL, today=TODAY) for what in (given([folder]), folder))
    pd.testing.assert_frame_equal(ours.cases, alone.cases)
    pd.testing.assert_frame_equal(ours.open_tables.screening, alone.open_tables.screening)


def test_a_supplement_at_minute_0_is_refused_where_it_stands(tmp_path):
    tables = split(tmp_path)
    at = next(i for i, row in enumerate(tables["injections"]) if row["role"] == "supplemental")
    tables["injections"][at]["minute"] = "0"
    (problem,) = refused(tmp_path / "open", tables)
    assert (problem.where.file, problem.where.row, problem.where.column) == ("injections.csv", at + 2, "minute")
    assert "0.5" in problem.mend


def test_cases_that_were_never_screened_are_told_once(tmp_path):
    tables = split(tmp_path)
    gone = [tables["screening"].pop() for _ in range(5)][::-1]
    (told,) = refused(tmp_path / "open", tables)
    assert told.what == f"the cases {gone[0]['case_id']} and 4 others were never screened"
    assert told.where.row is None
