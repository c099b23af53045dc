"""What is missing is counted where it applies, with whom to ask, and told by ``check`` and the report."""

from __future__ import annotations

import dataclasses

import pytest

from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.records.derived.flow import untold_baseline
from onsetstudy.records.derived.results import MissingField
from onsetstudy.records.model import OpenTables, supplements_beside
from onsetstudy.records.validity.completeness import missing_fields
from onsetstudy.report.document import Cautions
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.render.html import render_html
from onsetstudy.report.sections.main.answer import answer_section
from onsetstudy.report.sections.main.records import missing_line, missing_words
from tests.study.cases import analyse, case, protocol, readings_of, records

WHOLE = {
    "baseline_response": "felt",
    "control_tooth": "43", "lip_numb": "yes", "treatment_start_min": "9", "procedure": "filling",
    "pain_deposition": "20",
    "pain_treatment": "0", "adverse_event": "none", "agent_percent": "2", "vasoconstrictor": "epinephrine",
    "vasoconstrictor_dilution": "100000", "cartridge_ml": "1.8", "weight_kg": "70", "age_band": "18-39",
    "guess_patient": "unsure", "guess_operator": "unsure", "guess_assessor": "unsure",
}  # fmt: skip


def missing(*rows, quarter=None):
    promised = protocol()
    made = [case(i, arm, **{**WHOLE, **more}) for i, (arm, more) in enumerate(rows, start=1)]
    tests = [reading for i in range(1, len(rows) + 1) for reading in readings_of(i, "fnn")]
    checked = records(made, tests, promised)
    assert not checked.problems, [str(p) for p in checked.problems]
    return {field.column: field for field in missing_fields(checked, promised, quarter=quarter)}


def test_nothing_is_missing_in_a_whole_record():
    assert missing(("plain", {}), ("buffered", {})) == {}


ELSEWHERE = ("procedure", "vasoconstrictor_dilution", "cartridge_ml", "guess_operator")


@pytest.mark.parametrize("column", [column for column in WHOLE if column not in ELSEWHERE])
def test_each_field_is_missed_in_the_case_that_lacks_it(column):
    found = missing(("plain", {column: ""}), ("buffered", {}))
    assert (found[column].missing, found[column].whom) == (1, (("P01", "P01-A", 1),))
    assert set(found) == {column}


@pytest.mark.parametrize(
    ("more", "column"),
    [
        ({"technique": "buccal_infiltration", "lip_numb": ""}, "lip_numb"),
        ({"vasoconstrictor": "none", "vasoconstrictor_dilution": ""}, "vasoconstrictor_dilution"),
        ({"cartridge_ml": ""}, "cartridge_ml"),
        ({"pain_treatment": "", "score_missing_reason": "declined"}, "pain_treatment"),
        ({"adverse_event": "none", "adverse_serious": ""}, "adverse_serious"),
        ({"rescue_volume_ml": ""}, "rescue_volume_ml"),
    ],
)
def test_a_field_that_does_not_apply_is_not_missing(more, column):
    assert column not in missing(("plain", more))


@pytest.mark.parametrize(
    ("arm", "more", "column"),
    [
        ("plain", {"vasoconstrictor_dilution": ""}, "vasoconstrictor_dilution"),
        ("buffered", {"cartridge_ml": ""}, "cartridge_ml"),
        ("plain", {"adverse_event": "trismus"}, "adverse_serious"),
        ("plain", {"rescue_min": "12", "rescue_technique": "intraligamentary"}, "rescue_volume_ml"),
    ],
)
def test_a_field_that_applies_is(arm, more, column):
    assert (missing((arm, more))[column].missing, missing((arm, more))[column].of) == (1, 1)


@pytest.mark.parametrize(
    ("column", "few", "all_of_them"),
    [
        ("pain_deposition", "pain is compared without it", "pain cannot be compared"),
        ("guess_patient", "whether blinding held is judged without it", "whether blinding held cannot be told"),
        ("weight_kg", "in this case limits by weight are not looked at", "limits by weight are not looked at"),
        ("lip_numb", "in this case a missed block cannot be", "a missed block cannot be told from a slow one"),
    ],
)
def test_what_is_lost_is_said_of_those_cases_alone_where_others_tell_it(column, few, all_of_them):
    arms = ("plain", "buffered", "plain", "buffered", "plain")
    one = missing(*[(arm, {column: ""} if i == 0 else {}) for i, arm in enumerate(arms)])[column]
    assert one.why.startswith(few)
    everybody = missing(*[(arm, {column: ""}) for arm in arms])[column]
    assert everybody.why == all_of_them


