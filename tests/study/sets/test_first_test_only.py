"""Whoever notes only the first test not felt: what the report says of such tests is true of them."""

from __future__ import annotations

import dataclasses
import re

import pytest

from onsetstudy.report.documents.practice import compose
from tests.study.cases import analyse, case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("few_draws")

AUDIT = protocol("infiltration_audit", study={"practices": ("P01",)})


def texts(value):
    """Every text of a document, those of its figures too."""
    if dataclasses.is_dataclass(value):
        value = [getattr(value, field.name) for field in dataclasses.fields(value)]
    if isinstance(value, str):
        return value
    return " ".join(map(texts, value)) if isinstance(value, (list, tuple)) else ""


def told(results):
    return re.sub(r"\s+", " ", texts(compose(results)))


def infiltrated(number, **more):
    arm = "plain" if number % 2 else "buffered"
    return case(number, arm, allocation="clinician_choice", technique="buccal_infiltration", tooth="14", **more)


@pytest.fixture(scope="module")
def noted_once():
    """Eleven cases, each tested once, at the planned minute 4, and not felt."""
    cases, readings = [], []
    for number in range(1, 12):
        cases.append(infiltrated(number))
        readings += readings_of(number, "...n")
    return analyse(AUDIT, records(cases, readings, AUDIT))


def test_tests_at_planned_minutes_are_not_said_to_lie_elsewhere(noted_once):
    assert 4.0 in AUDIT.schedule.tests_min
    assert [d.code for d in noted_once.doubts] == ["clock"]
    text = told(noted_once)
    assert "In 11 of 11 cases (practice P01) the first planned tests are not recorded" in text
    assert "was every test noted" in text
    assert "cannot be those of the planned tests" not in text


def test_nobody_is_said_to_have_stopped_testing_before_they_began(noted_once):
    text = told(noted_once)
    assert "testing ended at 0 min" not in text
    assert "onset is known up to 0 min only" in text


def test_a_stopwatch_is_not_said_to_leave_out_what_it_would_count(noted_once):
    text = told(noted_once)
    assert "No onset is confirmed as the protocol asks: there is nothing to average." in text
    assert "would count" not in text


def test_arms_have_their_names_where_there_is_no_number(noted_once):
    assert "the arm plain" not in told(noted_once)
    assert "the arm not buffered" in told(noted_once)


def test_one_point_is_one(noted_once):
    assert AUDIT.pain.instrument.important_difference == 1
    assert not re.search(r"(?<![\d.])1 points", told(noted_once))
    assert "The difference that matters (1 point) is this study's own" in told(noted_once)


def test_a_tooth_that_got_a_supplement_is_not_said_to_be_found_so_by_a_test():
    cases, readings = [], []
    for number in range(1, 13):
        cases.append(infiltrated(number, **({"rescue_min": "9"} if number == 1 else {})))
        readings += readings_of(number, "ffff" if number == 1 else "fnn")
    document = compose(analyse(AUDIT, records(cases, readings, AUDIT)))
    (table,) = [b for s in document.sections for b in s.blocks if getattr(b, "caption", "") == "Arm beside arm"]
    rows = [row for row in table.rows if "found so" in row[0]]
    assert [row[1].replace("\u00a0", " ") for row in rows] == ["5 of 6", "1 of 6"]
    assert [row[0] for row in rows] == ["– found so by a test", "– found so by a test or a supplement"]
