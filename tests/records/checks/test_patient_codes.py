"""A patient's code is a code: a bare surname is refused, and written nowhere."""

from __future__ import annotations

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
