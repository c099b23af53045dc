"""Answers of the guided set-up make a protocol, and what is none is told."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from onsetstudy.core.canonical import as_toml
from onsetstudy.core.errors import ProtocolError
from onsetstudy.protocol.check import check_protocol
from onsetstudy.protocol.guided.content import GuidedAnswers, answers_from, guided_content
from onsetstudy.protocol.guided.expected import BY_TECHNIQUE, curve_of_gain, expected_onset, most_points
from onsetstudy.protocol.guided.questions import GUIDED, is_asked
from onsetstudy.protocol.vocabulary import CODES

AUDIT = {
    "practice": "P07",
    "technique": "buccal_infiltration",
    "control_tooth": "no",
    "tests_min": "1 2 3",
    "tau_min": "2",
}
CHANCE = {"practice": "P07", "randomised": "yes", "assessor_blind": "yes", "ethics": "committee of the county, 12/2026"}


def test_any_text_survives_the_file():
    told = GuidedAnswers(
        practice="P07",
        randomised=True,
        assessor_blind=True,
        technique="ianb",
        agent="articaine",
        bicarbonate_ml=0.18,
        tests_min=(0.5, 1.0, 2.0),
        target_min=1.0,
        tau_min=2.0,
        control_tooth=False,
        notation="universal",
        pain_scale="vas100",
        cases_per_month=4.0,
        first_quarter="2026Q4",
        ethics='approval "A" \\ of\tthe [town] = 1 # – ü\n',
    )
    content = guided_content(told)
    assert tomllib.loads(as_toml(content)) == content
    assert content["report"]["quarters"] == ["2026Q4", "2027Q1", "2027Q2", "2027Q3"]


@pytest.mark.parametrize(
    ("technique", "words"),
    [("ianb", "inferior alveolar nerve block"), ("psa", "posterior superior alveolar block"),
     ("long_buccal", "long buccal")],
)  # fmt: skip
def test_the_title_tells_the_injection_in_words(technique, words):
    content = guided_content(answers_from({"practice": "P07", "technique": technique}, first_quarter="2026Q3"))
    assert content["study"]["title"] == f"Buffered and not buffered lidocaine: {words}"


@settings(max_examples=60, deadline=None)
@given(
    tests=st.lists(st.integers(1, 60), min_size=1, max_size=8, unique=True).map(sorted),
    minutes=st.tuples(*[st.integers(1, 60)] * 2),
    primary=st.sampled_from(["wait", "numb", "rate", "pain"]),
)
def test_answers_that_are_taken_make_a_protocol(tests, minutes, primary):
    """What is not refused at its question contradicts nothing later, when every answer would be lost."""
    said = {"practice": "P07", "tests_min": " ".join(map(str, tests)), "primary": primary, "wait_difference_min": "0.5"}
    try:
        answers = answers_from(said | dict(zip(("target_min", "tau_min"), map(str, minutes), strict=True)),
                               first_quarter="2026Q3")  # fmt: skip
    except ProtocolError:  # at its question, where it is asked again
        return
    check_protocol(guided_content(answers))


@pytest.mark.parametrize("technique", CODES["technique"])
def test_every_technique_has_its_usual_onset_and_its_source(technique):
    content = guided_content(answers_from({"practice": "P07", "technique": technique}, first_quarter="2026Q3"))
    usual, table = expected_onset(technique), content["planning"]
    assert (table["median_min"], table["never_reference"]) == (usual.median_min, usual.never)
    assert 0 < usual.never < 0.5
    assert "no source" in usual.of or "without a source" in usual.of
    assert technique in BY_TECHNIQUE or "nothing is known" in usual.of
    assert usual.median_min > 2  # the target minute is not its median


@pytest.mark.parametrize("technique", ["ianb", "buccal_infiltration"])
@pytest.mark.parametrize("minute", [1.0, 2.0, 5.0, 8.0, 15.0])
@pytest.mark.parametrize("points", [1, 10, 15, 25])
def test_the_gain_that_was_answered_is_that_of_the_two_curves(technique, minute, points):
    """Whether by a higher rate, fewer teeth that never become numb, or both."""
    onset = expected_onset(technique)
    if points > most_points(technique, minute):
        with pytest.raises(ValueError, match="99"):
            curve_of_gain(onset, minute, points / 100 + 0.01, usual_ratio=1.5)
        return
    ratio, never = curve_of_gain(onset, minute, points / 100, usual_ratio=1.5)
    gained = (1 - never) * (1 - onset.still_felt(minute) ** ratio) - onset.numb_by(minute)
    assert 100 * gained == pytest.approx(points)
    assert 0 <= never <= onset.never
    assert ratio > 1


@pytest.mark.parametrize(
    ("said", "asked"),
    [({}, False), ({"randomised": "yes"}, False), ({"randomised": "yes", "design": "crossover"}, True),
     ({"design": "crossover"}, False)],
)  # fmt: skip
def test_a_question_behind_one_that_was_not_asked_is_not_asked(said, asked):
    assert is_asked(next(q for q in GUIDED if q.name == "washout_days"), said) == asked


@pytest.mark.parametrize("way", ["add", "replace"])
def test_the_way_of_mixing_that_was_answered_stands_in_the_protocol(way):
    content = guided_content(answers_from(AUDIT | {"mix_mode": way}, first_quarter="2026Q3"))
    assert [arm.mix_mode for arm in check_protocol(content).arms] == ["none", way]


def test_every_answer_that_is_none_is_told_at_once():
    wrong = {"practice": "Doctor Example", "tests_min": "3 2 1", "bicarbonate_ml": "5", "technique": "'; drop table"}
    with pytest.raises(ProtocolError) as told:
        answers_from(wrong, first_quarter="2026Q4")
    assert {p.where.key for p in told.value.problems} == set(wrong)


def test_an_answer_that_settles_nothing_is_none():
    with pytest.raises(ProtocolError, match="nothing yet"):
        answers_from({**CHANCE, "consent": "none"}, first_quarter="2026Q4")


@pytest.mark.parametrize(("said", "read"), [("1200", 1200), ("1,5", 1.5), ("1.2", 1.2)])
def test_a_comma_that_may_stand_between_thousands_is_asked_about(said, read):
    told = answers_from({**AUDIT, "cases_per_month": said, "bicarbonate_ml": "0,180"}, first_quarter="2026Q4")
    assert (told.cases_per_month, told.bicarbonate_ml) == (read, 0.18)
    with pytest.raises(ProtocolError, match=r"Write 1200, or 1\.200: the comma may stand for either"):
        answers_from({**AUDIT, "cases_per_month": "1,200"}, first_quarter="2026Q4")
