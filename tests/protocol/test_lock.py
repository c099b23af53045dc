"""Locks and amendments: what was promised when, and what changed since."""

import datetime as dt

import pytest

from onsetstudy.core.canonical import digest_of_content
from onsetstudy.core.errors import ProtocolError
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.protocol.check import check_protocol, normalised_content
from onsetstudy.protocol.lock import amend, changed_keys, first_lock, lock_standing
from tests.protocol.test_protocol import changed

BEFORE, AFTER = changed("study.title", "A title"), changed("onset.target_min", 3)
AFTER["study"]["title"] = "A title"
OLD, NEW = check_protocol(BEFORE), check_protocol(AFTER)
DAY, LATER, CASE = dt.date(2026, 1, 5), dt.date(2026, 5, 1), dt.date(2026, 2, 1)
LOCK = first_lock(OLD, day=DAY)
CHANGES = changed_keys(normalised_content(BEFORE), normalised_content(AFTER))
AMENDED = amend(LOCK, NEW, changes=CHANGES, reason="the first test is at 3 min", day=LATER)


def test_the_changes_are_named():
    assert CHANGES == (("onset.target_min", "2.0", "3.0"),)
    gone = changed_keys({"a": 1, "b": {"c": 2}}, {"a": 1, "b": {"d": 3}})
    assert gone == (("b.c", "2", "not there"), ("b.d", "not there", "3"))


def test_the_digest_is_of_the_normalised_content():
    assert digest_of_content(normalised_content(BEFORE)) == OLD.digest


def test_versions_follow_one_another():
    assert [v.number for v in AMENDED.versions] == [1, 2]
    assert AMENDED.latest.digest == NEW.digest
    assert from_dict(to_dict(AMENDED)) == AMENDED


@pytest.mark.parametrize(
    ("protocol", "reason", "day", "words"),
    [
        (OLD, "why", LATER, "nothing has changed since version 1 of 2026-01-05"),
        (NEW, "  ", LATER, "was changed (onset.target_min) without a reason"),
        (NEW, "why", dt.date(2025, 12, 1), "2025-12-01 lies before version 1"),
        (check_protocol(changed("study.id", "other")), "why", LATER, "the lock is of the study mandibular-block-group"),
    ],
)
def test_amendments_that_cannot_be(protocol, reason, day, words):
    with pytest.raises(ProtocolError) as caught:
        amend(LOCK, protocol, changes=CHANGES, reason=reason, day=day)
    assert words.lower() in str(caught.value).lower()


@pytest.mark.parametrize(
    ("protocol", "lock", "case", "status"),
    [
        (OLD, None, CASE, "not_locked"),
        (OLD, LOCK, CASE, "locked_before"),
        (OLD, LOCK, DAY, "locked_before"),
        (OLD, LOCK, dt.date(2026, 1, 4), "locked_late"),
        (OLD, LOCK, None, "locked_before"),
        (NEW, LOCK, CASE, "changed"),
        (NEW, AMENDED, CASE, "locked_before"),
    ],
)
def test_where_a_protocol_stands(protocol, lock, case, status):
    standing = lock_standing(protocol, lock, first_case=case, changes=CHANGES)
    assert standing.status == status
    assert bool(standing.changes) == (status == "changed")


def test_an_amendment_after_the_first_case_marks_what_it_touched():
    standing = lock_standing(NEW, AMENDED, first_case=CASE)
    by_name = {a.analysis: a for a in standing.analyses}
    assert by_name[NEW.plan.primary].amended == "2026-05-01"
    assert {by_name[s].amended for s in NEW.plan.sensitivity} == {"2026-05-01"}  # of the same onset, another rule
    assert by_name["by_quarter"].amended == ""
    before = lock_standing(NEW, AMENDED, first_case=dt.date(2026, 6, 1))
    assert not any(a.amended for a in before.analyses)


def test_every_analysis_has_one_status():
    names = [a.analysis for a in lock_standing(OLD, LOCK, first_case=CASE).analyses]
    assert len(names) == len(set(names))
