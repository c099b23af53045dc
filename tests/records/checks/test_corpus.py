"""Records as they arrive: what cannot be read is refused with a message to act on, and nothing is lost."""

from __future__ import annotations

import datetime as dt
from functools import cache
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import OnsetStudyError, RecordsError
from onsetstudy.files.output import write_escaped
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.checks.check import check_records
from onsetstudy.records.schema import CASES, COLD_TESTS
from onsetstudy.study.practice.analyse import analyse
from tests.examples import examples
from tests.study.cases import PROTOCOLS, case, protocol, raw, readings_of, records

PROMISED = protocol()
FULL = {
    "procedure": "filling",
    "pulp_status": "normal",
    "agent_percent": "2",
    "vasoconstrictor": "epinephrine",
    "vasoconstrictor_dilution": "100000",
    "cartridge_ml": "1.8",
    "bicarbonate_percent": "8.4",
    "mixed_to_injection_min": "1",
    "topical": "none",
    "baseline_response": "felt",
    "injection_start": "14:02",
    "injection_end": "14:04",
    "treatment_start_min": "6",
    "observation_end_min": "15",
    "pain_insertion": "20",
    "pain_deposition": "30",
    "anxiety_before": "11",
    "anxiety_after": "9",
    "seated_time": "13:55",
    "treatment_end_time": "14:40",
    "dismissed_time": "14:45",
    "age_band": "40-59",
    "weight_kg": "70",
    "adverse_event": "none",
}


def clean(n: int = 4):
    cases = [case(i, "buffered" if i % 2 else "plain", **FULL) for i in range(1, n + 1)]
    readings = [row for i in range(1, n + 1) for row in readings_of(i, "ffnn")]
    return cases, readings


def accounted(found) -> None:
    """Accepted and refused rows add up to the rows read, in both tables."""
    tables = found.rejects["table"].value_counts() if len(found.rejects) else {}
    assert len(found.cases) + tables.get("cases", 0) == found.rows_read
    assert len(found.readings) + tables.get("cold_tests", 0) == found.readings_read


def test_the_clean_tables_are_accepted_whole():
    found = records(*clean(), PROMISED)
    assert (len(found.cases), len(found.readings)) == (4, 32)
    assert not found.problems
    assert not found.queries
    accounted(found)


CELLS = [
    ("case_id", "", "missing", "case_id is empty"),
    ("case_id", "P01-0002", "duplicate", "the case code P01-0002 stands in more than one row. Give every case its own"),
    ("case_id", "Mr Brown", "names_a_person", "looks like a name"),
    ("practice_id", "", "missing", "practice_id is empty. Fill it in: code of the practice"),
    ("clinician_id", "Dr. A. Jones", "names_a_person", "Use a random code and keep the key at the practice"),
    ("patient_id", "", "missing", "patient_id is empty"),
    ("patient_id", "Anna Example", "names_a_person", "looks like a name, an address or a number of a person"),
    ("patient_id", "anna@example.org", "names_a_person", "looks like a name"),
    ("patient_id", "+44 20 7946 0958", "names_a_person", "looks like a name"),
    ("case_date", "", "missing", "case_date is empty. Fill it in: day of the injection"),
    ("case_date", "03/04/2026", "ambiguous_date", "day and month may be mistaken for each other"),
    ("case_date", "2026-02-30", "not_a_date", "there is no such day; write year, month and day, such as 2026-04-03"),
    ("case_date", "last Tuesday", "not_a_date", "Write year, month and day, such as 2026-04-03"),
    ("case_date", "2019-05-06", "outside_study", "lies outside the study's quarters 2025Q4 to 2026Q3"),
    ("case_date", "2026-09-29", "future_date", "the date 2026-09-29 lies in the future. Correct the date"),
    ("arm", "", "missing", "arm is empty"),
    ("arm", "bufferd", "code", "did you mean buffered?"),
    ("arm", "1", "code", "Write one of plain, buffered"),
    ("allocation", "dice", "code", "randomised, clinician_choice"),
    ("procedure", "root canal treatment", "code", "did you mean root_canal?"),
    ("tooth", "99", "tooth", "Write the tooth in the two-digit notation (ISO 3950)"),
    ("tooth", "3", "tooth", "3 is a tooth in the universal system"),
    ("tooth", "lower left six", "tooth", "cannot be read"),
    ("technique", "block", "code", "Write one of buccal_infiltration"),
    ("pulp_status", "dead", "code", "is not a known code"),
    ("agent", "", "missing", "agent is empty"),
    ("agent", "lidocain", "code", "did you mean lidocaine?"),
    ("agent_percent", "0.02", "percent", "0.02 looks like a fraction of one. Write per cent: 2"),
    ("agent_percent", "20", "range", "20 is outside 0.25 to 5 %"),
    ("vasoconstrictor", "adrenaline?", "code", "none, epinephrine"),
    ("vasoconstrictor_dilution", "2:100000", "not_a_number", "Write one number in n of 1:n"),
    ("vasoconstrictor_dilution", "1:a lot", "not_a_number", "such as 100000"),
    ("vasoconstrictor_dilution", "1:100.000", "range", "is outside 20000 to 400000"),
    ("case_date", "05 May 26", "not_a_date", "Write year, month and day"),
    ("case_date", "0026-08-03", "outside_study", "-08-03 lies outside the study's quarters"),
    ("case_date", "2926-08-03", "future_date", "the date 2926-08-03 lies in the future"),
    ("case_date", "31 June 2026", "not_a_date", "there is no such day"),
    ("cartridge_ml", "18", "range", "18 is outside 1 to 2.5 mL"),
    ("volume_ml", "", "missing", "volume_ml is empty"),
    ("volume_ml", "21", "range", "21 is outside 0.05 to 20 mL"),
    ("volume_ml", "-1.8", "range", "-1.8 is outside 0.05 to 20 mL"),
    ("volume_ml", "1.800,5", "ambiguous_number", 'the number "1.800,5" cannot be read. Points and commas may mean two'),
    ("volume_ml", "one", "not_a_number", "Write one number in mL, with a point for decimals"),
    ("volume_ml", "inf", "not_a_number", "Write one number"),
    ("volume_ml", "1_8", "not_a_number", "Write one number"),
    ("mix_mode", "none", "mixing", "a buffered case that was not mixed"),
    ("mix_mode", "shaken", "code", "none, add, replace"),
    ("bicarbonate_ml", "", "mixing", "a buffered case without bicarbonate"),
    ("bicarbonate_ml", "0", "mixing", "a buffered case without bicarbonate"),
    ("bicarbonate_ml", "18", "range", "18 is outside 0 to 1 mL"),
    ("bicarbonate_percent", "0.084", "percent", "Write per cent: 8.4"),
    ("mixed_to_injection_min", "soon", "not_a_time", "Write minutes and seconds as 4:30, or minutes as 4.5"),
    ("topical", "spray", "code", "none, benzocaine"),
    ("baseline_response", "yes", "code", "Write one of felt, not_felt"),
    ("injection_start", "25:10", "not_a_clock_time", "Write hours and minutes of the day, such as 14:05"),
    ("injection_end", "13:00", "times", "the injection ends before it starts"),
    ("rescue_min", "14:20:00", "not_a_time", "is a time of day. Write minutes after the end of injection"),
    ("rescue_technique", "intraligamentary", "missing", "a supplemental injection without its minute"),
    ("treatment_start_min", "4;30", "not_a_time", 'the time "4;30" cannot be read'),
    ("observation_end_min", "400", "range", "400 is outside 0 to 180 min"),
    ("pain_insertion", "130", "range", "130 is outside 0 to 100 on the protocol's scale"),
    ("pain_deposition", "none", "not_a_number", "cannot be read"),
    ("anxiety_before", "3", "range", "3 is outside 5 to 25 on the protocol's scale"),
    ("seated_time", "14:30", "times", "injection_start lies before seated_time"),
    ("dismissed_time", "14:10", "times", "dismissed_time lies before treatment_end_time"),
    ("age_band", "43", "code", "4-11, 12-17, 18-39, 40-59"),
    ("weight_kg", "7", "range", "7 is outside 10 to 300 kg"),
    ("adverse_event", "fainted", "code", "haematoma, paraesthesia"),
    ("adverse_serious", "maybe", "code", "Write one of yes, no"),
    ("period", "0", "code", "Write one of 1, 2, 3, 4"),
    ("mixing_min", "90", "range", "90 is outside 0 to 60 min"),
    ("topical_min", "-1", "range", "-1 is outside 0 to 60 min"),
    ("lip_numb", "numb", "code", "Write one of yes, no"),
    ("wait_used", "coffee", "code", "Write one of yes, no"),
    ("guess_patient", "b", "code", "Write one of plain, buffered, unsure"),
    ("score_missing_reason", "forgot", "code", "Write one of not_asked, declined"),
]  # fmt: skip


