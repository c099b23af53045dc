"""Papers for a committee promise nothing, mark what only people can say, and name sections that the report has."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from onsetstudy.files.documents.case_sheet import case_sheet
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.governance import Conduct, Governance
from onsetstudy.report.documents.papers import compose_papers
from onsetstudy.report.documents.protocol import compose_protocol
from onsetstudy.report.render.html import render_html
from onsetstudy.report.sections.before.papers import GAP, RANDOMISED, STROBE
from onsetstudy.study.planning.power import aim_of, rate_needed
from onsetstudy.study.planning.sizes import main_size

ROOT = Path(__file__).parents[4]
GROUP = read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")
AUDIT = read_protocol(ROOT / "protocols" / "infiltration_audit.toml")


def words(document):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", render_html(document)))


@pytest.mark.parametrize("protocol", [GROUP, AUDIT], ids=["randomised", "audit"])
def test_no_paper_promises_a_benefit_and_each_is_a_draft(protocol):
    information, consent, _ = compose_papers(protocol)
    for paper in (information, consent):
        text = words(paper)
        assert "Draft for the ethics committee" in text
        assert "may have no advantage" in text
        assert not re.search(r"will (help|benefit|hurt less|be numb)|you (will )?benefit|works better|is safe", text)
        assert GAP in text
    assert "We do not know which of them" in words(information)


def test_chance_is_told_to_patients_of_a_randomised_study_only():
    assert "Chance decides" in words(compose_papers(GROUP)[0])
    audit = words(compose_papers(AUDIT)[0])
    assert "Chance decides" not in audit
    assert "Your dentist decides" in audit


@pytest.mark.parametrize(
    ("design", "allocation", "told"),
    [
        ("crossover", "randomised", "each of these injections, one at each of your visits. Chance decides which comes"),
        ("split_mouth", "randomised", "one on each side of the mouth. Chance decides which side gets which"),
        ("before_after", "date_based", "The date decides which injection you get"),
        ("parallel", "alternating", "The order in which patients come decides which injection you get"),
    ],
)
def test_patients_are_told_what_they_get_and_what_decides_it(design, allocation, told):
    study = dataclasses.replace(GROUP.study, design=design, allocation=allocation)
    text = words(compose_papers(dataclasses.replace(GROUP, study=study))[0])
    assert told in text
    assert "Your dentist decides" not in text


def test_the_protocol_document_speaks_in_words_and_of_its_own_main_outcome():
    rescue = dataclasses.replace(GROUP.rescue, hazard="treatment_policy")
    made = dataclasses.replace(
        GROUP,
        rescue=rescue,
        schedule=dataclasses.replace(GROUP.schedule, control_tooth="none"),
        conduct=Conduct(texts=(("roles", "as listed... and signed."), ("funding", "the practice"))),
        governance=Governance(texts=(("funding", " "),)),
    )
    text = words(compose_protocol(made, None, aim_of(made)))
    assert "treatment policy for the hazard ratio" in text
    assert "A control tooth is not asked for, a response" in text
    assert "Onset is the first of 2 consecutive valid tests that were not felt" in text
    study = dataclasses.replace(GROUP.study, blinding=(("assessor", "yes"), ("patient", "unknown")))
    unsaid = words(compose_protocol(dataclasses.replace(GROUP, study=study), None))
    assert "Blinded: assessor. Not blinded: nobody. Not stated: patient and operator." in unsaid
    alone = dataclasses.replace(made, onset=dataclasses.replace(GROUP.onset, confirmations=1))
    assert "Onset is the first valid test that was not felt" in words(compose_protocol(alone, None))
    assert case_sheet(alone).rule.startswith("Stop after a test not felt.")
    assert "as listed... and signed. " in text
    assert "Who pays, and with what: the practice." in text
    assert "should find a difference of 0.5 min in its main outcome" in text
    for primary, told in {
        "hazard_ratio": "should find a hazard ratio of 1.6 in",
        "success_difference": "should find the difference that a hazard ratio of 1.6 makes in",
        "pain_difference": "should find a difference of 10 mm in",
        "treatment_success_difference": "No difference in the main outcome is named",
    }.items():
        plan = dataclasses.replace(GROUP.plan, primary=primary)
        asked = dataclasses.replace(GROUP, plan=plan)
        assert told in words(compose_protocol(asked, None, aim_of(asked)))


def test_the_protocol_document_sets_the_size_that_its_aim_takes_beside_the_planned_one():
    text = words(compose_protocol(GROUP, None, aim_of(GROUP)))
    assert f"which takes {main_size(GROUP).total} cases to include (by formula, for a single analysis, " in text
    assert "; planned: 380 onsets. The planned information is too little for it: amend the protocol" in text
    rate = dataclasses.replace(GROUP, plan=dataclasses.replace(GROUP.plan, primary="hazard_ratio"))
    enough = dataclasses.replace(rate, looks=dataclasses.replace(GROUP.looks, planned_information=420))
    text = words(compose_protocol(enough, None, aim_of(enough)))
    assert f"takes {rate_needed(enough).included} cases to include (by simulation, log-rank test); planned: 420" in text
    assert "too little" not in text


def test_how_often_and_how_long_the_tooth_is_tested_is_the_protocols():
    tests = GROUP.schedule.tests_min
    assert f"up to {len(tests)} times within {max(tests):g} minutes" in words(compose_papers(GROUP)[0])


def test_every_section_named_is_a_title_of_the_report():
    source = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "onsetstudy" / "report").rglob("*.py")
                     if "before" not in p.parts)  # fmt: skip
    outside = {"answer (page 1)", "planning report", "protocol document", ""}
    named = {part for row in (*STROBE, *RANDOMISED) for part in row[-1].split("; ")} - outside
    assert len(named) > 8
    assert named <= set(re.findall(r'Section\.of[(,]\s*"\w+",\s*"([^"]*)"', source))
    assert "item numbers from memory" in words(compose_papers(AUDIT)[2])
    assert "Without item numbers" in words(compose_papers(GROUP)[2])
