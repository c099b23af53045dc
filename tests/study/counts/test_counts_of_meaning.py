"""Which way counts point: failures not successes, one ratio fewer than groups, exactly five may be sent."""

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from onsetstudy.core.results import HypothesisTest
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.report.sections.group.heterogeneity import name_of
from onsetstudy.study.counts.aggregate_counts import ENDS, Tally
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.exchange_results import CountTable
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.group.stratified_ipd import failures_by, subgroups_by
from tests.study.cases import set_of

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def protocol():
    return read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")


def cells_of(protocol, rows):
    """Cells from (practice, arm, left, right, n), of one technique and quarter."""
    frame = pd.DataFrame(rows, columns=["practice_id", "arm", "left", "right", "n"])
    ends = {column: frame[column.split("_")[0]].astype(float) for column in ENDS}
    return frame.assign(quarter=protocol.quarters[0].label, technique="ianb", **ends).drop(columns=["left", "right"])


@pytest.mark.parametrize("kind", ["by_target", "never_numb"])
def test_practices_beside_each_other_are_counted_by_their_failures(protocol, kind):
    minute = protocol.onset.target_min if kind == "by_target" else protocol.onset.tau_min
    cells = cells_of(protocol, [
        ("P01", "plain", 1, 2, 17), ("P01", "plain", minute, np.inf, 3),
        ("P02", "plain", 1, 2, 9), ("P02", "plain", minute, np.inf, 11),
    ])  # fmt: skip
    found = failures_by(set_of(cells, protocol), kind)
    assert found["failed"].to_dict() == {"P01": 3, "P02": 11}
    assert found["n"].to_dict() == {"P01": 20, "P02": 20}
    # One mix of cases: 14 of 40 failed, so that 7 of 20 are expected of each.
    assert found["expected"].tolist() == pytest.approx([7, 7])


def test_a_tooth_seen_to_become_numb_at_the_minute_has_not_failed(protocol):
    minute = protocol.onset.target_min
    cells = cells_of(protocol, [("P01", "plain", minute, minute, 4), ("P01", "plain", minute, minute + 1, 6)])
    found = failures_by(set_of(cells, protocol), "by_target")
    assert (found["failed"].tolist(), found["n"].tolist()) == ([6], [10])


def test_the_test_of_one_ratio_for_all_has_one_degree_less_than_practices(protocol):
    rows = [
        (practice, arm, left, left + 1, n)
        for practice, slow in (("P01", 0), ("P02", 1), ("P03", 2))
        for arm, counts in (("plain", (4, 6, 5)), ("buffered", (7 - slow, 5, 3 + slow)))
        for left, n in enumerate(counts, 1)
    ]
    test = subgroups_by("practice_id", set_of(cells_of(protocol, rows), protocol)).test
    assert isinstance(test, HypothesisTest)
    assert test.df == 2
    assert test.p_value == pytest.approx(stats.chi2.sf(test.statistic, 2), rel=1e-12)


def test_exactly_five_are_sent_and_four_are_kept_back(protocol):
    cells = cells_of(protocol, [("P01", arm, 1, 2, 5) for arm in ("plain", "buffered")])
    values = pd.DataFrame(
        [
            ("P01", "pain_deposition", arm, "exactly", score, n)
            for arm, score, n in (("plain", 20.0, 2), ("plain", 30.0, 3), ("buffered", 10.0, 4))
        ],
        columns=["practice_id", "quantity", "arm", "known", "value", "n"],
    )  # fmt: skip
    who = [("d01", 5), ("d02", 4), ("d03", 1)]
    operators = pd.DataFrame(
        [("P01", code, "ianb", "plain", "numb", n) for code, n in who],
        columns=["practice_id", "clinician_id", "technique", "arm", "outcome", "n"],
    )
    tally = Tally(
        cells=cells[["practice_id", "quarter", "technique", "arm", *ENDS, "n"]],
        values=values,
        safety=pd.DataFrame([("P01", "plain", "cases", 10)], columns=["practice_id", "arm", "what", "n"]),
        operators=operators,
        flow=pd.DataFrame([("P01", "analysed", "", 10)], columns=["practice_id", "stage", "code", "n"]),
        arms=pd.DataFrame(columns=["practice_id", "source", "reason", "what", "n"]),
    )  # fmt: skip
    sent = make_exchange(tally, protocol, "P01", records_digest="", operators=True)
    assert sent.held_back.least == 5
    told = sent.values.to_frame()
    assert told.groupby("arm")["n"].sum().to_dict() == {"plain": 5}
    assert sent.held_back.scores_kept_back == 4
    assert sent.operators.to_frame().groupby("operator")["n"].sum().to_dict() == {"01": 5, "other": 5}