def test_pain_cannot_be_compared_with_an_arm_of_which_nobody_told_it():
    rows = [(arm, {"pain_deposition": "" if arm == "buffered" else "20"}) for arm in ("plain", "buffered") * 3]
    assert missing(*rows)["pain_deposition"].why == "pain cannot be compared"


def test_volumes_that_are_told_of_no_supplement_of_a_case_are_missed():
    checked = records([case(1, "plain", **WHOLE, rescue_min="9")], readings_of(1, "ffnn"), protocol())
    for volumes, missed in (((None, None), True), ((0.9, None), True), ((0.9, 0.5), False)):
        rows = [{"case_id": "P01-0001", "rescue_agent": "articaine", "rescue_volume_ml": ml} for ml in volumes]
        beside = OpenTables(supplements=supplements_beside(rows))
        found = missing_fields(dataclasses.replace(checked, open_tables=beside), protocol())
        assert ("rescue_volume_ml" in {field.column for field in found}) == missed


def test_a_quarter_without_a_field_takes_nothing_from_the_quarters_that_have_it():
    """A report compares all cases so far: what one quarter lacks is left out of it."""
    rows = [("plain", {}), ("buffered", {})] * 2
    rows += [(arm, {"pain_deposition": "", "case_date": "2026-03-03"}) for arm in ("plain", "buffered")]
    found = missing(*rows, quarter="2026Q1")["pain_deposition"]
    assert (found.missing, found.of) == (2, 2)
    assert found.why == "pain is compared without them"


def test_what_the_protocol_does_not_ask_is_never_missing():
    assert dict(protocol().study.blinding)["operator"] != "yes"
    assert missing(("plain", {"guess_operator": ""})) == {}


def test_a_baseline_that_nobody_recorded_keeps_the_case_and_is_told_on_the_first_page():
    promised = protocol()
    made = [case(i, arm, baseline_response=told) for i, (arm, told) in enumerate(
        [("plain", ""), ("plain", "felt"), ("buffered", ""), ("buffered", "felt"), ("plain", "not_felt")], start=1)
    ]  # fmt: skip
    checked = records(made, [r for i in range(1, 6) for r in readings_of(i, "fnn")], promised)
    results = analyse(promised, checked)
    assert results.overall.n.cases == 4  # the one that never felt the cold is left out, those not recorded stay
    told = {c.code: c.text for c in results.caution}["baseline_untold"]
    assert told.startswith("In 2 of 4 cases nobody recorded whether the tooth felt the cold before the injection")
    (shown,) = [b.texts for b in answer_section(results).blocks if isinstance(b, Cautions)]
    assert told in shown
    (noted,) = results.flow.stages[-1].noted
    assert (noted.code, noted.count) == ("baseline_untold", 2)
    document = compose(results)
    steps = next(b for s in document.sections for b in s.blocks if b.kind == "flow").steps
    assert [len(step.noted) for step in steps] == [0, 0, 0, 1]
    (line,) = steps[-1].noted
    assert line[0] == "2"
    assert "felt the cold before the injection was not recorded" in line[1]
    assert "of these, analysed all the same: whether the target tooth felt" in render_html(document)
    unasked = protocol(schedule={"baseline_response": "none"})
    assert untold_baseline(checked.cases, unasked) == 0
    assert analyse(unasked, checked).flow.stages[-1].noted == ()


def test_whom_to_ask_most_cases_first_and_the_quarter_alone():
    rows = [("plain", {"weight_kg": "", "clinician_id": who}) for who in ("P01-B", "P01-A", "P01-B")]
    found = missing(*rows, ("plain", {}))["weight_kg"]
    assert found.whom == (("P01", "P01-B", 2), ("P01", "P01-A", 1))
    assert (found.missing, found.of) == (3, 4)
    assert missing(*rows, quarter="2026Q1") == {}
    assert missing(*rows, quarter="2026Q3")["weight_kg"].missing == 3


def test_it_is_said_with_whom_to_ask_and_once_on_the_first_page():
    field = MissingField(column="weight_kg", missing=6, of=9, why="limits by weight are not looked at",
                         whom=tuple(("P01", f"P01-{c}", 1) for c in "ABCDEF"))  # fmt: skip
    told = missing_words(field)
    assert told.startswith(
        "weight_kg is missing in 6 of 9 cases: limits by weight are not looked at. Ask P01-A of P01 (1)"
    )
    assert "others (2)" in told
    assert missing_line(()) == []
    [line] = missing_line((field, field))
    assert "6 of 9 cases" in line
    assert "P01-A" not in line
    assert from_dict(to_dict(field)) == field
