"""The fair comparison in its place: for audits only, and in the report."""

import dataclasses

import numpy as np
import pytest

from onsetstudy.adjustment.propensity import code_columns
from onsetstudy.adjustment.results import FairComparison
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.core.seeds import stream
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.report.document import Paragraph, Table
from onsetstudy.report.sections.appendix.fairness import fair_section
from onsetstudy.study.practice.subsets import analyse_population
from onsetstudy.study.sets.adjusted_contrasts import AlikeCases
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics import baseline
from onsetstudy.study.topics.baseline import CATEGORIES, arm_table
from onsetstudy.study.topics.confounding import COVARIATES, MEASURES, fair_comparison
from tests.simulation.fair import GRID, audit, one
from tests.study.cases import case, readings_of, records


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
    data, fair = told
    assert isinstance(fair, FairComparison)
    arms = data.protocol.arm_codes
    unlike = [row for row in arm_table(data.frame, arms).rows if row.variable in fair.covariates]
    assert max(abs(row.standardised_difference) for row in unlike if row.variable == "technique") > 0.3
    other, design = data.arm == arms[1], code_columns({c: data.column(c) for c in fair.covariates})
    cases = AlikeCases(data=data, other=other, design=design, rows=np.arange(len(data)), strict=True)
    had, had_not = (np.average(cases.matrix[a], axis=0, weights=cases.weight[a]) for a in (other, ~other))
    assert "technique" in {name for name, _ in design.names}
    assert np.max(np.abs(had - had_not)) < 1e-6, "overlap weights balance exactly what the model holds"


@pytest.mark.usefixtures("few_draws")
def test_a_wait_beyond_the_last_test_is_not_told_among_cases_alike_either(told):
    """Testing of all cases stops at 4 minutes; the horizon is 15."""
    data, _ = told
    times = data.times("wait")
    seen = Intervals(np.minimum(times.left, 4.0), np.where(times.right > 4, np.inf, times.right))
    stopped = dataclasses.replace(data, onset=dict.fromkeys(data.onset, seen))
    overall = analyse_population(stopped, label="", dimension="overall", level="all", minimum=1)
    success, wait = fair_comparison(stopped, overall).lines[:2]
    assert isinstance(success.weighted, Estimate)
    assert {getattr(wait, way).code for way in ("crude", "weighted", "standardised")} == {"curve_undefined"}


def test_everything_that_cases_are_alike_in_stands_among_who_was_in_the_arms(told):
    """So that readers see how the arms differ in it as they are."""
    data, fair = told
    assert set(fair.covariates) <= {row.variable for row in arm_table(data.frame, data.protocol.arm_codes).rows}
    assert set(COVARIATES) <= set(CATEGORIES)
    assert set(MEASURES) <= set(baseline.MEASURES)


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


def test_what_cases_are_alike_in_is_told_in_words(told):
    data, fair = told
    named = dataclasses.replace(
        fair, covariates=("practice_id", "clinician_id", "age_band"), left_out=(("clinician_id", "one level only"),)
    )
    words = " ".join(getattr(block, "text", "") for block in fair_section(named, data.protocol).blocks)
    assert "among cases alike in practice, operator and age group" in words
    assert "Not accounted for: operator (one level only)." in words
    assert "clinician id" not in words


def test_with_one_arm_the_section_says_so_and_shows_no_table(told):
    data, fair = told
    section = fair_section(dataclasses.replace(fair, period="one_arm"), data.protocol)
    assert [type(block) for block in section.blocks] == [Paragraph, Paragraph]
    assert section.blocks[1].text == "There is one arm only; nothing can be compared."


def test_without_anything_recorded_the_section_does_not_say_alike_in_nothing(told):
    data, fair = told
    text = fair_section(dataclasses.replace(fair, covariates=()), data.protocol).blocks[0].text
    assert "as nothing was recorded in which cases could differ" in text


def test_nothing_is_called_weighted_where_there_is_nothing_to_weigh_by(told):
    data, _ = told
    nothing = dict.fromkeys((*COVARIATES, "anxiety_before"))
    alike = {"practice_id": "P01", "clinician_id": "P01-A"}
    bare = dataclasses.replace(data, frame=data.frame.assign(**{**nothing, **alike}))
    overall = analyse_population(bare, label="", dimension="overall", level="all", minimum=1)
    fair = fair_comparison(bare, overall)
    assert fair.covariates == ()
    for line in fair.lines:
        assert isinstance(line.weighted, NotAvailable)
        assert isinstance(line.standardised, NotAvailable)
    assert [line for line in fair.lines if isinstance(line.crude, Estimate)]
    section = fair_section(fair, data.protocol)
    (table,) = [block for block in section.blocks if isinstance(block, Table)]
    assert table.columns == ("what", "as it is")
    assert "eighted" not in " ".join((table.caption, *table.notes, *(getattr(b, "text", "") for b in section.blocks)))


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


