"""The chain of what happened: made, read, verified, told."""

import contextlib
import dataclasses
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.core.errors import ProtocolError
from onsetstudy.protocol.ledger import (
    GENESIS,
    KINDS,
    Withdrawn,
    entry_line,
    events_told,
    head_of,
    head_stands,
    make_entry,
    read_entries,
    sentence,
    short_head,
    verify_entries,
    withdrawals,
)

AT = "2026-07-01T09:30:00+00:00"


def chain(n=5):
    entries = []
    for k in range(n):
        kind = ("paused", "resumed")[k % 2]
        entries.append(make_entry(entries, kind, {"reason": f"reason {k}."}, at=f"2026-07-01T09:3{k}:00+00:00"))
    return tuple(entries)


def text_of(entries):
    return "".join(map(entry_line, entries))


def test_a_chain_that_was_left_alone_holds_and_reads_back():
    entries = chain()
    assert verify_entries(entries) == ()
    assert read_entries(text_of(entries)) == entries
    assert entries[0].previous == GENESIS
    assert head_of(()) == GENESIS


def test_the_digest_is_the_one_that_is_described():
    # By hand: SHA-256 of the canonical JSON of all fields but the digest.
    import hashlib

    (entry,) = chain(1)
    text = (
        '{"at":"2026-07-01T09:30:00+00:00","body":{"reason":"reason 0."},"kind":"paused","previous":"' + "0" * 64
        + '","seq":1}'
    )  # fmt: skip
    assert entry.digest == hashlib.sha256(text.encode()).hexdigest()


@given(st.integers(0, 4), st.sampled_from(["at", "body", "kind", "previous", "digest", "seq"]))
def test_any_change_of_any_entry_is_seen(place, field):
    entries = list(chain())
    other = {
        "at": "2025-07-01T09:30:00+00:00",
        "body": {"reason": "another."},
        "kind": "closed",
        "previous": "f" * 64,
        "digest": "f" * 64,
        "seq": 9,
    }
    entries[place] = dataclasses.replace(entries[place], **{field: other[field]})
    assert verify_entries(entries)


@given(st.integers(0, 3))
def test_an_entry_taken_out_is_seen(place):
    entries = chain()
    assert verify_entries(entries[:place] + entries[place + 1 :])


def test_a_chain_cut_at_its_end_holds_and_only_a_printed_head_tells():
    entries = chain()
    printed = short_head(entries)
    assert verify_entries(entries[:-1]) == ()
    assert head_stands(entries, printed)
    assert not head_stands(entries[:-1], printed)
    grown = (*entries, make_entry(entries, "paused", {"reason": "more."}, at=AT))
    assert head_stands(grown, printed)


def test_a_chain_computed_anew_disagrees_with_the_head_that_was_printed():
    entries, forged = chain(), []
    for k, entry in enumerate(entries):
        body = {"reason": "nicer."} if k == 1 else entry.body
        forged.append(make_entry(forged, entry.kind, body, at=entry.at))
    assert verify_entries(forged) == ()
    assert not head_stands(forged, short_head(entries))
    assert head_stands(forged, short_head(entries[:1]))


@pytest.mark.parametrize("head", ["", "0:", "x", "1", "1:", "9:" + "0" * 16, "-1:" + "0" * 16, "1:" + "0" * 15])
def test_what_is_no_head_stands_nowhere(head):
    assert not head_stands(chain(), head)


def test_a_clock_that_runs_back_is_told():
    first = make_entry((), "paused", {"reason": "x."}, at=AT)
    second = make_entry((first,), "resumed", {"reason": "y."}, at="2025-07-01T09:30:00+00:00")
    assert second.body["clock_back"]
    assert verify_entries((first, second)) == ()
    assert sentence(second).endswith("The clock had run back.")
    assert "clock" not in sentence(first)


@pytest.mark.parametrize("kind", KINDS)
def test_a_body_holds_what_its_kind_holds_and_nothing_else(kind):
    with pytest.raises(ProtocolError):
        make_entry((), kind, {"anything": 1}, at=AT)
    with pytest.raises(ProtocolError):
        make_entry((), kind, {**dict.fromkeys(KINDS[kind], ""), "arm": "plain"}, at=AT)


def test_an_arm_is_refused_at_any_depth():
    body = {**dict.fromkeys(KINDS["list_drawn"], ""), "files": {"a": [{"arms": ["plain"]}]}}
    with pytest.raises(ProtocolError, match="never holds an arm"):
        make_entry((), "list_drawn", body, at=AT)


