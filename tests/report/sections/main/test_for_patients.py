"""Half a page for patients: what page 1 claims, in plain words, and nothing by arm while the study goes on."""

from __future__ import annotations

import dataclasses
import re

import pytest

from onsetstudy.core.claims import Look
from onsetstudy.files.documents.reports import write_report
from onsetstudy.report.documents.papers import compose_patient_results
from onsetstudy.report.render.html import render_html
from onsetstudy.report.sections.main.for_patients import _told
from tests.report.samples import estimate, rich, small
from tests.report.test_one_answer import with_treatments
from tests.study.cases import protocol

pytestmark = pytest.mark.usefixtures("unpainted")

LAST = protocol().quarters[-1].label


def closing(results, **plan):
    made = protocol(plan=plan) if plan else results.protocol
    return dataclasses.replace(results, quarter=made.quarters[-1].label, protocol=made)


def running(results):
    return dataclasses.replace(results, quarter=results.protocol.quarters[0].label, looks=None)


def said(results):
    blocks = [b for s in compose_patient_results(results).sections for b in s.blocks]
    return [t for b in blocks for t in ((b.text,) if b.kind == "paragraph" else b.texts)]


def with_wait(value, low, high):
    results = rich()
    apart = estimate("rmst_difference", "buffered - plain", value, low, high, "min", results.overall.n)
    overall = dataclasses.replace(results.overall, wait_difference=apart)
    return closing(dataclasses.replace(results, overall=overall, looks=None))


def test_what_was_found_is_what_page_one_claims():
    text = " ".join(said(with_wait(-1.3, -2.1, -0.4)))
    assert "numb about 1.3 minutes sooner on average" in text
    assert "from 0.4 to 2.1 minutes sooner" in text
    later = " ".join(said(with_wait(1.3, 0.4, 2.1)))
    assert "1.3 minutes later" in later


def test_what_cannot_be_told_is_not_told():
    text = " ".join(said(with_wait(-0.5, -2.0, 1.0)))
    assert "We could not tell which injection makes teeth numb sooner" in text
    assert "from 1.0 minutes later to 2.0 minutes sooner" in text


@pytest.mark.parametrize(("side", "word"), [(1, "sooner"), (-1, "later")])
def test_the_verdict_of_an_interim_analysis_is_not_withheld_where_the_size_is_open(side, word):
    """Page 1 gives the direction that was decided; the page for patients must not say that nobody can tell."""
    claim = with_wait(-0.5, -2.0, 1.0).claims.primary()
    look = Look(
        number=3, planned=4, label="2026Q2", code="crossed", side=side, counted=269, planned_count=380, unit="onsets",
        critical=2.4, later=True,
    )  # fmt: skip
    made = dataclasses.replace(claim, looks=look)
    text = _told(made, protocol())
    assert "could not tell" not in text
    assert f"passed a limit set beforehand: {word} with buffered injections" in text
    assert "from 1.0 minutes later to 2.0 minutes sooner" in text
    going_on = dataclasses.replace(made, looks=dataclasses.replace(look, code="continue", side=0))
    assert "We could not tell which" in _told(going_on, protocol())


def test_nothing_by_arm_while_the_study_goes_on():
    going = running(rich())
    text = " ".join(said(going))
    assert "not over" in text
    assert str(going.overall.n.by_arm[0].cases) not in re.findall(r"\d+", text)
    assert not re.search(r"sooner|later|lower|higher|serious", text)


@pytest.mark.parametrize("make", [rich, small])
@pytest.mark.parametrize("key", ["rmst_difference", "hazard_ratio", "success_difference", "pain_difference",
                                 "treatment_success_difference"])  # fmt: skip
def test_every_main_outcome_has_plain_words_and_no_advice(make, key):
    text = " ".join(said(closing(with_treatments(make()), primary=key)))
    assert "Draft for the ethics committee" in text
    assert "nor which injection is right for you" in text
    assert not re.search(r"recommend|should|safe|better|percentage points|hazard|restricted|interval", text)
    assert "{" not in text


def test_it_is_half_a_page():
    assert len(" ".join(said(closing(rich()))).split()) < 260


def test_it_is_written_with_the_report_where_asked(tmp_path):
    results = closing(rich())
    names = {p.name for p in write_report(results, tmp_path / "a", formats=["html"], for_patients=True)}
    assert len(names) == 2
    assert any(name.endswith(f"{LAST}-for-patients.html") for name in names)
    assert len(write_report(results, tmp_path / "b", formats=["html"])) == 1
    assert "Results for patients" in render_html(compose_patient_results(results))
