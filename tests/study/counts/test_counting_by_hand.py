"""Where rows become counts and counts become estimates: strata, kept information, minutes, undecided shares."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.intervals import Intervals
from onsetstudy.pool.combine import PoolOptions
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import _information_kept
from onsetstudy.study.group.analyse_group import _cumulative
from onsetstudy.study.group.stratified_ipd import subgroups_by
from onsetstudy.study.group.stratified_success import success_tables
from onsetstudy.survival.summaries.npmle_proportion import share_numb_by
from tests.study.cases import case, protocol, readings_of, records, set_of
from tests.study.counts.test_counts_of_meaning import cells_of

PROTOCOL = protocol()
ROWS = [(arm, left, left + 1, n) for arm, counts in (("plain", (4, 6, 5)), ("buffered", (7, 5, 3)))
        for left, n in enumerate(counts, 1)]  # fmt: skip
ONE, TWO = (cells_of(PROTOCOL, [(code, *row) for code in codes for row in ROWS]) for codes in (["A"], ["A", "B"]))


def test_two_practices_are_two_strata_and_one_is_none():
    assert set_of(ONE, PROTOCOL).stratum() is None
    code = set_of(TWO, PROTOCOL).stratum()
    assert len(set(code[TWO["practice_id"] == "A"])) == len(set(code[TWO["practice_id"] == "B"])) == 1
    assert len(set(code)) == 2


def test_what_merging_costs_is_counted_of_the_two_arms_compared():
    third = dataclasses.replace(PROTOCOL.arms[1], code="third", label="third")
    promised = dataclasses.replace(PROTOCOL, arms=(*PROTOCOL.arms, third))
    more = pd.concat([ONE, ONE.iloc[:2].assign(arm="third", n=9)], ignore_index=True)
    assert _information_kept(more, ONE, promised) == pytest.approx(1.0, rel=1e-12)
    # Twice the cases have about twice the information.
    assert _information_kept(ONE, ONE.assign(n=2 * ONE["n"]), promised) == pytest.approx(2.0, abs=0.1)


def test_spread_of_practices_is_told_from_two_on_and_quarters_add_up():
    labels = [q.label for q in PROTOCOL.quarters[:2]]
    late = TWO[TWO["practice_id"] == "B"].assign(quarter=labels[1])
    counted = pd.concat([ONE, late], ignore_index=True)
    alone, both = _cumulative(set_of(counted, PROTOCOL), PROTOCOL.quarters[1], PoolOptions())
    assert (alone.label, both.label) == tuple(labels)
    assert both.tau2 == 0
    assert both.result.n.cases == 2 * ONE["n"].sum()
    assert [s.label for s in _cumulative(set_of(counted, PROTOCOL), PROTOCOL.quarters[0], PoolOptions())
            ] == labels[:1]  # fmt: skip


def test_two_practices_are_enough_to_ask_whether_they_differ():
    test = subgroups_by("practice_id", set_of(TWO, PROTOCOL)).test
    assert (test.df, test.p_value) == (1, pytest.approx(1.0, abs=1e-6))


def test_minutes_spent_are_those_of_waiting_and_of_mixing_and_one_left_out_is_none_of_them():
    first = str(PROTOCOL.quarters[0].first_day)
    rows = [
        case(1, "buffered", mixing_min="1.5", treatment_start_min="6", case_date=first),
        case(2, "plain", treatment_start_min="6", case_date=first),
        case(3, "plain", treatment_start_min="6", case_date=str(PROTOCOL.quarters[1].first_day)),
    ]
    tests = [row for number in (1, 2, 3) for row in readings_of(number, "fnn")]
    tally = tally_records(PROTOCOL, records(rows, tests, PROTOCOL), through=PROTOCOL.quarters[0])
    spent = tally.values[tally.values["quantity"] == "spent"].set_index("arm")["value"].to_dict()
    assert spent["buffered"] - spent["plain"] == pytest.approx(1.5)
    flow = tally.flow.set_index(["stage", "code"])["n"].to_dict()
    assert flow == {("recorded", ""): 3, ("analysed", ""): 2, ("left_out", "later_quarter"): 1}


def test_variance_grows_by_what_the_undecided_arm_lost_alone():
    arms = {"plain": [(1, 2, 2), (3, 4, 8)], "buffered": [(1, 2, 4), (1, 4, 6), (3, 4, 4)]}
    cells = cells_of(PROTOCOL, [("A", arm, *row) for arm, rows in arms.items() for row in rows])
    tables = success_tables(set_of(cells, PROTOCOL), 2.0)
    assert (tables.numb.tolist(), tables.not_numb.tolist(), tables.undecided.tolist()) == (
        [[2, 4]], [[8, 4]], [[0, 6]])  # fmt: skip
    # Of those that were decided half were numb in time.
    assert tables.likely.tolist() == [[0.0, pytest.approx(3)]]
    left, right, n = (np.array(column, dtype=float) for column in zip(*arms["buffered"], strict=True))
    kept = share_numb_by(Intervals(left, right), 2.0, weight=n).effective_n / n.sum()
    assert kept == pytest.approx(8 / 14, abs=0.05)
    # How precise each arm is: of its share, and of its log odds.
    of_share = {"plain": 10 / (0.2 * 0.8), "buffered": 14 / (0.5 * 0.5)}
    of_log_odds = {"plain": 10 * 0.2 * 0.8, "buffered": 14 * 0.5 * 0.5}
    difference, odds = (
        (1 / one["plain"] + 1 / one["buffered"] / kept) / (1 / one["plain"] + 1 / one["buffered"])
        for one in (of_share, of_log_odds)
    )
    assert tables.inflation == pytest.approx((difference, odds))


def test_practices_that_go_opposite_ways_differ():
    turned = ONE.assign(practice_id="B", arm=ONE["arm"].map({"plain": "buffered", "buffered": "plain"}))
    steep = [("plain", 5, 6, 20), ("plain", 1, 2, 2), ("buffered", 1, 2, 20), ("buffered", 5, 6, 2)]
    fast = cells_of(PROTOCOL, [("A", *row) for row in steep])
    slow = fast.assign(practice_id="B", arm=fast["arm"].map({"plain": "buffered", "buffered": "plain"}))
    test = subgroups_by("practice_id", set_of(pd.concat([fast, slow], ignore_index=True), PROTOCOL)).test
    assert test.statistic > 10
    assert test.p_value < 0.001
    mild = subgroups_by("practice_id", set_of(pd.concat([ONE, turned], ignore_index=True), PROTOCOL)).test
    assert 0 < mild.statistic < test.statistic