def with_an_operator_who_always_buffered(extra, n=120):
    """A third operator has ``extra`` of the cases, buffered all; the two others choose by lot."""
    made, rng = audit(), stream(4, "fair.extrapolated")
    operator = np.where(rng.random(n) < 0.5, "P01-A", "P01-B")
    other = rng.random(n) < 0.5
    alone = rng.choice(n, extra, replace=False)
    operator[alone], other[alone] = "P01-C", True
    onset = rng.gamma(3.0, 1.5, n)
    rows, readings = [], []
    for k in range(n):
        arm = "buffered" if other[k] else "plain"
        more = {"clinician_id": operator[k], "allocation": "clinician_choice", "case_date": "2026-08-03"}
        rows.append(case(k + 1, arm, **more))
        readings += readings_of(k + 1, "".join("f" if t < onset[k] else "n" for t in GRID))
    return prepare(made, records(rows, readings, made), through=made.quarters[-1])[0]


def fair_of(data):
    return fair_comparison(data, analyse_population(data, label="", dimension="overall", level="all", minimum=1))


def test_what_is_extrapolated_is_said_beside_the_standardised_result(monkeypatch):
    monkeypatch.setattr("onsetstudy.study.topics.confounding.REPLICATES", 20)
    data = with_an_operator_who_always_buffered(40)
    fair = fair_of(data)
    assert [(g.covariate, g.level, g.never, g.cases) for g in fair.one_sided] == [
        ("clinician_id", "P01-C", "plain", 40)
    ]
    said = (
        "40 of 120 cases are in groups that never had one of the arms (operator P01-C: 40 cases, never not buffered). "
        "What that arm would have done for them is extrapolated from unlike cases in the standardised result; these "
        "cases cannot check it, and the limits do not allow for it."
    )
    assert [c.text for c in fair.caution if c.code == "extrapolated"] == [said]
    for line in fair.lines:
        assert not isinstance(line.weighted, Estimate)
        assert isinstance(line.standardised, Estimate)
        assert [c.text for c in line.standardised.caution] == [said]
    table = next(b for b in fair_section(fair, data.protocol).blocks if isinstance(b, Table))
    assert table.notes[-1] == said
    assert from_dict(to_dict(fair)) == fair


def test_where_both_arms_were_used_everywhere_nothing_is_extrapolated(told):
    _, fair = told
    assert fair.one_sided == ()
    assert not [c for c in fair.caution if c.code == "extrapolated"]
    assert not [c for line in fair.lines for c in line.standardised.caution]


def test_arms_that_only_several_covariates_together_tell_are_said_too(monkeypatch):
    """Every technique and every operator had both arms, yet A's infiltrations were buffered all and B's blocks
    none: the two together tell the arm."""
    monkeypatch.setattr("onsetstudy.study.topics.confounding.REPLICATES", 5)
    made, rng = audit(), stream(5, "fair.together")
    rows, readings = [], []
    cells = [("P01-A", "ianb"), ("P01-A", "buccal_infiltration"), ("P01-B", "ianb"), ("P01-B", "buccal_infiltration")]
    for k in range(80):
        operator, technique = cells[k % 4]
        chosen = {0: k % 8 < 4, 1: True, 2: False, 3: k % 8 < 4}[k % 4]
        more = {"clinician_id": operator, "technique": technique, "allocation": "clinician_choice"}
        rows.append(case(k + 1, "buffered" if chosen else "plain", case_date="2026-08-03", **more))
        onset = rng.gamma(3.0, 1.5)
        readings += readings_of(k + 1, "".join("f" if t < onset else "n" for t in GRID))
    fair = fair_of(prepare(made, records(rows, readings, made), through=made.quarters[-1])[0])
    assert fair.one_sided == ()
    assert any(isinstance(line.standardised, Estimate) for line in fair.lines)
    text = next(c.text for c in fair.caution if c.code == "extrapolated")
    assert text.startswith("Taken together, what was recorded says for some cases which arm they had for certain")