def test_operators_beside_each_other_are_counted_by_their_failures(protocol):
    minute = protocol.onset.target_min
    files = []
    for place, (code, failed) in enumerate((("P01", 2), ("P02", 9))):
        rows = [
            (code, arm, left, right, n)
            for arm in ("plain", "buffered")
            for left, right, n in ((1, 2, 20 - failed), (minute, minute + 2, failed))
        ]
        cells = cells_of(protocol, rows)
        outcome = np.where(cells["left_success"] >= minute, "not_numb", "numb")
        tally = Tally(
            cells=cells[["practice_id", "quarter", "technique", "arm", *ENDS, "n"]],
            values=pd.DataFrame(columns=["practice_id", "quantity", "arm", "known", "value", "n"]),
            safety=pd.DataFrame([(code, "plain", "cases", 40)], columns=["practice_id", "arm", "what", "n"]),
            operators=cells.assign(clinician_id=f"d{place}", outcome=outcome)[
                ["practice_id", "clinician_id", "technique", "arm", "outcome", "n"]
            ],
            flow=pd.DataFrame([(code, "analysed", "", 40)], columns=["practice_id", "stage", "code", "n"]),
            arms=pd.DataFrame(columns=["practice_id", "source", "reason", "what", "n"]),
        )
        made = make_exchange(tally, protocol, code, records_digest=f"{place}", operators=True)
        files.append((f"{code}.json", made))
    found = next(f for f in analyse_group(files, protocol).funnels if f.quantity == "operators")
    assert sorted((p.failures, p.cases) for p in found.points) == [(4, 40), (18, 40)]
    assert found.centre == pytest.approx(22 / 80)
    assert {p.label[1:] for p in found.points} == {"01"}
    # Of another quarter, where the number 01 is somebody else's, and others have few cases.
    _, first = files[0]
    at = first.cells.columns.index("quarter")
    later = protocol.quarters[1].label
    moved = tuple((*row[:at], later, *row[at + 1 :]) for row in first.cells.rows)
    few = (*first.operators.rows, ("other", "ianb", "plain", "numb", 3), ("other", "ianb", "buffered", "numb", 3))
    again = dataclasses.replace(
        first, quarters=(later,), cells=CountTable(columns=first.cells.columns, rows=moved),
        operators=CountTable(columns=first.operators.columns, rows=few),
    )  # fmt: skip
    results = analyse_group([*files, ("P01-later.json", again)], protocol)
    found = next(f for f in results.funnels if f.quantity == "operators")
    letter = results.letter("P01")
    points = {p.label: (p.failures, p.cases) for p in found.points if p.label.startswith(letter)}
    assert points == {f"{letter}01": (4, 40), f"{letter}02": (4, 40), f"{letter} others": (0, 6)}
    called = [name_of(label, own) for label in points for own in (None, letter)]
    assert sorted(called) == sorted([
        f"Operator {letter}01", "Your operator 01", f"Operator {letter}02", "Your operator 02",
        f"Other operators of practice {letter}", "Your other operators",
    ])  # fmt: skip
