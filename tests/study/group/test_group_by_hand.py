"""A group of two small practices: what its page counts, and what files that go on after the quarter do not tell."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import pandas as pd
import pytest

from onsetstudy.core.results import Estimate
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.counts.exchange_check import check_exchange
from onsetstudy.study.group.analyse_group import _whole, analyse_group
from onsetstudy.study.group.stratified_ipd import pool_in_one_stage
from tests.report.claimed import group_of
from tests.report.samples import counts, estimate, rich
from tests.study.cases import protocol, set_of
from tests.study.counts.test_files_by_hand import PROTOCOL, SHA, arms, tally_of

N = counts(10, 10, (8, 9))


@pytest.fixture(scope="module")
def group():
    files = []
    for code in ("P01", "P02"):
        tally = tally_of(code)
        stages = [("recorded", 20), ("analysed", 20)]
        if code == "P01":
            stages = [("recorded", 21), ("refused", 1), ("analysed", 20)]
        flow = pd.DataFrame([(code, s, "", n) for s, n in stages], columns=["practice_id", "stage", "code", "n"])
        made = make_exchange(dataclasses.replace(tally, flow=flow), PROTOCOL, code, records_digest=SHA)
        files.append((f"{code}.json", made))
    return analyse_group(files, PROTOCOL)


def test_what_no_file_counts_is_nought(group):
    told = {p.code: (p.recorded, p.refused, p.left_out, p.scores, p.moved) for p in group.practices}
    assert told == {"P01": (21, 1, 0, 20, 0), "P02": (20, 0, 0, 20, 0)}
    assert sorted(p.letter for p in group.practices) == ["A", "B"]
    assert all(p.by_quarter == ((PROTOCOL.quarters[0].label, 20),) for p in group.practices)


def test_two_alike_practices_have_one_number_and_few_are_told(group):
    assert "few_practices" in [c.code for c in group.caution]
    assert next(c.code for c in group.caution) == "test_the_tooth"
    assert "2 practices: how much" in next(c.text for c in group.caution if c.code == "few_practices")
    assert group.notes == ()
    assert group.overall.n.cases == 40
    assert [s.label for s in group.cumulative] == [PROTOCOL.quarters[0].label]
    ratio = next(p for p in group.pooled if p.quantity == "hazard_ratio")
    assert ratio.heterogeneity.tau2 == 0
    assert not any("spread" in r.reasons for r in group.reconciled)
    assert [m.weight for m in ratio.members] == pytest.approx([0.5, 0.5])
    assert group.quarter == PROTOCOL.quarters[0].label
    assert group.beyond == ()
    # One ratio for each of two practices against one for both: one degree of freedom.
    assert next(s for s in group.subgroups if s.grouping == "practice").test.df == 1


def test_counts_without_a_quarter_are_kept_out_where_the_file_goes_on():
    own = tuple(
        estimate(key, "buffered - plain", 1.0, 0.5, 1.5, unit, N)
        for key, unit in (("rmst_difference", "min"), ("pain_difference", "mm"), ("chair_time_difference", "min"))
    )
    period = SimpleNamespace(beyond=(("P01", "2026Q3"),), label="2026Q1")
    assert _whole(own, "P02", period) == own
    found = _whole(own, "P01", period)
    assert found[0] is own[0]
    assert [e.code for e in found[1:]] == ["no_quarter", "no_quarter"]
    assert found[1].reason == (
        "its file goes on to 2026Q3, and these counts carry no quarter; ask for a file that ends with 2026Q1"
    )
    assert not any(isinstance(e, Estimate) for e in found[1:])


def test_a_randomised_case_of_a_file_that_records_none_is_one_too_many():
    file = arms(cases=1)
    empty = dataclasses.replace(file, flow=dataclasses.replace(file.flow, rows=()))
    assert "more randomised cases than recorded ones" in [p.what for p in check_exchange(empty)]


def test_a_third_arm_is_in_no_comparison_of_two():
    third = dataclasses.replace(PROTOCOL.arms[1], code="third", label="third")
    promised = dataclasses.replace(PROTOCOL, arms=(*PROTOCOL.arms, third))
    tally = tally_of()
    more = pd.concat([tally.cells, tally.cells.iloc[:1].assign(arm="third", n=9)], ignore_index=True)
    two, three = (
        pool_in_one_stage(set_of(cells, p, tally.values)) for cells, p in ((tally.cells, PROTOCOL), (more, promised))
    )
    assert three.n.cases == two.n.cases == 20
    assert [c.arm for c in three.curves] == ["plain", "buffered"]
    assert three.onset_test.p_value == pytest.approx(two.onset_test.p_value)
    assert [a.contrast for a in three.by_target] == ["plain", "buffered"]


def test_a_primary_outcome_that_no_file_holds_is_said_to_be_missing():
    found = group_of(rich())
    promised = protocol(plan={"primary": "pain"})
    bare = dataclasses.replace(
        found, protocol=promised, pooled=tuple(p for p in found.pooled if p.quantity != "pain_difference")
    )
    lead = bare.claims.primary()
    assert lead.leads
    assert (lead.quantity.key, lead.answer.code) == ("pain_difference", "nothing_sent")
    assert lead.answer.reason == "no file holds it for this period"
    assert lead.population == f"{found.overall.n.cases} cases of 2 practices"
    whole = dataclasses.replace(found, protocol=promised).claims.primary()
    assert whole.leads
    assert isinstance(whole.answer, Estimate)