WHOLE = 4


@pytest.fixture(scope="module")
def faulty():
    """Four whole cases, and behind them one for each faulty cell."""
    cases, readings = clean(WHOLE + len(CELLS))
    for number, (column, written, *_) in enumerate(CELLS, start=WHOLE):
        cases[number] = case(number + 1, "buffered", **FULL) | {column: written or None}
    return records(cases, readings, PROMISED, today=dt.date(2026, 9, 1))


@pytest.mark.parametrize("number", range(len(CELLS)), ids=[f"{c[0]}-{c[1]}-{c[2]}" for c in CELLS])
def test_a_faulty_cell_refuses_its_case_and_says_why(faulty, number):
    column, written, code, words = CELLS[number]
    line = 2 + WHOLE + number
    problem = next(p for p in faulty.problems if p.code == code and p.where.row == line)
    assert problem.where.file == "cases.csv"
    assert words.lower() in str(problem).lower(), str(problem)
    row = faulty.rejects[(faulty.rejects["table"] == "cases") & (faulty.rejects["source_row"] == line)].iloc[0]
    kept = row[column]
    assert (kept is None or kept != kept) if not written else kept == written
    assert row["reasons"]


def test_faulty_cells_refuse_no_other_case(faulty):
    accounted(faulty)
    # The second has the code of a faulty one.
    assert faulty.cases["case_id"].tolist() == ["P01-0001", "P01-0003", "P01-0004"]


def test_a_faulty_cell_alone_is_told_as_among_others():
    cases, readings = clean()
    cases[0]["volume_ml"] = "21"
    found = records(cases, readings, PROMISED)
    (told,) = [p for p in found.problems if p.where.column]
    assert (told.code, told.where.file, told.where.row) == ("range", "cases.csv", 2)
    accounted(found)
    assert found.cases["case_id"].tolist() == ["P01-0002", "P01-0003", "P01-0004"]


@pytest.mark.parametrize(
    ("known", "words"),
    [
        (("14:00", "", "", "", "13:50"), "dismissed_time lies before seated_time"),
        (("", "14:00", "14:05", "", "13:50"), "dismissed_time lies before injection_start"),
        (("14:10", "", "14:15", "14:02", ""), "treatment_end_time lies before seated_time"),
        (("23:50", "23:58", "00:01", "", "00:40"), ""),
    ],
)
def test_a_time_is_held_against_the_last_one_known_before_it(known, words):
    cases, readings = clean()
    times = ("seated_time", "injection_start", "injection_end", "treatment_end_time", "dismissed_time")
    cases[0] |= {name: text or None for name, text in zip(times, known, strict=True)}
    found = records(cases, readings, PROMISED)
    assert [p.what for p in found.problems] == ([words] if words else [])


@pytest.mark.parametrize(
    ("column", "written", "words"),
    [
        ("vasoconstrictor_dilution", "100.000",
         "100.000 (read as 100) is outside 20000 to 400000 n of 1:n. If 100000 is meant, write 100000,"),
        ("vasoconstrictor_dilution", "80,0", "80,0 (read as 80) is outside 20000 to 400000 n of 1:n. Enter a value"),
        ("vasoconstrictor_dilution", "9.000", "9.000 (read as 9) is outside 20000 to 400000 n of 1:n. Enter a value"),
        ("weight_kg", "7,5", "7,5 (read as 7.5) is outside 10 to 300 kg. Enter a value"),
        ("weight_kg", "7.5", "7.5 is outside 10 to 300 kg. Enter a value"),
    ],
)  # fmt: skip
def test_a_number_with_a_sign_in_it_is_told_as_it_was_read_and_as_it_is_written(column, written, words):
    cases, readings = clean()
    cases[0][column] = written
    assert any(words in str(p) for p in records(cases, readings, PROMISED).problems)


def test_a_minute_that_cannot_be_read_is_not_missing_as_well():
    cases, readings = clean()
    cases[0] |= {"rescue_min": "x!", "rescue_technique": "intraligamentary"}
    found = records(cases, readings, PROMISED)
    assert [p.code for p in found.problems if p.where.column == "rescue_min"] == ["not_a_time"]


TESTS = [
    ("minute", "", "missing", "minute is empty"),
    ("minute", "4;30", "not_a_time", "Write minutes and seconds as 4:30, or minutes as 4.5"),
    ("minute", "-2", "range", "-2 is outside 0 to 180 min"),
    ("minute", "1:75", "not_a_time", "cannot be read"),
    ("minute", "16", "after_end", "minute 16 lies after the end of observation at 15 min"),
    ("minute", "13:00:00", "clock_without_zero", "it is not within three hours after the injection"),
    ("tooth_role", "neighbour", "code", "Write one of target, control"),
    ("response", "numb", "code", "Write one of felt, not_felt"),
    ("response", "0", "code", "is not a known code"),
    ("response", "", "missing", "response is empty"),
    ("case_id", "P09-0001", "no_case", "there is no case P09-0001. Enter the case in the table cases"),
    ("case_id", "", "missing", "case_id is empty"),
]  # fmt: skip


@pytest.mark.parametrize(("column", "written", "code", "words"), TESTS)
def test_a_faulty_cold_test_is_refused_with_its_case(column, written, code, words):
    cases, readings = clean()
    readings[0][column] = written or None
    found = records(cases, readings, PROMISED)
    problem = next(p for p in found.problems if p.code == code)
    assert (problem.where.file, problem.where.row, problem.where.column) == ("cold_tests.csv", 2, column)
    assert words.lower() in str(problem).lower(), str(problem)
    accounted(found)
    if column != "case_id":
        assert "P01-0001" not in set(found.cases["case_id"])
        told = [str(p) for p in found.problems if p.code == "reading_refused"]
        assert "a cold test of this case was refused (row 2 of the cold tests)" in told[0]


