"""What decides whether an answer may be believed stands on a group's page too, in the words of a practice's."""

from __future__ import annotations

import dataclasses
import math

import pandas as pd
import pytest

from onsetstudy.adjustment.results import APART
from onsetstudy.protocol.lock_results import LockVersion, ProtocolLock
from onsetstudy.report.document import Table
from onsetstudy.report.sections.group.first_page import first_page
from onsetstudy.study.answer.cautions import PLAN_DOUBTS, few_onsets_caution
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.practice.cautions import study_cautions
from onsetstudy.study.sets.side_files import Companions
from tests.study.cases import analyse, case, protocol, readings_of, records
from tests.study.counts.test_files_by_hand import SHA, tally_of

RANDOMISED = protocol()
AUDIT = protocol("mandibular_block_group", study={"allocation": "alternating"}, looks=None)
FIRST, SECOND, THIRD = (q.label for q in RANDOMISED.quarters[:3])


def group(*quarters: tuple[str, str], promised=AUDIT, beside=None, rows=None):
    """Practices with the quarters of their plain and of their buffered cases; empty: none of that arm."""
    files = []
    for number, (plain, buffered) in enumerate(quarters, 1):
        code = f"P{number:02d}"
        tally = tally_of(code)
        cells = tally.cells if rows is None else rows(tally.cells)
        cells = cells.assign(quarter=cells["arm"].map({"plain": plain, "buffered": buffered}))
        cells = cells[cells["quarter"] != ""]
        flow = pd.DataFrame(
            [(code, stage, "", int(cells["n"].sum())) for stage in ("recorded", "analysed")],
            columns=["practice_id", "stage", "code", "n"],
        )
        tally = dataclasses.replace(tally, cells=cells, flow=flow)
        files.append((f"{code}.json", make_exchange(tally, promised, code, records_digest=SHA)))
    return analyse_group(files, promised, beside=beside)


def told(found, code):
    return next((c.text for c in found.caution if c.code == code), None)


@pytest.mark.parametrize(
    ("quarters", "said"),
    [
        ([(FIRST, SECOND)], APART),
        ([(SECOND, FIRST), (FIRST, THIRD)], APART),
        ([(FIRST, SECOND), (FIRST, FIRST)], f"In 1 of 2 practices with both, t{APART[1:]}"),
        # A practice that changed its ways later than another is compared within itself.
        ([(FIRST, SECOND), (SECOND, THIRD)], APART),
        ([(FIRST, ""), ("", SECOND)], APART),
        ([(FIRST, FIRST)], None),
        ([(FIRST, ""), ("", FIRST)], None),
    ],
)
def test_arms_that_came_one_after_the_other_are_told(quarters, said):
    assert told(group(*quarters), "arms_apart") == said


def test_chance_chose_and_time_is_no_doubt():
    assert told(group((FIRST, SECOND), promised=RANDOMISED), "arms_apart") is None


def test_a_practice_says_the_same_of_arms_that_came_one_after_the_other():
    days = {"plain": "2026-08-03", "buffered": "2026-08-05"}
    arms = ["plain"] * 6 + ["buffered"] * 6
    cases = [case(n, arm, case_date=days[arm], allocation="alternating") for n, arm in enumerate(arms, 1)]
    found = analyse(AUDIT, records(cases, [r for n in range(1, 13) for r in readings_of(n, "fnn")], AUDIT))
    assert found.fair.period == "apart"
    assert APART in [c.text for c in study_cautions(found)]
    assert told(found, "few_onsets") == few_onsets_caution(found.overall.n).text


@pytest.mark.parametrize(
    ("day", "status"),
    [("2025-09-15", None), ("2025-11-15", None), ("2026-01-01", "locked_late"), (None, "not_locked"), ("", None)],
)
def test_a_lock_is_late_where_files_without_days_show_that_it_is(day, status):
    """First cases of the fourth quarter of 2025, of no day: locked within it may be before the first."""
    assert FIRST == "2025Q4"
    lock = day and ProtocolLock(
        study_id=AUDIT.study.id, versions=(LockVersion(number=1, day=day, digest=AUDIT.digest, reason=""),)
    )
    found = group((FIRST, FIRST), beside=Companions(lock=lock or None, lock_known=day != ""))
    assert told(found, "plan_after_data") == (None if status is None else PLAN_DOUBTS[status])


def test_a_changed_protocol_points_at_who_is_told_in_what():
    version = LockVersion(number=1, day="2025-09-15", digest="0" * 64, reason="")
    lock = ProtocolLock(study_id=AUDIT.study.id, versions=(version,))
    changed = Companions(lock=lock, lock_known=True, lock_changes=(("plan.seed", "1", "2"),))
    text = told(group((FIRST, FIRST), beside=changed), "plan_after_data")
    assert text == "The protocol differs from the version that was locked last; the coordinator is told in what."


def test_few_onsets_and_a_share_that_is_only_placed_between_others_stand_on_page_one():
    """Three of ten buffered teeth were last felt at three minutes: 0 to 30 % were not numb at fifteen."""

    def lost(cells):
        last = (cells["arm"] == "buffered") & (cells["n"] == 3)
        right = {name: cells[name].mask(last, math.inf) for name in cells if name.startswith("right")}
        return cells.assign(**right)

    found = group((FIRST, FIRST), rows=lost)
    assert told(found, "few_onsets") == "Few onsets were seen (7 in buffered): the limits are approximate."
    page = first_page(found, None)
    (table,) = (b for b in page.blocks if isinstance(b, Table))
    assert any("place the share not numb between 0\u202f% and 30\u202f%" in note for note in table.notes)
    assert "Few onsets were seen (7 in buffered)" in str(page)
