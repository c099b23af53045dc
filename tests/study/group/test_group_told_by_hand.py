"""What a group is told of its arms, harms, looks and agreement, from counts of a few rows."""

from __future__ import annotations

import dataclasses
import math

import pandas as pd
import pytest

from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.study.answer.cautions import arms_caution, group_arms_caution
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.counted_estimates import difference_of_counts
from onsetstudy.study.group.harms import group_harms
from onsetstudy.study.group.interim import primary_result
from onsetstudy.study.group.stratified_ipd import onset_test
from onsetstudy.study.practice.interim import score_of
from onsetstudy.survival.ranktests.compare import compare_arms
from tests.study.cases import case, protocol, readings_of, records, set_of
from tests.study.counts.test_counting_by_hand import TWO
from tests.study.counts.test_files_by_hand import PROTOCOL, tally_of


def test_arms_are_told_unless_every_one_was_verified():
    all_found = ArmStanding(source="log", cases=5, verified=5, other_arm=1)
    assert arms_caution(None) is None
    assert arms_caution(all_found) is None
    assert arms_caution(dataclasses.replace(all_found, cases=20, verified=20, other_arm=2)) is None
    many = dataclasses.replace(all_found, cases=20, verified=20, other_arm=3)
    assert arms_caution(many).text.startswith("3 of 20 verified cases received another arm than chance had chosen")
    assert "4 of 5 rand" in arms_caution(dataclasses.replace(all_found, verified=4, other_arm=4)).text
    assert "4 of 4 veri" in arms_caution(dataclasses.replace(all_found, verified=4, other_arm=4)).text
    assert arms_caution(dataclasses.replace(all_found, cases=0, verified=0)) is None
    assert "4 of 5" in arms_caution(dataclasses.replace(all_found, verified=4)).text
    assert "the other 1 counts" in arms_caution(dataclasses.replace(all_found, verified=4)).text
    assert "the other 2 count " in arms_caution(dataclasses.replace(all_found, verified=3)).text
    assert arms_caution(dataclasses.replace(all_found, verified=0)).text.startswith("Alarm: none of 5")
    unasked = dataclasses.replace(all_found, source="none", reason="no log was kept")
    assert "no log was kept" in arms_caution(unasked).text


def test_standings_of_files_that_go_on_are_said_to_be_of_all_that_was_sent():
    known = ArmStanding(source="log", reason="", cases=20, kept=0, other_arm=1, verified=20)
    assert group_arms_caution([known]).text == "Compared as allocated: 1 of 20 cases received another arm."
    assert "1 of 20 cases (of all that was sent, also after 2026Q2) received" in (
        group_arms_caution([known], also_after="2026Q2").text
    )


def test_a_standing_counts_nothing_where_nothing_was_counted():
    row = [("P01", "log", "", "cases", 7)]
    arms = pd.DataFrame(row, columns=["practice_id", "source", "reason", "what", "n"])
    found = dataclasses.replace(tally_of(), arms=arms).standing
    assert found == ArmStanding(source="log", cases=7, verified=0, other_arm=0)
    assert tally_of().standing is None


def test_one_case_rated_is_enough_to_know_how_many_were():
    told = pd.DataFrame(
        [("P01", "plain", what, n) for what, n in (("cases", 10), ("recorded", 5), ("event", 3), ("rated", 1))],
        columns=["practice_id", "arm", "what", "n"],
    )
    some, serious = group_harms(told, PROTOCOL)
    assert (some.arms[0].count, some.arms[0].cases) == (3, 5)
    assert (serious.arms[0].count, serious.arms[0].cases) == (0, 1)


@pytest.mark.parametrize("primary", ["rmst_difference", "success_difference"])
def test_a_look_at_a_difference_is_that_difference_over_the_error_of_its_interval(primary):
    found = difference_of_counts(primary, set_of(TWO, PROTOCOL))
    z, information = score_of(primary_result(set_of(TWO, protocol(plan={"primary": primary}))), primary)
    end = found.interval.low if found.estimate > 0 else found.interval.high
    assert abs(z) == pytest.approx(1.9599640 * found.estimate / (found.estimate - end))
    assert information == pytest.approx((z / found.estimate) ** 2)


def test_a_look_at_the_rate_is_the_test_of_onset_within_practices():
    ratio = "hazard_ratio"
    z, information = score_of(primary_result(set_of(TWO, protocol(plan={"primary": ratio}))), ratio)
    test = onset_test(set_of(TWO, PROTOCOL))
    assert abs(z) == pytest.approx(abs(test.statistic))
    assert information == pytest.approx(test.variance[0])
    # Of few cases the P value is that of their labels exchanged, as in a practice's own report of the same rows.
    rows = set_of(TWO.loc[TWO.index.repeat(TWO["n"])].assign(n=1), PROTOCOL)
    by_rows = compare_arms(
        rows.times("hazard"), rows.arm, reference_arm="plain", method="permutation",
        stratum=rows.stratum(), seed=PROTOCOL.plan.seed,
    )  # fmt: skip
    assert test.p_value == pytest.approx(by_rows.p_value, rel=1e-9)
    assert test.p_value == pytest.approx(math.erfc(abs(z) / math.sqrt(2)), rel=0.2)


def test_pain_is_counted_where_the_protocol_records_it():
    rows = [case(1, "plain", pain_deposition="20"), case(2, "buffered", pain_deposition="35"), case(3, "plain")]
    tests = [row for number in (1, 2, 3) for row in readings_of(number, "fnn")]
    tally = tally_records(PROTOCOL, records(rows, tests, PROTOCOL), through=PROTOCOL.quarters[-1])
    pain = tally.values[tally.values["quantity"] == "pain_deposition"]
    assert pain.set_index("arm")["value"].to_dict() == {"plain": 20, "buffered": 35}
    assert pain["n"].tolist() == [1, 1]
    assert set(pain["known"]) == {"exactly"}
