"""No claim of a group is bolder than that of the records where joined quarters move the interim analyses."""

import dataclasses
import json
from pathlib import Path

import pytest

from onsetstudy.core.results import Estimate
from onsetstudy.files.exchange import read_exchanges
from onsetstudy.report.sections.group.pooled import HELD, binding_words
from onsetstudy.study.answer.claims import deciding_look
from onsetstudy.study.group.analyse_group import analyse_group
from tests.study import demo

REPORTS = Path("reports")


@pytest.fixture(scope="module")
def group():
    return analyse_group(read_exchanges([Path("data/synthetic/exchange")]), demo.PROTOCOL)


def test_the_shipped_pages_of_practices_and_group_claim_no_direction_that_the_other_withholds():
    names = ("2026Q3.json", "group-2026Q3.coordinator.json")
    told = [json.loads((REPORTS / f"mandibular-block-group-{name}").read_text(encoding="utf-8")) for name in names]
    practice, pooled = ({c["key"]: c for c in found["claims"] if not c["subset"] and not c["leads"]} for found in told)
    shared = practice.keys() & pooled.keys()
    assert "hazard_ratio" in shared
    for key in shared:
        assert pooled[key]["direction"] == practice[key]["direction"], key
        assert pooled[key]["low"] <= practice[key]["low"] + 1e-6, key
        assert pooled[key]["high"] >= practice[key]["high"] - 1e-6, key


def test_claims_beside_the_verdict_are_held_to_the_strictest_boundary_that_may_have_decided(group):
    verdict = deciding_look(group.looks)
    assert group.strictest > verdict.critical
    lead = group.claims.primary()
    assert (lead.looks, lead.looks.other) == (verdict, False)
    beside = [c for c in group.claims if not c.leads and isinstance(c.answer, Estimate)]
    assert beside
    assert {(c.looks.critical, c.looks.other) for c in beside} == {(group.strictest, True)}
    [told] = binding_words(group)
    assert told.endswith(HELD)


def test_where_it_cannot_be_known_which_analysis_decides_the_caution_names_what_hangs_on_it(group):
    moved = dataclasses.replace(group, unlike_rows=("beyond",), strictest=0.0)
    [told] = binding_words(moved)
    named = told.partition("no direction would be told of ")[2]
    sure, unsure = moved.claims.get("hazard_ratio"), moved.claims.get("chair_time_difference")
    assert (sure.bears.side, unsure.bears.side) == (1, 0)
    assert sure.quantity.name in named
    assert unsure.quantity.name not in named
    assert binding_words(dataclasses.replace(group, unlike_rows=())) == []