def test_several_refused_tests_of_a_case_are_counted_and_all_have_to_be_corrected():
    cases, readings = clean()
    for reading in readings[2:5]:
        reading["response"] = "numb"
    (problem,) = [p for p in records(cases, readings, PROMISED).problems if p.code == "reading_refused"]
    assert "3 cold tests of this case were refused, the first in row 4 of the cold tests" in problem.what
    assert "correct them" in problem.mend


@pytest.mark.parametrize("minute", ["14:09:00", "09:30"])
def test_a_time_of_a_test_without_a_case_is_no_question_of_the_injection(minute):
    cases, readings = clean()
    strange = [row | {"case_id": "P01-0099", "minute": minute} for row in readings[:2]]
    found = records(cases, [*readings, *strange], PROMISED)
    assert [p.code for p in found.problems] == ["no_case"]
    assert len(found.rejects) == 2


@pytest.mark.parametrize("written", ["165", "16:49:00", "165:00"])
def test_an_unusual_minute_is_asked_about_however_it_is_written(written):
    """The injection ended at 14:04."""
    cases, readings = clean()
    cases[0]["observation_end_min"] = None
    readings.insert(8, readings[7] | {"minute": written})
    found = records(cases, readings, PROMISED)
    assert not found.problems
    (query,) = [q for q in found.queries if q.code == "unusual"]
    assert "165 min is unusual. Usual is 0.25 to 60 min" in str(query)
    assert (query.where.row, query.value) == (10, written)


def test_readings_that_contradict_each_other():
    cases, readings = clean()
    readings.append({**readings[0], "response": "not_felt"})
    found = records(cases, readings, PROMISED)
    assert "at minute 1 this tooth was both felt and not felt. Keep the reading that is right." in str(
        found.problems[1]
    )
    accounted(found)


def test_a_reading_entered_twice():
    cases, readings = clean()
    readings.append(dict(readings[0]))
    found = records(cases, readings, PROMISED)
    assert any("the reading at minute 1 stands there twice. Keep one of them." in str(p) for p in found.problems)
    accounted(found)


def test_a_case_without_cold_tests():
    cases, readings = clean()
    found = records([*cases, case(9)], readings, PROMISED)
    assert "this case has no cold test. Enter its cold tests; if there were none, let the row stand" in str(
        found.problems[0]
    )
    assert found.problems[0].where.row == 6
    accounted(found)


def test_minutes_that_look_like_seconds():
    cases, readings = clean()
    for reading in readings[:8]:
        reading["minute"] = str(60 * int(reading["minute"]))
    cases[0]["observation_end_min"] = None
    found = records(cases, readings, PROMISED)
    told = " ".join(str(p) for p in found.problems)
    assert "minute 60: all minutes of this case look like seconds. Enter minutes: 1." in told
    accounted(found)


def test_a_plain_case_with_bicarbonate():
    cases, readings = clean()
    cases[1].update(bicarbonate_ml="0.18", mix_mode="add")
    found = records(cases, readings, PROMISED)
    assert "a not buffered case with 0.18 mL of bicarbonate. Correct the arm, or take the volume out." in str(
        found.problems[0]
    )
    assert "a not buffered case mixed by add" in str(found.problems[1])


def test_a_whole_study_of_scores_in_centimetres():
    cases, readings = clean(6)
    for row in cases:
        row.update(pain_insertion="2.1", pain_deposition="3.4")
    with pytest.raises(RecordsError, match="no score of the whole table is above 10 on a scale to 100 mm: centimetres"):
        records(cases, readings, PROMISED)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"volume_ml": "7.2"}, "7.2 mL is unusual. Usual is up to 5.4 mL"),
        ({"volume_ml": "18"}, "18 mL is more than 6 cartridges of 1.8 mL hold. Is it right, and in mL? The case stays"),
        ({"cartridge_ml": "2.0"}, "a cartridge of 2.0 mL is unusual"),
        ({"mixed_to_injection_min": "25"}, "25 min is unusual. Usual is up to 10 min"),
        ({"bicarbonate_ml": "0.9"}, "0.9 mL of bicarbonate is outside 1:20 to 1:8 of the cartridge"),
        ({"tooth": "16"}, "ianb does not belong to the arch of this tooth"),
        ({"weight_kg": "154"}, "154 kg: is it in pounds?"),
        ({"injection_end": "14:30"}, "an injection of more than 15 minutes"),
        ({"tooth": "75"}, "a primary tooth (75) in an adult"),
        ({"mixing_min": "12"}, "12 min is unusual. Usual is up to 10 min"),
        (
            {"arm": "plain", "mix_mode": "none", "bicarbonate_ml": None, "mixing_min": "1"},
            "1 min of mixing, but not buffered",
        ),
        ({"topical_min": "2"}, "2 min of topical anaesthetic, but topical is none"),
        ({"notes": "Mrs Example rang back"}, "this remark may hold a name, an address or a number of a person"),
        ({"notes": "call 0151 496 0000"}, "this remark may hold a name"),
        ({"allocation": "alternating"}, "alternating is not how the protocol says that arms come about (randomised)"),
        ({"adverse_serious": "yes"}, "a serious event, but adverse_event names none"),
        (
            {f"pain_{m}": "5" for m in ("insertion", "placement", "deposition", "treatment")}
            | {"score_missing_reason": "declined"},
            "a reason (declined) for a missing pain score, but none is missing",
        ),
    ],
)
def test_what_is_unusual_is_kept_and_listed(change, words):
    cases, readings = clean()
    cases[0].update(change)
    found = records(cases, readings, PROMISED)
    assert len(found.cases) == 4
    assert any(words in str(q) for q in found.queries), [str(q) for q in found.queries]


def test_two_injections_of_a_patient_have_two_numbers():
    cases, readings = clean()
    for row in cases[:2]:
        row.update({"patient_id": cases[0]["patient_id"], "period": "1"})
    found = records(cases, readings, PROMISED)
    told = [q for q in found.queries if q.code == "period"]
    assert [q.where.row for q in told] == [2, 3]
    assert "two cases of this patient have period 1" in str(told[0])
    # Codes of patients are a practice's own.
    cases[1]["practice_id"] = "P02"
    assert "period" not in [q.code for q in records(cases, readings, PROMISED).queries]


