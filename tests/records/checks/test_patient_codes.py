"""A patient's code is a code: a bare surname is refused, and written nowhere."""

from __future__ import annotations

import dataclasses

import pytest

from tests.study.cases import case, protocol, readings_of, records


def checked(patient):
    rows = [case(1, patient_id=patient), case(2, "buffered", patient_id="P01-K7Q2")]
    return records(rows, readings_of(1, "ffnn") + readings_of(2, "ffnn"), protocol())


@pytest.mark.parametrize("name", ["Miller", "MILLER", "miller", "O'Brien", "Müller-Lüdenscheidt", "J.M.", "Ng"])
def test_a_bare_name_is_refused_and_not_told_again(name):
    found = checked(name)
    problem = next(p for p in found.problems if p.where.column == "patient_id")
    assert problem.code in ("no_code", "names_a_person")
    assert "random code" in problem.mend
    assert name not in str(problem)
    assert problem.value is None
    assert list(found.cases["case_id"]) == ["P01-0002"]


@pytest.mark.parametrize("code", ["P01-K7Q2", "K001", "17", "a1"])
def test_a_code_with_a_digit_is_accepted(code):
    found = checked(code)
    assert not found.problems
    assert code in set(found.cases["patient_id"])


def test_why_and_how_to_mend_it_are_said():
    said = str(checked("Miller").problems[0])
    assert "no digit" in said
    assert "such as P01-K7Q2" in said


def test_codes_that_differ_by_capitals_alone_are_asked_about():
    rows = [case(1), case(2), case(3)]
    for row, patient, operator in zip(rows, ("P01-K1", "p01-k1", "P01-K2"), ("P01-A", "P01-A", "P01-a"), strict=True):
        row |= {"patient_id": patient, "clinician_id": operator}
    found = records(rows, [r for n in (1, 2, 3) for r in readings_of(n, "ffnn")], protocol())
    asked = [(q.where.column, q.where.row) for q in found.queries if q.code == "capitals"]
    assert asked == [
        ("clinician_id", 2),
        ("patient_id", 2),
        ("clinician_id", 3),
        ("patient_id", 3),
        ("clinician_id", 4),
    ]
    assert len(found.cases) == 3


@pytest.mark.parametrize(
    ("first", "second", "asked", "apart"),
    [
        ("2026-04-01", "2026-04-08", [], ""),
        ("2026-04-01", "2026-04-07", ["washout"], "6 days"),
        ("2026-04-01", "2026-04-02", ["washout"], "1 day"),
        ("2026-04-08", "2026-04-01", ["period_order"], ""),
    ],
)
def test_second_injections_are_held_to_order_and_washout(first, second, asked, apart):
    """Seven days were planned; the case stays, and in a design of one injection a patient nothing is asked."""
    paired = protocol(allocation={"method": "paired", "washout_days": 7})
    paired = dataclasses.replace(paired, study=dataclasses.replace(paired.study, design="crossover"))
    rows = [case(1, case_date=first, period="1"), case(2, "buffered", case_date=second, period="2")]
    for row in rows:
        row["patient_id"] = "P01-K7Q2"
    tests = readings_of(1, "ffnn") + readings_of(2, "ffnn")
    found = records(rows, tests, paired)
    told = [q for q in found.queries if q.code in ("washout", "period_order")]
    assert [(q.code, q.where.column) for q in told] == [(code, "case_date") for code in asked]
    says = f"{apart} after the patient's earlier injection; the plan asks for 7"
    assert "washout" not in asked or says in str(told[0])
    assert len(found.cases) == 2
    assert not [q for q in records(rows, tests, protocol()).queries if q.code in ("washout", "period_order")]
