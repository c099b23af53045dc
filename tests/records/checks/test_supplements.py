"""A supplement makes a case a failure: none given and one at minute 0 are never taken for each other."""

from __future__ import annotations

import pytest

from onsetstudy.records.checks.parse import NOT_APPLICABLE
from onsetstudy.records.schema import CASES
from tests.records.checks.test_corpus import FULL, clean
from tests.study.cases import case, protocol, readings_of, records

PROMISED = protocol()
LEAVE_EMPTY = "eave it empty if no supplement was given; a supplement in the first minute is e.g. 0.5"


def checked(tests="ffnn", **told):
    """One case of four with a supplement as it was written, and what came of it."""
    cases, readings = clean()
    cases[0] |= told
    return records(cases, readings_of(1, tests) + readings[8:], PROMISED)


def of_supplement(found):
    return [p for p in found.problems if (p.where.column or "").startswith("rescue_")]


@pytest.mark.parametrize("technique", [None, "none", "intraligamentary"])
@pytest.mark.parametrize("written", ["0", "0.0", "0:00", "-1", "none", "no", "?", "not known"])
def test_what_may_mean_that_none_was_given_is_refused_and_asks_for_an_empty_cell(written, technique):
    found = checked(rescue_min=written, rescue_technique=technique)
    (problem,) = of_supplement(found)
    assert (problem.where.row, problem.where.column, problem.value) == (2, "rescue_min", written)
    assert LEAVE_EMPTY in str(problem)
    assert len(found.cases) == 3


@pytest.mark.parametrize("written", sorted(NOT_APPLICABLE))
def test_a_word_for_none_is_said_to_mean_that_none_was_given(written):
    found = checked(rescue_min=written)
    assert found.cases["rescue_min"].isna().all()
    (told,) = [r.text for r in found.repairs if r.column == "rescue_min"]
    assert "no supplement given" in told
    assert "not recorded" not in told


@pytest.mark.parametrize(("written", "minute"), [("0.5", 0.5), ("0:30", 0.5), ("12", 12.0)])
def test_a_supplement_in_the_first_minute_or_later_is_one(written, minute):
    found = checked(rescue_min=written, rescue_technique="intraligamentary")
    assert not found.problems
    assert found.cases["rescue_min"].iloc[0] == minute


def test_a_minute_beside_the_technique_none_is_refused():
    (problem,) = of_supplement(checked(rescue_min="9", rescue_technique="none"))
    assert (problem.code, problem.where.column) == ("supplement", "rescue_technique")
    assert "no supplement was given, and rescue_min says when" in str(problem)


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("14:13", "soon after the injection_end of its case"),
        ("2:10", "soon after the injection_end of its case"),
        ("15:10", "not soon after the injection_end of its case"),
        ("9:30", None),
        ("0:45", None),
    ],
)
def test_a_supplement_that_may_be_of_the_clock_is_refused_like_a_cold_test(written, told):
    """The injection ended at 14:04."""
    found = checked(rescue_min=written, rescue_technique="intraligamentary")
    problems = of_supplement(found)
    assert [p.code for p in problems] == ["clock_or_minutes"] * (told is not None)
    if told:
        assert told in str(problems[0])
        assert f"{written}:00" not in str(problems[0])  # which is no way of writing this minute
        assert "minutes" in problems[0].mend


@pytest.mark.parametrize("column", ["treatment_start_min", "observation_end_min"])
@pytest.mark.parametrize(("written", "minute"), [("14:19", None), ("2:19", None), ("15:10", None), ("9:30", 9.5)])
def test_so_are_other_minutes_of_a_case(column, written, minute):
    found = checked(**{column: written})
    problems = [p.code for p in found.problems if p.where.column == column]
    assert problems == ["clock_or_minutes"] * (minute is None)
    assert len(found.cases) == 4 - (minute is None)
    assert minute is None or found.cases[column].iloc[0] == minute


def written_in_seconds(supplement, *, clock):
    cases = [case(1, **FULL, rescue_min=supplement), case(2, **FULL)]
    readings = [row | {"minute": f"{row['minute']}:00"} for i in (1, 2) for row in readings_of(i, "ffnn")]
    for row in cases if not clock else ():
        for column in ("seated_time", "injection_start", "injection_end"):
            row.pop(column)
    return records(cases, readings, PROMISED)


@pytest.mark.parametrize("clock", [True, False])
def test_tests_in_minutes_and_seconds_say_how_the_supplement_beside_them_is_written(clock):
    found = written_in_seconds("4:30", clock=clock)
    assert not found.problems
    assert found.cases["rescue_min"].iloc[0] == 4.5


def test_also_beside_such_tests_one_soon_after_the_injection_by_the_clock_is_refused_alone():
    found = written_in_seconds("14:10", clock=True)
    (problem,) = of_supplement(found)
    assert problem.code == "clock_or_minutes"
    assert list(found.cases["case_id"]) == ["P01-0002"]


def test_the_dictionary_admits_no_supplement_at_the_injection():
    (column,) = [c for c in CASES if c.name == "rescue_min"]
    assert column.low > 0
    assert "not 0" in column.meaning