REPAIRS = [
    ("vasoconstrictor_dilution", "100\u00a0000", 100_000.0, "thousands_apart"),
    ("adverse_serious", "TRUE", "yes", "true_or_false"),
    ("wait_used", "false", "no", "true_or_false"),
    ("volume_ml", "1,8", 1.8, "decimal_comma"),
    ("volume_ml", "1.8 mL", 1.8, "unit_written"),
    ("volume_ml", " 1.80 ", 1.8, None),
    ("arm", "Buffered", "buffered", "spelling"),
    ("technique", "IANB", "ianb", "spelling"),
    ("pulp_status", "Reversible pulpitis", "reversible_pulpitis", "spelling"),
    ("tooth", "36.0", "36", "tooth_spelling"),
    ("tooth", "#36", "36", "tooth_spelling"),
    ("case_date", "46237", pd.Timestamp("2026-08-03"), "excel_date"),
    ("case_date", "03.08.2026", pd.Timestamp("2026-08-03"), "dotted_date"),
    ("case_date", "23/08/2026", pd.Timestamp("2026-08-23"), "slashed_date"),
    ("case_date", "2026/08/03", pd.Timestamp("2026-08-03"), "year_first"),
    ("case_date", "2026-08-03 00:00:00", pd.Timestamp("2026-08-03"), None),
    ("injection_end", "2:04 pm", 844.0, None),
    ("injection_end", "14:04:30", 844.5, None),
    ("injection_end", "0.5861111111", 844.0, "excel_time"),
    ("treatment_start_min", "6:30", 6.5, None),
    ("treatment_start_min", "6,5", 6.5, "decimal_comma"),
    ("treatment_start_min", "2,133", 2.133, "decimal_comma"),
    ("treatment_start_min", "2,1333", 2.1333, "decimal_comma"),
    ("volume_ml", "1,800", 1.8, "decimal_comma"),
    ("pain_insertion", "12,125", 12.125, "decimal_comma"),
    ("vasoconstrictor_dilution", "100,000", 100_000.0, "thousands"),
    ("case_date", "2026-08-03 09:30", pd.Timestamp("2026-08-03"), "date_with_time"),
    ("case_date", "2026-08-03T09:30:15", pd.Timestamp("2026-08-03"), "date_with_time"),
    ("case_date", "03.08.2026 9:30", pd.Timestamp("2026-08-03"), "date_with_time"),
    ("case_date", "46237.395833", pd.Timestamp("2026-08-03"), "excel_date"),
    ("practice_id", "p01", "P01", "spelling"),
    ("vasoconstrictor_dilution", "1:100000", 100_000.0, "ratio_written"),
    ("vasoconstrictor_dilution", "1:100,000", 100_000.0, "thousands"),
    ("vasoconstrictor_dilution", "1:100 000", 100_000.0, "thousands_apart"),
    ("volume_ml", "1,8 ml", 1.8, "decimal_comma"),
    ("case_date", "05 May 2026", pd.Timestamp("2026-05-05"), "month_name"),
    ("case_date", "3-Aug-2026", pd.Timestamp("2026-08-03"), "month_name"),
]  # fmt: skip


def test_a_comma_that_may_stand_for_two_numbers_is_refused_with_what_was_typed():
    """Without a scale nothing says how large a score may be."""
    cases, readings = clean()
    cases[0].update(pain_insertion="2,133")
    found = records(cases, readings, protocol(pain=None))
    told = next(str(p) for p in found.problems if p.code == "ambiguous_number")
    assert 'the number "2,133" cannot be read. The comma may stand for decimals or for thousands' in told


def test_minutes_with_three_decimals_after_a_comma_are_those_with_a_point():
    cases, readings = clean()
    point = records(cases, [{**r, "minute": f"{r['minute']}.133"} for r in readings], PROMISED)
    comma = records(cases, [{**r, "minute": f"{r['minute']},133"} for r in readings], PROMISED)
    assert not comma.problems
    assert comma.readings["minute"].tolist() == point.readings["minute"].tolist()


def typed_as_times(readings, shown):
    return [{**r, "minute": shown(int(r["minute"]))} for r in readings]


@pytest.mark.parametrize("shown", [lambda m: f"{m:02d}:30:00", lambda m: f"00:{m:02d}:30"])
@pytest.mark.parametrize("zero", [None, "14:04"])
def test_minutes_that_a_spreadsheet_took_for_times_are_read_and_said(zero, shown):
    cases, readings = clean()
    for row in cases:
        row["injection_end"] = zero
    found = records(cases, typed_as_times(readings, shown), PROMISED)
    assert not found.problems
    assert found.readings["minute"].tolist() == records(cases, readings, PROMISED).readings["minute"].add(0.5).tolist()
    assert [(r.code, r.count) for r in found.repairs if r.column == "minute"] == [("minutes_as_time", len(readings))]


@pytest.mark.parametrize(
    ("zero", "shown"),
    [
        (None, lambda m: f"02:{5 + m:02d}:00"),  # five past two, six past two, …: times of day without pm
        ("14:04", lambda m: f"02:{5 + m:02d}:00"),  # the same, with an injection at 14:04
        ("14:04", lambda m: f"13:{m:02d}:00"),  # before the injection: an hour mistyped
        (None, lambda m: f"{8 + m:02d}:00:00"),  # nothing in the night: may be nine in the morning
        (None, lambda m: f"00:{20 + m:02d}:30"),  # beyond any test: twenty past midnight
        ("00:10", lambda m: f"23:{m:02d}:30"),  # before an injection at night
        (None, lambda m: f"04:{m:02d}:15"),  # seconds: 4:01 does not become 04:01:15
    ],
)
def test_times_that_may_be_times_of_day_are_not_read_as_minutes(zero, shown):
    cases, readings = clean()
    for row in cases:
        row["injection_end"] = zero
    with pytest.raises(RecordsError) as caught:
        records(cases, typed_as_times(readings, shown), PROMISED)
    told = next(str(p) for p in caught.value.problems if p.code == "clock_without_zero")
    assert "is a time of day and cannot be used: " in told
    assert "format the column as text and type it again" in told
    assert ("ive the injection_end of its case by the clock" in told) is (zero is None)


def test_a_practice_that_is_not_in_the_study_is_asked_about():
    cases, readings = clean()
    cases[0]["practice_id"], cases[1]["practice_id"] = "P1", "Quay"
    found = records(cases, readings, PROMISED)
    told = [str(q) for q in found.queries]
    assert told == [
        "cases.csv, row 2, column practice_id: P1 is not a practice of the study. Did you mean P01?",
        "cases.csv, row 3, column practice_id: Quay is not a practice of the study. Its practices are P01, P02, P03, "
        "P04, P05.",
    ]


def test_a_column_left_unread_is_named_and_a_report_does_not_name_it():
    cases, readings = clean()
    for row in cases:
        row["pain_depositon"] = row.pop("pain_deposition")
    found = records(cases, readings, PROMISED, drop_unknown=True)
    told = [str(q) for q in found.queries]
    assert told == [
        "cases.csv, row 1, column pain_depositon: this column was left unread. Did you mean pain_deposition? "
        "It is not read under this heading."
    ]
    quality = analyse(PROMISED, found, without_list="a study written for a test").data_quality
    assert [(n.code, n.count) for n in quality.queried] == [("unread_column", 1)]
    assert "depositon" not in quality.queried[0].text


def test_rejects_have_the_same_columns_whichever_table_was_refused():
    cases, readings = clean()
    tests_only = records(cases, [*readings, {**readings[0], "case_id": "P01-0077"}], PROMISED).rejects
    cases_only = records([*cases, case(9)], readings, PROMISED).rejects
    assert len(tests_only) == len(cases_only) == 1
    assert list(tests_only.columns) == list(cases_only.columns)
    assert {"practice_id", "minute"} <= set(tests_only.columns)


def test_where_no_case_can_be_used_the_protocol_is_asked_about_first():
    cases, readings = clean()
    for row in cases:
        row["case_date"] = "2019-05-06"
    with pytest.raises(RecordsError) as caught:
        records(cases, readings, PROMISED)
    first = "cases.csv: none of 4 cases can be used. Is this the protocol of these records? Otherwise correct the rows"
    assert str(caught.value).startswith(first)


