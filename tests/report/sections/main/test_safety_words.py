"""What may be said of harms: nothing is called not serious that nobody rated."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.outcomes.harms import EventRecorded, SafetyRecords, summarise_safety
from onsetstudy.report.sections.main.kindness_and_harm import safety_section

PROTOCOL = read_protocol(Path(__file__).parents[4] / "protocols" / "mandibular_block_group.toml")


def safety(events, recorded=()):
    """20 cases an arm without an event, and ``(event, serious)`` in the buffered arm; ``recorded`` one by one."""
    arm = np.array(["plain"] * 20 + ["buffered"] * (20 + len(events)))
    event = np.array(["none"] * 40 + [e for e, _ in events])
    serious = np.array([""] * 40 + [s for _, s in events], dtype="<U14")
    n = arm.size
    return summarise_safety(
        SafetyRecords(arm=arm, event=event, serious=serious, supplement=np.zeros(n, dtype=bool),
                      lip_numb=np.full(n, ""), technique=np.full(n, "ianb"), recorded=recorded),
        arms=("plain", "buffered"),
    )  # fmt: skip


def said(events):
    return safety_section(safety(events), PROTOCOL).blocks[0].text


@pytest.mark.parametrize(
    ("events", "words", "never"),
    [
        ([("trismus", "")], "None was marked as serious; of it that is not recorded: ask.", "not serious"),
        ([("trismus", "not_recorded"), ("syncope", "no")], "of 1 of 2 that is not recorded", "not serious"),
        ([("trismus", "no")], "Of 1 event all say that they were not serious.", "not recorded: ask"),
        ([("trismus", "yes")], "1 event was marked as serious.", "None was"),
        ([("trismus", "yes"), ("syncope", "")], "1 event was marked as serious; of 1 of 2", "None was"),
        ([], "Nothing was recorded in 20 buffered cases", "serious"),
    ],
)
def test_seriousness_is_said_only_where_it_was_recorded(events, words, never):
    text = said(events)
    assert words in text
    assert never not in text


def test_an_event_of_unknown_seriousness_is_no_case_without_a_serious_one():
    line = next(x for x in safety([("trismus", ""), ("syncope", "no")]).harms if x.event == "serious")
    buffered = line.arms[1]
    assert (buffered.count, buffered.cases, buffered.not_recorded) == (0, 21, 1)


def test_blood_on_aspiration_is_a_finding_and_no_harm():
    found = safety([("positive_aspiration", "")])
    assert found.harms[0].arms[1].count == 0
    assert [x.event for x in found.harms] == ["any", "serious"]
    finding = next(x for x in found.course if x.event == "positive_aspiration")
    assert finding.arms[1].count == 1
    assert "Nothing was recorded in 21 buffered cases" in said([("positive_aspiration", "")])


def test_events_of_one_case_are_told_one_by_one():
    # The last case had three events, two of which nobody rated; it is one case all the same.
    three = tuple(
        EventRecorded(39, kind, serious) for kind, serious in (("trismus", ""), ("syncope", ""), ("other", "no"))
    )
    text = safety_section(safety([], three), PROTOCOL).blocks[0].text
    assert "1 of 20 buffered cases had an adverse event" in text
    assert "None was marked as serious; of 2 of 3 that is not recorded: ask." in text


def test_three_in_so_many_is_not_said_of_a_few_cases():
    told = {"serious": np.full(2, ""), "lip_numb": np.full(2, ""), "technique": np.full(2, "ianb")}
    arm, nothing = np.array(["plain", "buffered"]), np.array(["none"] * 2)
    few = SafetyRecords(arm=arm, event=nothing, supplement=np.zeros(2, dtype=bool), **told)
    text = safety_section(summarise_safety(few, arms=("plain", "buffered")), PROTOCOL).blocks[0].text
    assert "could still be as high as 95\u202f% (one-sided limit)." in text
