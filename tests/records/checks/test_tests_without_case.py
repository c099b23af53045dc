"""Cold tests whose code no case has: the case that lacks them is held back, and many of them stop everything."""

from __future__ import annotations

import pytest

from onsetstudy.core.errors import RecordsError
from tests.records.checks.test_corpus import PROMISED, accounted, clean, records


@pytest.mark.parametrize("row", [0, 1, 2, 7, 8, 15, 31])
@pytest.mark.parametrize("written", ["", "typing"])
def test_a_test_without_its_case_holds_its_case_back_and_names_both(row, written):
    cases, readings = clean()
    own = readings[row]["case_id"]
    readings[row]["case_id"] = own.replace("-0", "-O", 1) if written else ""
    found = records(cases, readings, PROMISED)
    accounted(found)
    assert own not in set(found.cases["case_id"])
    (told,) = [p for p in found.problems if p.code == "reading_refused" and p.value == own]
    assert f"row {row + 2} of the cold tests" in told.what
    assert (readings[row]["case_id"] or "no case code") in told.what
    assert own in told.what
    assert len(found.cases) == 3


def test_a_test_without_a_code_is_not_of_the_case_that_has_none_either():
    cases, readings = clean()
    cases.append({**cases[0], "case_id": "", "patient_id": "P01-K999"})
    readings[3]["case_id"] = ""
    found = records(cases, readings, PROMISED)
    assert set(found.cases["case_id"]) == {"P01-0002", "P01-0003", "P01-0004"}


def test_the_first_test_of_a_case_between_two_holds_back_that_case_alone():
    cases, readings = clean()
    readings[8]["case_id"] = ""
    assert [p.value for p in records(cases, readings, PROMISED).problems if p.code == "reading_refused"] == ["P01-0002"]


def test_tests_of_a_case_that_nobody_entered_hold_no_other_back():
    cases, readings = clean()
    cases += [{**cases[0], "case_id": f"P01-{n:04d}", "patient_id": f"P01-K{n:03d}"} for n in range(5, 25)]
    readings += [{**r, "case_id": c["case_id"]} for c in cases[4:] for r in readings[:8]]
    found = records([c for c in cases if c["case_id"] != "P01-0007"], readings, PROMISED)
    assert [p.code for p in found.problems] == ["no_case"]
    assert len(found.cases) == 23


def test_a_line_of_headings_or_sums_among_the_tests_holds_no_case_back():
    cases, readings = clean()
    headings = {name: name for name in readings[0]}
    found = records(cases, [*readings[:3], headings, *readings[3:], {"case_id": "Total", "minute": "32"}], PROMISED)
    assert len(found.cases) == 4


def test_a_whole_case_that_was_not_entered_is_no_reason_to_refuse_the_others():
    cases, readings = clean()
    found = records([c for c in cases if c["case_id"] != "P01-0003"], readings, PROMISED)
    assert "no_case" in {p.code for p in found.problems}
    assert len(readings) / 4 > 0.1 * len(readings)
    assert len(found.cases) >= 2


def test_many_tests_of_no_case_are_not_passed_over():
    cases, readings = clean()
    for row in (0, 8, 16, 24):
        readings[row]["case_id"] = "P09-7777"
    with pytest.raises(RecordsError) as caught:
        records(cases, readings, PROMISED)
    first = caught.value.problems[0]
    assert (first.code, first.where.file) == ("tests_without_case", "cold_tests.csv")
    assert "4 of 32 cold tests belong to no case" in first.what


def test_a_test_at_the_edge_of_its_block_is_not_taken_for_one_of_a_distant_case():
    """P01-0009 is one sign from P01-0001 and the others, which were all tested at that minute, if not to the second."""
    cases, readings = clean()
    for reading in readings[16:24]:
        reading["minute"] = str(float(reading["minute"]) + 0.05)
    readings[16]["case_id"] = "P01-0009"
    assert [p.value for p in records(cases, readings, PROMISED).problems if p.code == "reading_refused"] == ["P01-0003"]