def test_a_part_of_larger_records_may_hold_no_case():
    cases, readings = clean()
    empty = raw([], "cases.csv")
    empty = type(empty)(frame=pd.DataFrame(columns=list(cases[0])), source_row=empty.source_row, file="cases.csv")
    found = check_records(empty, raw(readings, "cold_tests.csv"), PROMISED, whole=False)
    assert (found.rows_read, len(found.cases), found.readings_read) == (0, 0, len(readings))
    cases[0]["tooth"] = "99"
    one = check_records(raw(cases[:1], "cases.csv"), raw(readings[:8], "cold_tests.csv"), PROMISED, whole=False)
    assert (one.rows_read, len(one.cases)) == (1, 0)


@cache
def repaired(turn):
    """Records in each of whose columns the first case has its so-many-th cell of the list, or a plain one."""
    cases, readings = clean()
    for column in {column for column, *_ in REPAIRS}:
        cells = [written for c, written, *_ in REPAIRS if c == column]
        if turn < len(cells):
            cases[0][column] = cells[turn]
    return records(cases, readings, PROMISED)


@pytest.mark.parametrize(("column", "written", "value", "code"), REPAIRS)
def test_what_can_be_read_without_doubt_is_read_and_said(column, written, value, code):
    found = repaired([cell for c, cell, *_ in REPAIRS if c == column].index(written))
    assert not found.problems
    got = found.cases.set_index("case_id").loc["P01-0001", column]
    assert got == pytest.approx(value) if isinstance(value, float) else got == value
    assert [r.code for r in found.repairs if r.column == column] == ([code] if code else [])


def test_a_workbook_that_counts_days_from_1904():
    cases, readings = clean()
    cases[0]["case_date"] = str(46237 - 1462)
    table = raw(cases, "cases.xlsx")
    table = type(table)(frame=table.frame, source_row=table.source_row, file=table.file, date_epoch="1904")
    found = check_records(table, raw(readings, "cases.xlsx"), PROMISED)
    assert found.cases["case_date"].iloc[0] == pd.Timestamp("2026-08-03")


def test_times_of_day_become_minutes_after_the_injection():
    cases, readings = clean()
    for reading, time in zip(readings[:8:2], ("14:05:00", "14:06:30", "14:07:00", "14:08:00"), strict=True):
        reading["minute"] = time
    found = records(cases, readings, PROMISED)
    target = found.readings[(found.readings["case_id"] == "P01-0001") & (found.readings["tooth_role"] == "target")]
    assert target["minute"].tolist() == pytest.approx([1, 2.5, 3, 4])
    assert any(r.code == "time_of_day" and r.count == 4 for r in found.repairs)


HEADINGS = [
    (
        lambda c, r: [row.update(patient_name="Anna") for row in c],
        "may name a patient",
        "take the column out, or leave it unread with --drop-unknown (in Python: drop_unknown=True)",
    ),
    (lambda c, r: [row.update(volum_ml="1") for row in c], "not in the data dictionary", "did you mean volume_ml?"),
    (lambda c, r: [row.pop("tooth") for row in c], "the column tooth is missing", "Add it: target tooth"),
    (lambda c, r: [row.pop("response") for row in r], "the column response is missing", "whether the cold was felt"),
    (lambda c, r: [row.pop("case_id") for row in r], "the column case_id is missing", "code of the case"),
]


@pytest.mark.parametrize(("change", "what", "mend"), HEADINGS)
def test_headings_that_cannot_be_used(change, what, mend):
    cases, readings = clean()
    change(cases, readings)
    with pytest.raises(RecordsError) as caught:
        records(cases, readings, PROMISED)
    assert what in str(caught.value)
    assert mend.lower() in str(caught.value).lower()


def test_unknown_columns_can_be_left_unread():
    cases, readings = clean()
    for row in cases:
        row["patient_name"] = "Anna"
    found = records(cases, readings, PROMISED, drop_unknown=True)
    assert "patient_name" not in found.cases
    assert len(found.cases) == 4


def test_strict_refuses_the_batch_for_one_row():
    cases, readings = clean()
    cases[0]["tooth"] = "99"
    with pytest.raises(RecordsError, match="row 2, column tooth"):
        records(cases, readings, PROMISED, strict=True)


def test_all_problems_of_all_tables_come_at_once():
    cases, readings = clean()
    cases[0]["tooth"], cases[1]["arm"], readings[-1]["response"] = "99", "x", "y"
    assert {p.code for p in records(cases, readings, PROMISED).problems} >= {"tooth", "code", "reading_refused"}


# Files ---------------------------------------------------------------------------------------------------------------


def as_csv(rows, sep=","):
    return pd.DataFrame(rows).to_csv(index=False, sep=sep)


def write(folder, cases):
    folder.mkdir(exist_ok=True)
    (folder / "cases.csv").write_bytes(cases if isinstance(cases, bytes) else cases.encode())
    (folder / "cold_tests.csv").write_text(as_csv(clean()[1]))
    return folder


FILES = {
    "empty file": (b"", "the file is empty. Enter the headings and the records"),
    "blank lines": (b"\n\n", "the file is empty"),
    "nul bytes": (b"case_id,arm\x00\n1,2", "the file is not text. Save it again as CSV (UTF-8)"),
    "a picture": (b"\x89PNG\r\n\x1a\n\x00\x00", "the file is not text"),
    "a workbook renamed": (b"PK\x03\x04rest", "this is a workbook, not a CSV file"),
    "headings only": (as_csv(clean()[0]).splitlines()[0].encode(), "there is no case in this table. Enter one row"),
    "ragged": ((as_csv(clean()[0]) + "a,b" + ",c" * 60).encode(), "cells in this row, but"),
    "an unclosed quotation mark": (
        as_csv(clean()[0]).replace("P01,", '"P01,', 1).encode(),
        "row 2: a quotation mark in",
    ),
    "one in the last row": ((as_csv(clean()[0]) + '"P01-0005').encode(), "row 6: a quotation mark in this row is not"),
    "one in the headings": (b'"' + as_csv(clean()[0]).encode() * 999, "row 1: a quotation mark in this row is not"),
    "rows between quotation marks": (
        as_csv([{**row, "notes": '"late' if n in (1, 3) else ""} for n, row in enumerate(clean()[0])])
        .replace('"""late"', '"late')
        .encode(),
        "row 3: a quotation mark in this row is not closed",
    ),
    "twice the heading": (as_csv(clean()[0]).replace("tooth", "arm", 1).encode(), "the heading arm stands 2 times"),
    "prose": (b"Dear colleague, here are my cases\n", "there is no heading of the data dictionary in row 1"),
}


@pytest.mark.parametrize("name", FILES)
def test_files_that_cannot_be_used(tmp_path, name):
    content, words = FILES[name]
    with pytest.raises(RecordsError) as caught:
        read_records(write(tmp_path / "r", content), PROMISED)
    assert words in str(caught.value)
    assert "cases.csv" in str(caught.value)


