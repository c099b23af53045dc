"""A tally of six cases written out: who recorded what, how late each tooth was, and which row is counted where."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

from onsetstudy.pool.funnel import funnel
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.exchange_results import CountTable
from onsetstudy.study.group.pool_files import gather
from tests.study.cases import case, protocol, readings_of, records
from tests.study.counts.test_files_by_hand import FILE, PROTOCOL

PROMISED = protocol()
THROUGH = PROMISED.quarters[-1]
EVENTS = (("none", None), ("paraesthesia", "no"), ("paraesthesia", "yes"), ("paraesthesia", None), (None, None),
          (None, "yes"))  # fmt: skip
ANSWERS = ("nnn", "fnn", "ffn", "fff", "n", "fn")


@pytest.fixture(scope="module")
def tally():
    rows, tests = [], []
    for number, ((event, serious), answers) in enumerate(zip(EVENTS, ANSWERS, strict=True), start=1):
        more = {"adverse_event": event, "adverse_serious": serious, "clinician_id": f"P01-{'AB'[number % 2]}"}
        rows.append(case(number, "plain", **{k: v for k, v in more.items() if v is not None}))
        tests += readings_of(number, answers)
    return tally_records(PROMISED, records(rows, tests, PROMISED), through=THROUGH)


def test_harms_are_told_by_what_was_recorded(tally):
    counted = tally.safety.set_index("what")["n"].to_dict()
    # Recorded: an event named (none among them), or one rated serious. Of one not rated nobody knows how bad it was.
    assert counted == {"cases": 6, "recorded": 5, "rated": 4, "event": 4, "serious": 2}


def test_a_tooth_is_numb_by_the_target_not_numb_or_undecided(tally):
    target = PROMISED.onset.target_min
    assert target == 2
    told = tally.operators.groupby("outcome")["n"].sum().to_dict()
    assert sum(told.values()) == 6
    # Numb at 1 or 2 minutes and at the test after it; felt at 2 minutes; numb at the last test only.
    assert told == {"numb": 2, "not_numb": 2, "undecided": 2}
    assert set(tally.operators["clinician_id"]) == {"P01-A", "P01-B"}


def test_every_case_is_in_the_flow_once(tally):
    assert tally.flow.groupby("stage")["n"].sum().to_dict() == {"analysed": 6, "recorded": 6}
    assert tally.cells["n"].sum() == 6
    assert tally.practices == ("P01",)
    spent = tally.values[tally.values["quantity"] == "spent"]
    assert spent["n"].sum() <= 6


def test_the_order_of_rows_in_a_file_changes_nothing():
    turned = {
        name: CountTable(columns=getattr(FILE, name).columns, rows=getattr(FILE, name).rows[::-1])
        for name in ("cells", "values", "safety", "flow")
    }
    one, two = (gather([("a", f)], PROTOCOL) for f in (FILE, dataclasses.replace(FILE, **turned)))
    for name in turned:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


def test_a_unit_is_drawn_from_its_own_share_toward_that_of_the_group():
    found = funnel([2, 10, 18], [40, 40, 40], [10.0, 10.0, 10.0], ["a", "b", "c"])
    low, middle, high = found.points
    assert 2 / 40 < low.shrunken < 0.25 < high.shrunken < 18 / 40
    assert middle.shrunken == pytest.approx(0.25, abs=0.01)
    for point in found.points:
        assert point.shrunken_interval.low < point.shrunken < point.shrunken_interval.high
        assert point.shrunken_interval.level == 0.95
