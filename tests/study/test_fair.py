"""The fair comparison in its place: for audits only, and in the report."""

import dataclasses

import pytest

from onsetstudy.core.results import Estimate
from onsetstudy.core.seeds import stream
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.outcomes.fair_results import FairComparison
from onsetstudy.report.document import Paragraph
from onsetstudy.report.sections.fair import fair_section
from onsetstudy.study.fair import fair_comparison
from onsetstudy.study.population import analyse_population
from tests.simulation.fair import audit, one


@pytest.fixture(scope="module")
def told():
    made = audit()
    data = one(made, 120, 1.0, stream(3, "fair.test"))
    overall = analyse_population(data, label="", dimension="overall", level="all", minimum=1)
    return data, fair_comparison(data, overall)


def test_a_randomised_study_has_no_fair_comparison(told):
    data, _ = told
    drawn = dataclasses.replace(data.protocol.study, design="parallel", allocation="randomised")
    randomised = dataclasses.replace(data, protocol=dataclasses.replace(data.protocol, study=drawn))
    assert fair_comparison(randomised, None) is None
    assert fair_section(None, data.protocol) is None


def test_weighting_brings_what_was_recorded_into_balance(told):
    _, fair = told
    assert isinstance(fair, FairComparison)
    technique = [row for row in fair.balance if row.covariate == "technique"]
    assert max(abs(row.before) for row in technique) > 0.3
    assert max(abs(row.after) for row in technique) < 1e-6, "overlap weights balance exactly what the model holds"


def test_the_section_names_no_cause_and_shows_the_three_ways(told):
    data, fair = told
    section = fair_section(fair, data.protocol)
    words = " ".join(getattr(block, "text", "") for block in section.blocks)
    assert "no line says that buffering made the difference" in words
    assert "caused" not in words
    e = fair.e_values[0]
    assert f"times as common in one arm and make onset {e.value:.1f} times as likely (E-value)" in words
    assert "risk ratio" not in words
    assert [e for e in fair.lines if isinstance(e.weighted, Estimate)]
    assert from_dict(to_dict(fair)) == fair


def test_with_one_arm_the_section_says_so_and_shows_no_table(told):
    data, fair = told
    section = fair_section(dataclasses.replace(fair, period="one_arm"), data.protocol)
    assert [type(block) for block in section.blocks] == [Paragraph, Paragraph]
    assert section.blocks[1].text == "There is one arm only; nothing can be compared."


def test_without_anything_recorded_the_section_does_not_say_alike_in_nothing(told):
    data, fair = told
    text = fair_section(dataclasses.replace(fair, covariates=()), data.protocol).blocks[0].text
    assert "as nothing was recorded in which cases could differ" in text


@pytest.mark.parametrize(
    ("allocation", "words"),
    [
        ("clinician_choice", "Nobody drew lots: operators chose who was buffered."),
        ("alternating", "Nobody drew lots: the arms alternated, so the next one could be known beforehand."),
        ("date_based", "Nobody drew lots: the date said who was buffered, so the arm could be known beforehand."),
    ],
)
def test_the_section_says_how_arms_came_about_as_the_protocol_has_it(told, allocation, words):
    data, fair = told
    study = dataclasses.replace(data.protocol.study, allocation=allocation)
    text = fair_section(fair, dataclasses.replace(data.protocol, study=study)).blocks[0].text
    assert text.startswith(words)
    assert ("operators chose" in text) == (allocation == "clinician_choice")