def test_tables_that_were_exchanged_are_told_in_one_line_each(tmp_path):
    (tmp_path / "cases.csv").write_text(as_csv(clean()[1]), encoding="utf-8")
    (tmp_path / "cold_tests.csv").write_text(as_csv(clean()[0]), encoding="utf-8")
    with pytest.raises(RecordsError) as caught:
        read_records(tmp_path, PROMISED)
    assert str(caught.value).splitlines() == [
        "cases.csv: these are the headings of the table cold_tests, where cases should stand. Exchange the two tables.",
        "cold_tests.csv: these are the headings of the table cases, where cold_tests should stand. "
        "Exchange the two tables.",
    ]


def test_headings_that_begin_one_row_too_low_are_told_in_one_line(tmp_path):
    table = as_csv(clean()[0])
    path = write(tmp_path / "r", ("," * table.splitlines()[0].count(",") + "\n" + table).encode())
    with pytest.raises(RecordsError) as caught:
        read_records(path, PROMISED)
    (line,) = str(caught.value).splitlines()
    assert line.startswith(
        "cases.csv: there is no heading of the data dictionary in row 1. The headings stand in row 2: take out"
    )


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("records.docx", "a file .docx is not read as records. Save it as .xlsx"),
        ("records.xls", "a file .xls is not read as records. Save it as .xlsx"),
    ],
)
def test_another_kind_of_file_is_named(tmp_path, name, words):
    (tmp_path / name).write_bytes(b"x")
    with pytest.raises(RecordsError) as caught:
        read_records(tmp_path / name, PROMISED)
    assert words in str(caught.value)


def test_the_missing_one_of_two_files_is_named(tmp_path):
    (tmp_path / "cases.csv").write_text(as_csv(clean()[0]), encoding="utf-8")
    with pytest.raises(RecordsError) as caught:
        read_records(tmp_path, PROMISED)
    assert "the folder has no cold_tests.csv. Put it there" in str(caught.value)


SPELLINGS = {
    "utf-8 mark": as_csv(clean()[0]).encode("utf-8-sig"),
    "semicolons": as_csv(clean()[0], sep=";").encode(),
    "tabs": as_csv(clean()[0], sep="\t").encode(),
    "utf-16": as_csv(clean()[0]).encode("utf-16"),
    "windows line ends": as_csv(clean()[0]).replace("\n", "\r\n").encode(),
    "latin-1 remarks": as_csv([{**row, "notes": "gef\u00fchlt"} for row in clean()[0]]).encode("latin-1"),
    "trailing blank rows": (as_csv(clean()[0]) + "," * 30 + "\n" + "\n\n").encode(),
    "spaces in headings": as_csv(clean()[0]).replace("case_id", " Case ID ", 1).encode(),
    "semicolons and decimal commas": as_csv(clean()[0], sep=";").replace("1.8", "1,8").replace("0.18", "0,18").encode(),
}


@pytest.mark.parametrize("name", SPELLINGS)
def test_other_ways_of_saving_a_table_are_read(tmp_path, name):
    found = read_records(write(tmp_path / "r", SPELLINGS[name]), PROMISED, today=dt.date(2026, 9, 1))
    assert len(found.cases) == 4
    assert not found.problems
    assert found.digest == in_order().digest


def test_a_table_that_another_program_holds_is_told(tmp_path, monkeypatch):
    folder, opened = write(tmp_path / "r", as_csv(clean()[0])), Path.open

    def held(path, *how, **options):
        if path.name == "cases.csv":
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, *how, **options)

    monkeypatch.setattr(Path, "open", held)
    with pytest.raises(RecordsError, match=r"cases.csv: it cannot be read \(Permission denied\). Close it"):
        read_records(folder, PROMISED)


def test_two_files_are_told_apart_by_their_names(tmp_path):
    paths = sorted(write(tmp_path / "r", as_csv(clean()[0])).iterdir())
    for cases, tests in (("test_cases", "test_cold_tests"), ("injections", "tests"), ("cases 2026", "Cold tests")):
        paths = [path.rename(path.with_stem(name)) for path, name in zip(paths, (cases, tests), strict=True)]
        for order in (paths, paths[::-1]):
            assert len(read_records(order, PROMISED).cases) == 4


def workbook(path, sheets):
    with pd.ExcelWriter(path, engine="openpyxl") as writer:
        for name, rows in sheets.items():
            pd.DataFrame(rows).to_excel(writer, sheet_name=name, index=False)
    return path


def test_a_workbook_reads_like_the_files(tmp_path):
    cases, readings = clean()
    typed = [
        {**row, "case_date": dt.date(2026, 8, 3), "volume_ml": 1.8, "injection_end": dt.time(14, 4)} for row in cases
    ]
    numbers = [{**row, "minute": float(row["minute"])} for row in readings]
    path = workbook(tmp_path / "r.xlsx", {"cases": typed, "cold_tests": numbers, "remarks": [{"a": 1}]})
    found = read_records(path, PROMISED, today=dt.date(2026, 9, 1))
    assert not found.problems
    assert found.digest == records(cases, readings, PROMISED).digest


def test_workbooks_that_cannot_be_used(tmp_path):
    cases, readings = clean()
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK\x03\x04 not really")
    with pytest.raises(
        RecordsError, match="the workbook cannot be read\\. Open it in your spreadsheet program, take a pass"
    ):
        read_records(broken, PROMISED)
    with pytest.raises(RecordsError, match="the workbook has no sheet cold_tests\\. Name the sheet cold_tests"):
        read_records(workbook(tmp_path / "one.xlsx", {"cases": cases}), PROMISED)
    with pytest.raises(RecordsError, match="sheet cold_tests: the sheet is empty"):
        read_records(workbook(tmp_path / "e.xlsx", {"cases": cases, "cold_tests": []}), PROMISED)
    cases[0]["tooth"] = "99"
    found = read_records(workbook(tmp_path / "t.xlsx", {"cases": cases, "cold_tests": readings}), PROMISED)
    assert str(found.problems[0]).startswith('t.xlsx, sheet cases, row 2, column tooth: the tooth "99" cannot be read.')


def test_paths_that_lead_nowhere(tmp_path):
    with pytest.raises(RecordsError, match="there is no file"):
        read_records(tmp_path / "gone.csv", PROMISED)
    with pytest.raises(RecordsError, match="the folder has no cases\\.csv and cold_tests\\.csv"):
        read_records(tmp_path, PROMISED)
    folder = write(tmp_path / "r", as_csv(clean()[0]))
    with pytest.raises(RecordsError, match="records are two tables, and 1 file was given"):
        read_records(folder / "cases.csv", PROMISED)
    assert len(read_records([folder / "cold_tests.csv", folder / "cases.csv"], PROMISED).cases) == 4


# Doors ----------------------------------------------------------------------------------------------------------------


def run(*arguments):
    return CliRunner().invoke(onsetstudy, [str(a) for a in arguments], standalone_mode=False)


def test_the_command_keeps_refused_rows_with_their_reasons(tmp_path):
    cases = clean()[0]
    cases[0]["tooth"] = "99"
    folder = write(tmp_path / "r", as_csv(cases))
    shown = run("check", PROTOCOLS / "mandibular_block_group.toml", folder)
    assert shown.return_value == 1
    assert 'cases.csv, row 2, column tooth: the tooth "99" cannot be read.' in shown.output
    assert "Cases: 4 read, 3 accepted, 1 refused." in shown.output
    kept = pd.read_csv(folder / "r-rejects.csv", dtype=str)
    assert kept.loc[0, ["table", "source_row", "tooth"]].tolist() == ["cases", "2", "99"]
    assert len(kept) == 9


