"""Files, terminal, page 1 and appendix tell the same claims, and each caution's text stands in a file once."""

from __future__ import annotations

import json

import pytest

from onsetstudy.core.claims import Look
from onsetstudy.core.results import Estimate
from onsetstudy.core.serialise import from_dict
from onsetstudy.files.documents.reports import results_json
from onsetstudy.report.claims_told import answer_line, looks_note
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.sections.appendix.statistician import _numbers_table, claims_table
from onsetstudy.report.sentences import short_value
from tests.report.claimed import claim, group_of
from tests.report.samples import rich, small


def whole(results):
    return json.loads(results_json(results))


@pytest.mark.parametrize("make", [rich, small])
def test_file_terminal_page_and_appendix_tell_one_claim(make):
    results = make()
    answer = next(b for b in compose(results).sections[0].blocks if b.kind == "answer")
    lead = next(c for c in whole(results)["claims"] if c["leads"])
    assert lead["sentence"] == f"{answer.seen} {answer.allows}".strip() == answer_line(results.claims, results.protocol)
    shown = {row[0]: row[1] for row in claims_table(results).rows}
    for told in results.claims.page_one():
        assert shown[told.quantity.name] == (short_value(told) or "–")
    assert results.claims.get("pain_difference").quantity.name in shown


def test_the_group_file_tells_what_its_page_tells():
    group = group_of(rich())
    answer = next(b for b in compose_group(group).sections[0].blocks if b.kind == "answer")
    lead = next(c for c in whole(group)["claims"] if c["leads"] and not c["subset"])
    assert answer.seen in lead["sentence"]


def kept(value, kind):
    if isinstance(value, dict):
        return [*([value] if value.get("kind") == kind else []), *(k for v in value.values() for k in kept(v, kind))]
    return [k for v in value for k in kept(v, kind)] if isinstance(value, list) else []


@pytest.mark.parametrize("make", [rich, small, lambda: group_of(rich())])
def test_each_annotation_stands_in_the_file_once(make):
    results = make()
    data = whole(results)
    found = [json.dumps(k, sort_keys=True) for kind in ("assumption", "caution") for k in kept(data, kind)]
    assert len(found) == len(set(found)) == len(data["annotations"]) > 0
    assert whole(from_dict(data)) == data


@pytest.mark.parametrize(("code", "stopped"), [("continue", False), ("crossed", True), ("ended", True)])
def test_a_claim_says_what_its_interval_is_once_the_study_has_stopped(code, stopped):
    look = Look(number=3, planned=4, label="2026Q2", code=code, side=0, counted=300, planned_count=350, unit="onsets",
                critical=2.4)  # fmt: skip
    assert looks_note(claim("rmst_difference", -1.5, -2.5, -0.5)) == ""
    note = looks_note(claim("rmst_difference", -1.5, -2.5, -0.5, look=look, leads=True))
    assert "repeated confidence interval" in note
    assert ("decided at analysis 3" in note) == stopped


@pytest.mark.parametrize("make", [rich, small])
def test_every_estimate_shows_the_minutes_saved_of_page_one(make):
    results = make()
    rows = [row for row in _numbers_table(results).rows if row[0].startswith("Restricted mean") and "less" in row[1]]
    wait = results.overall.wait_difference
    for row in rows:
        assert row[-1] == "min saved"
        saved, low, high = (float(cell.strip().replace("−", "-")) for cell in row[2:5])
        assert (saved, low, high) == pytest.approx((-wait.estimate, -wait.interval.high, -wait.interval.low), abs=0.005)
        assert low <= saved <= high
    assert len(rows) == isinstance(wait, Estimate)
