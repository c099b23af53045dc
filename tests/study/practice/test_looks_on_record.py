"""Looks as they were taken."""

import dataclasses

import pytest

from onsetstudy.core.errors import ProtocolError
from onsetstudy.core.serialise import to_dict
from onsetstudy.design.interim.results import LookSeen
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.ledger import make_entry
from onsetstudy.study.planning.power import plan_of
from onsetstudy.study.practice.interim import judge_seen
from onsetstudy.study.practice.interim_on_record import as_taken, looks_told_otherwise, new_looks

PROTOCOL = read_protocol("protocols/mandibular_block_group.toml")
AT = "2026-07-01T09:30:00+00:00"


def taken(*zs):
    labels = [q.label for q in PROTOCOL.quarters]
    seen = [
        LookSeen(label=k, z=z, counted=40.0 * n, information=10.0 * n)
        for n, (k, z) in enumerate(zip(labels, zs, strict=False), 1)
    ]
    return judge_seen(PROTOCOL, plan_of(PROTOCOL), seen)


def entered(entries, found, quarter):
    for kind, body in new_looks(found, PROTOCOL, entries, by="practice", records="r", quarter=quarter):
        entries = (*entries, make_entry(entries, kind, body, at=AT))
    return entries


def shown(found, entries, quarter):
    return as_taken(found, PROTOCOL, entries, by="practice", quarter=quarter)


def test_four_successive_reports_give_the_first_look_as_it_was_taken():
    labels = [q.label for q in PROTOCOL.quarters]
    entries = ()
    for n, zs in enumerate([(-0.82,), (0.10, 0.3), (-0.44, 0.5, 0.9), (-0.44, 0.6, 0.7, 1.1)]):
        found = taken(*zs)
        entries = entered(entries, found, labels[n])
        told = shown(found, entries, labels[n])
        assert told.verdicts[0] == taken(-0.82).verdicts[0]
        assert [v.z for v in told.verdicts] == [-0.82, 0.3, 0.9, 1.1][: n + 1]
        assert entered(entries, found, labels[n]) == entries
        changed = [c.text for c in told.caution if c.code == "look_changed"]
        assert len(changed) == [0, 1, 2, 3][n]
    # +0.10 and -0.44 stand beside the first look; -0.44 came twice and stands once.
    beside = [e.body["seen"]["z"] for e in entries if e.body["beside"] == 1]
    assert beside == [0.10, -0.44]


def test_a_verdict_of_binding_futility_from_before_it_had_a_word_ends_the_study():
    plan = dataclasses.replace(plan_of(PROTOCOL), futility="binding")
    label = PROTOCOL.quarters[0].label
    found = judge_seen(PROTOCOL, plan, [LookSeen(label=label, z=-1.5, counted=95.0, information=24.0)])
    assert found.verdicts[0].code == "futile"
    earlier = to_dict(found.verdicts[0]) | {"code": "unlikely"}
    ((kind, body),) = new_looks(found, PROTOCOL, (), by="practice", records="r", quarter=label)
    entries = (make_entry((), kind, {**body, "verdict": earlier}, at=AT),)
    assert [v.code for v in shown(found, entries, label).verdicts] == ["futile"]


def test_a_look_from_before_the_ledger_is_marked():
    labels = [q.label for q in PROTOCOL.quarters]
    entries = entered((), taken(0.1, 0.2), labels[1])
    assert [e.body["retrospective"] for e in entries] == [True, False]
    (late,) = [c.text for c in shown(taken(0.1, 0.2), entries, labels[1]).caution if c.code == "look_retrospective"]
    assert labels[0] in late
    assert labels[1] not in late


def test_a_quarter_of_which_no_case_is_left_is_still_told():
    labels = [q.label for q in PROTOCOL.quarters]
    entries = entered((), taken(0.1, 0.2), labels[1])
    told = shown(taken(0.1), entries, labels[1])
    assert [v.z for v in told.verdicts] == [0.1, 0.2]
    assert any("give no z statistic" in c.text for c in told.caution)


def test_a_report_of_an_earlier_quarter_does_not_tell_later_looks():
    labels = [q.label for q in PROTOCOL.quarters]
    entries = entered((), taken(0.1, 0.2), labels[1])
    assert [v.label for v in shown(taken(0.1), entries, labels[0]).verdicts] == labels[:1]


def test_looks_of_the_group_are_not_those_of_a_practice():
    label = PROTOCOL.quarters[0].label
    entries = entered((), taken(0.1), label)
    assert as_taken(taken(0.7), PROTOCOL, entries, by="group", quarter=label) == taken(0.7)


def test_a_look_without_a_boundary_comes_back_as_it_went():
    labels = [q.label for q in PROTOCOL.quarters]
    found = taken(9.0, 9.0, 0.2)
    entries = entered((), found, labels[2])
    # As plain values: a missing number is not equal to itself.
    assert to_dict(shown(found, entries, labels[2]))["verdicts"] == to_dict(found)["verdicts"]


@pytest.mark.parametrize("seen", [None, {}, {"kind": "look_seen"}, "x"])
def test_a_forged_look_is_refused(seen):
    label = PROTOCOL.quarters[0].label
    (entry,) = entered((), taken(0.1), label)
    forged = dataclasses.replace(entry, body={**entry.body, "seen": seen})
    with pytest.raises(ProtocolError, match="no look that can be read"):
        shown(taken(0.1), (forged,), label)


def test_a_second_entry_of_a_quarter_never_takes_the_place_of_the_first():
    labels = [q.label for q in PROTOCOL.quarters]
    entries = entered((), taken(-0.82), labels[0])
    ((kind, later),) = new_looks(taken(2.6), PROTOCOL, (), by="practice", records="s", quarter=labels[0])
    assert later["beside"] == 0
    entries = (*entries, make_entry(entries, kind, later, at=AT))
    told = shown(taken(2.6), entries, labels[0])
    assert told.verdicts == taken(-0.82).verdicts
    assert looks_told_otherwise(taken(2.6), entries, by="practice") == (labels[0],)