def test_the_command_says_that_nothing_has_to_be_mended(tmp_path):
    folder = write(tmp_path / "r", as_csv(clean()[0]))
    shown = run("check", PROTOCOLS / "mandibular_block_group.toml", folder)
    assert shown.return_value == 0
    assert "Nothing has to be corrected." in shown.output
    assert not (folder / "r-rejects.csv").exists()


def test_rejects_are_written_whole_or_not_at_all(tmp_path):
    found = records(*clean(), PROMISED)
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(OnsetStudyError, match="cannot be written"):
        write_escaped(blocked / "below.csv", found.rejects)


# Laws -----------------------------------------------------------------------------------------------------------------

garbage = st.text(max_size=12) | st.sampled_from(
    ["1,5", "-1", "1e400", "nan", "14:05", "46237", "FELT", "\u00e9", "0x1f", "٣"]
)


@pytest.mark.slow
@examples(500, usual=25)
@given(st.data())
def test_no_garbage_ever_ends_in_anything_but_a_message(data):
    cases, readings = clean()
    for _ in range(data.draw(st.integers(1, 4))):
        if data.draw(st.booleans()):
            row, columns = data.draw(st.sampled_from(cases)), CASES
        else:
            row, columns = data.draw(st.sampled_from(readings)), COLD_TESTS
        row[data.draw(st.sampled_from([c.name for c in columns]))] = data.draw(garbage) or None
    try:
        found = records(cases, readings, PROMISED)
    except OnsetStudyError:
        return  # nothing was left that could be used, and the message says so
    accounted(found)


@cache
def in_order():
    return records(*clean(), PROMISED)


@settings(max_examples=10)
@given(st.permutations(range(4)), st.permutations(range(32)))
def test_the_order_of_rows_changes_nothing(case_order, test_order):
    cases, readings = clean()
    shuffled = records([cases[i] for i in case_order], [readings[i] for i in test_order], PROMISED)
    straight = in_order()
    assert shuffled.digest == straight.digest
    assert shuffled.cases.drop(columns="source_row").equals(straight.cases.drop(columns="source_row"))


def test_clock_times_without_seconds_are_not_read_as_minutes_and_seconds():
    cases, readings = clean()
    mine = [r for r in readings if r["case_id"] == "P01-0001"]
    for reading in mine:
        reading["minute"] = f"14:{4 + int(reading['minute']):02d}"
    found = records(cases, readings, PROMISED)
    told = [str(p) for p in found.problems if p.code == "clock_or_minutes"]
    assert len(told) == len(mine)
    assert "may be 14:05 by the clock" in told[0]
    assert "write the time with its seconds, as 14:05:00" in told[0].replace("Write", "write")
    assert "P01-0001" not in set(found.cases["case_id"])
    assert len(found.cases) == 3


def test_true_minutes_and_seconds_are_read_though_some_might_be_clock_times():
    cases, readings = clean()
    for reading in readings:
        reading["minute"] = f"{int(reading['minute'])}:00"
    cases[0].update(seated_time="1:50", injection_start="1:55", injection_end="1:58")
    found = records(cases, readings, PROMISED)
    assert not found.problems
    assert found.readings["minute"].max() < 60


@pytest.mark.parametrize("word", ["Total", "sum:", "MEAN"])
@pytest.mark.parametrize("column", ["case_id", "clinician_id"])
def test_a_line_of_totals_has_one_message_and_is_no_case(word, column):
    cases, readings = clean()
    total = {column: word, "volume_ml": "7.2", "pain_deposition": "88"}
    found = records([*cases, total], readings, PROMISED)
    assert [p.code for p in found.problems] == ["totals_row"]
    assert "sums up the others" in str(found.problems[0])
    assert len(found.cases) == 4
    assert len(found.rejects) == 1
    assert found.rows_read == 5


def test_a_case_with_a_word_like_a_total_is_a_case():
    cases, readings = clean()
    cases[1]["patient_id"] = "n"
    assert "totals_row" not in [p.code for p in records(cases, readings, PROMISED).problems]


OPTIONAL = ("pain_deposition", "weight_kg", "treatment_start_min", "age_band", "control_tooth")


def with_optional_cells(word):
    """Four cases, the first of which has this word in its optional cells, or nothing."""
    cases, readings = clean()
    for column in OPTIONAL:
        cases[0].pop(column, None)
        if word is not None:
            cases[0][column] = word
    return records(cases, readings, PROMISED)


@pytest.fixture(scope="module")
def empty():
    return with_optional_cells(None)


@pytest.mark.parametrize("word", ["N/A", "n.a.", "na", "-", "\u2013", "?", "not recorded", "Unknown"])
def test_a_word_for_nothing_in_an_optional_cell_is_an_empty_cell_and_is_said(word, empty):
    found = with_optional_cells(word)
    assert len(found.cases) == 4
    assert not found.problems
    assert found.digest == empty.digest != in_order().digest
    for column in OPTIONAL:
        (told,) = [r.text for r in found.repairs if (r.code, r.column) == ("not_recorded", column)]
        assert f'"{word}" was read as not recorded' in told


@pytest.mark.parametrize(("column", "word"), [("rescue_min", "?"), ("rescue_min", "unknown"), ("volume_ml", "N/A"),
                                              ("pain_deposition", "none"), ("adverse_event", "?")])  # fmt: skip
def test_a_word_that_hides_something_is_not_passed_over(column, word):
    """A supplement at an unknown minute was given; no pain is 0 and not nothing; a compulsory cell is compulsory."""
    cases, readings = clean()
    cases[0][column] = word
    found = records(cases, readings, PROMISED)
    assert len(found.cases) == 3
    told = " ".join(str(p) for p in found.problems)
    assert column in told
    if word == "none":
        assert "rite 0 if that is what was measured, or leave the cell empty" in told


def without_clock(cases):
    for row in cases:
        for column in ("seated_time", "injection_start", "injection_end"):
            row.pop(column, None)


@pytest.mark.parametrize("only", [("P01-0001",), ("P01-0001", "P01-0003")])
def test_clock_times_of_a_case_without_its_injection_are_no_minutes(only):
    """One or two cases at 09:02, 09:03, ...: nothing in the table says when they were injected."""
    cases, readings = clean()
    without_clock(cases)
    mine = [r for r in readings if r["case_id"] in only]
    for reading in mine:
        reading["minute"] = f"09:{1 + int(reading['minute']):02d}"
    found = records(cases, readings, PROMISED)
    told = [str(p) for p in found.problems if p.code == "clock_or_minutes"]
    assert len(told) == len(mine)
    assert "its case has no injection_end to tell by" in told[0]
    assert "as 4.5" in told[0]
    assert not set(only) & set(found.cases["case_id"])
    assert len(found.cases) == 4 - len(only)