@pytest.mark.parametrize(
    "text",
    [
        "x\n",
        "{}\n",
        "[]\n",
        "null\n",
        "[" * 5000 + "\n",
        '{"a":' * 3000 + "\n",
        text_of(chain(1))[:-1],
        text_of(chain(2))[:-40],
        text_of(chain(1)).replace('"seq":1', '"seq":"1"'),
        text_of(chain(1)).replace('"seq":1', '"seq":true'),
        text_of(chain(1)).replace("paused", "unheard"),
        json.dumps({"at": "", "body": [], "digest": "", "kind": "paused", "previous": "", "seq": 1}) + "\n",
        "x" * 30_000 + "\n",
    ],
)
def test_what_is_no_ledger_is_refused_with_its_line(text):
    with pytest.raises(ProtocolError) as error:
        read_entries(text, file="mine.ledger.jsonl")
    assert error.value.problems[0].where.row


@given(st.text(max_size=60))
def test_no_text_ends_in_a_trace(text):
    with contextlib.suppress(ProtocolError):
        verify_entries(read_entries(text))


def test_a_number_that_json_does_not_have_is_a_fault_and_no_trace():
    line = entry_line(chain(1)[0]).replace('"reason 0."', "NaN")
    assert verify_entries(read_entries(line))


def test_events_are_told_with_numbers():
    gone = {"case": "P01-0001", "data": "removed", "reason": ""}
    entries = [make_entry((), "consent_withdrawn", gone, at=AT)]
    entries.append(make_entry(entries, "consent_withdrawn", {**gone, "case": "P01-0002", "data": "kept"}, at=AT))
    entries.append(make_entry(entries, "unblinded", {"slip": "s", "case": "c", "reason": "r."}, at=AT))
    again = {"slip": "s", "case": "C", "reason": "asked again."}
    entries.append(make_entry(entries, "unblinded", again, at=AT))
    told = events_told(entries)
    assert told[0] == "Emergency unblinding: 1 case."
    entries.append(make_entry(entries, "unblinded", {**again, "case": "d"}, at=AT))
    assert events_told(entries)[0] == "Emergency unblinding: 2 cases."
    assert told[1].startswith("Consent taken back: 2 cases entered, 1 of them with all data to be removed")
    assert events_told(()) == ()


def withdrawn(*cases):
    entries = []
    for case, data in cases:
        entries.append(make_entry(entries, "consent_withdrawn", {"case": case, "data": data, "reason": ""}, at=AT))
    return tuple(entries)


def test_what_was_asked_and_what_was_left_out_are_told_apart():
    entries = withdrawn(("P01-0001", "removed"), ("P01-91", "removed"))
    (told,) = events_told(entries, Withdrawn(left_out=1, unmatched=("P01-91",)))
    assert "2 cases entered, 2 of them with all data to be removed; the rows of 1 case were left out" in told
    assert "No row that was read has the code P01-91" in told
    (told,) = events_told(entries, Withdrawn(left_out=2))
    assert "the rows of 2 cases were left out." in told
    assert "No row" not in told
    # Who has read no row claims nothing of rows.
    (told,) = events_told(entries)
    assert "were left out" not in told


def test_a_case_entered_twice_is_one_case_and_its_removal_stays_asked():
    entries = withdrawn(("P01-0001", "kept"), ("p01-0001", "removed"), ("P01-0001", "kept"))
    assert withdrawals(entries) == {"P01-0001": "removed"}
    assert "Consent taken back: 1 case entered, 1 of them" in events_told(entries)[0]


def look(boundary, seen):
    body = {**dict.fromkeys(KINDS["look_taken"], ""), "quarter": "2026Q1", "by": "practice", "beside": 0}
    body |= {"seen": seen, "verdict": {"boundary": boundary}, "retrospective": False}
    return make_entry((), "look_taken", body, at=AT)


def test_a_look_is_told_with_its_boundary_and_one_that_only_describes_without():
    assert "z +1.50 against a boundary of 2.44." in sentence(look(2.44, {"z": 1.5}))
    assert "z +1.50 without a boundary." in sentence(look("inf", {"z": 1.5}))


@pytest.mark.parametrize("seen", [None, [], "x", {}, {"z": "x"}, {"z": None}])
def test_a_forged_look_ends_in_a_sentence(seen):
    assert "whose content cannot be told" in sentence(look(2.0, seen))