def test_a_single_time_is_minutes_only_where_the_table_writes_them_so():
    for others, nth, refused in ((False, 0, True), (True, 0, False), (True, -1, True)):
        cases, readings = clean()
        without_clock(cases)
        first = [r for r in readings if r["case_id"] == "P01-0001"]
        readings = [r for r in readings if r["case_id"] != "P01-0001" or r["minute"] == first[nth]["minute"]]
        for reading in readings:
            if reading["case_id"] == "P01-0001" or others:
                reading["minute"] = f"{int(reading['minute'])}:00"
        found = records(cases, readings, PROMISED)
        assert ("P01-0001" not in set(found.cases["case_id"])) is refused
        assert bool(found.problems) is refused


def retimed(readings, case, times):
    """Readings of a case at these times in place of its own; the others in minutes and seconds."""
    mine = [r for r in readings if r["case_id"] == case][:1]
    others = [{**r, "minute": f"{int(float(r['minute']))}:00"} for r in readings if r["case_id"] != case]
    last = len(times) - 1
    return [
        {**mine[0], "minute": t, "response": "not_felt" if i >= last - 1 else "felt"} for i, t in enumerate(times)
    ] + others


@pytest.mark.parametrize("zero", [None, "09:00", "14:58"])
@pytest.mark.parametrize(
    "times",
    [
        ("09:02", "09:04", "09:06", "09:40"),  # one test late: longer than any schedule
        ("12:58", "1:00", "1:02"),  # round the top of the dial
        ("11:58", "12:00", "12:02", "12:41"),
        ("9:58", "10:00", "10:02"),
        ("1:02", "1:04", "1:41"),  # begins like minutes, two seconds apart
    ],
)
def test_clock_times_are_never_read_as_minutes_beside_cases_in_minutes_and_seconds(zero, times):
    """A late test, noon, a mistyped injection: none makes minutes of them, nor speaks for the table."""
    cases, readings = clean()
    without_clock(cases)
    case = next(row for row in cases if row["case_id"] == "P01-0001")
    case["injection_end"] = zero
    found = records(cases, retimed(readings, "P01-0001", times), PROMISED)
    told = [str(p) for p in found.problems if p.code == "clock_or_minutes"]
    assert len(told) == len(times)
    assert set(found.cases["case_id"]) == {"P01-0002", "P01-0003", "P01-0004"}
    assert not any("twice" in str(p) for p in found.problems)


@pytest.mark.parametrize("zero", [None, "09:00"])
def test_three_times_within_three_hours_and_no_first_test_are_refused(zero):
    cases, readings = clean()
    without_clock(cases)
    next(row for row in cases if row["case_id"] == "P01-0001")["injection_end"] = zero
    found = records(cases, retimed(readings, "P01-0001", ("09:10", "09:50", "10:30")), PROMISED)
    assert [p.code for p in found.problems].count("clock_or_minutes") == 3


def test_a_single_clock_time_beside_cases_in_minutes_and_seconds_is_refused():
    cases, readings = clean()
    without_clock(cases)
    found = records(cases, retimed(readings, "P01-0001", ("09:02",)), PROMISED)
    assert "clock_or_minutes" in [p.code for p in found.problems]
    assert "P01-0001" not in set(found.cases["case_id"])


def test_a_clock_case_does_not_let_a_single_time_of_another_pass():
    """With clock times seen in the table, a single 1:02 may be two past one."""
    cases, readings = clean()
    without_clock(cases)
    mine = retimed(readings, "P01-0001", ("1:02",))
    taken = {"P01-0002": ("09:02", "09:04", "09:06")}
    rows = [r for r in mine if r["case_id"] != "P01-0002"]
    rows += [{**mine[0], "case_id": "P01-0002", "minute": t, "response": "not_felt"} for t in taken["P01-0002"]]
    found = records(cases, rows, PROMISED)
    assert set(found.cases["case_id"]) == {"P01-0003", "P01-0004"}


@pytest.mark.parametrize("zero", [None, "9:00", "14:58"])
@pytest.mark.parametrize(
    "times", [("1:00", "2:00", "3:10"), ("0:40", "2:05", "5:00", "9:10"), ("1:05", "1:30", "4:00")]
)
def test_honest_minutes_and_seconds_are_read(zero, times):
    cases, readings = clean()
    without_clock(cases)
    next(row for row in cases if row["case_id"] == "P01-0001")["injection_end"] = zero
    found = records(cases, retimed(readings, "P01-0001", times), PROMISED)
    assert not found.problems
    read = found.readings.loc[found.readings["case_id"] == "P01-0001", "minute"].tolist()
    assert read == pytest.approx([int(t.split(":")[0]) + int(t.split(":")[1]) / 60 for t in times])


def test_true_minutes_and_seconds_without_clock_times_are_read():
    cases, readings = clean()
    without_clock(cases)
    for reading in readings:
        reading["minute"] = f"{int(reading['minute'])}:30"
    found = records(cases, readings, PROMISED)
    assert not found.problems
    assert set(found.readings["minute"] % 1) == {0.5}


def test_a_precipitate_and_weak_bicarbonate_are_asked_about_and_stay():
    cases, readings = clean()
    buffered = next(row for row in cases if row["arm"] == "buffered")
    buffered.update(agent="bupivacaine", agent_percent="0.5", bicarbonate_percent="1")
    found = records(cases, readings, PROMISED)
    assert buffered["case_id"] in set(found.cases["case_id"])
    asked = {q.code for q in found.queries}
    assert {"precipitates", "weak_bicarbonate"} <= asked


def test_a_case_mixed_in_another_way_than_most_is_asked_about_and_stays():
    cases, readings = clean()
    buffered = [row for row in cases if row["arm"] == "buffered"]
    assert len(buffered) == 2
    for row in buffered:
        row["mix_mode"] = "add"
    assert "two_ways" not in [q.code for q in records(cases, readings, PROMISED).queries]
    buffered[1]["mix_mode"] = "replace"
    found = records(cases, readings, PROMISED)
    (asked,) = [q for q in found.queries if q.code == "two_ways"]
    assert "in place of the same volume, where in most cases it was added on top" in str(asked)
    assert len(found.cases) == 4


@pytest.mark.parametrize(
    ("column", "written", "meant"),
    [
        ("procedure", "restoration", "filling"), ("procedure", "Composite", "filling"),
        ("procedure", "RCT", "root_canal"),
        ("procedure", "root-canal treatment", "root_canal"), ("procedure", "extracton", "extraction"),
        ("vasoconstrictor", "adrenaline", "epinephrine"), ("agent", "lignocaine", "lidocaine"),
        ("technique", "inferior alveolar nerve block", "ianb"),
    ],
)  # fmt: skip
def test_another_word_for_a_code_is_told_by_what_it_means_and_not_taken(column, written, meant):
    cases, readings = clean()
    cases[0][column] = written
    (problem,) = [p for p in records(cases, readings, PROMISED).problems if p.where.column == column]
    assert f"did you mean {meant}?" in problem.mend


@pytest.mark.parametrize("written", ["destruction", "restauration", "operation", "section"])
def test_a_word_that_merely_looks_like_a_code_suggests_none(written):
    """A correction that is followed without thinking would make a false record."""
    cases, readings = clean()
    cases[0]["procedure"] = written
    (problem,) = [p for p in records(cases, readings, PROMISED).problems if p.where.column == "procedure"]
    assert "did you mean" not in problem.mend
