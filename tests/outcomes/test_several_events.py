"""Several events of one case: every one is counted and listed, in a practice's report and in its file."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from onsetstudy.outcomes.harms import EventRecorded, SafetyRecords, events_of_cases, summarise_safety
from onsetstudy.records.model import OpenTables
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.outcomes import safety_of
from tests.study.cases import case, protocol, readings_of, records


def counted(event, serious, recorded=()):
    n = len(event)
    rows = SafetyRecords(
        arm=np.array(["plain", "buffered"] * (n // 2)), event=np.array(event, dtype=str),
        serious=np.array(serious, dtype=str), supplement=np.zeros(n, dtype=bool), lip_numb=np.full(n, ""),
        technique=np.full(n, "ianb"), recorded=recorded,
    )  # fmt: skip
    return summarise_safety(rows, arms=("plain", "buffered"))


def lines(safety):
    return {line.event: [a.count for a in line.arms] for line in (*safety.harms, *safety.course)}


TWO = (EventRecorded(1, "haematoma", "no"), EventRecorded(1, "trismus", "yes"))


def test_two_events_of_a_case_are_two_kinds_and_one_case():
    found = counted(["none", "trismus"], ["", "yes"], TWO)
    told = lines(found)
    assert (told["any"], told["serious"], told["haematoma"], told["trismus"]) == ([0, 1], [0, 1], [0, 1], [0, 1])
    assert [(line[1], line[2], line[4]) for line in found.listing] == [("haematoma", "no", 1), ("trismus", "yes", 1)]


def test_the_same_event_twice_is_one_case_and_two_in_the_list():
    twice = (EventRecorded(0, "haematoma", "no"),) * 2
    found = counted(["haematoma", "none"], ["no", ""], twice)
    assert lines(found)["haematoma"] == [1, 0]
    assert found.listing[0][4] == 2


def test_a_finding_before_an_event_does_not_hide_it():
    """The row of the case has room for one, and the first was a positive aspiration."""
    both = (EventRecorded(0, "positive_aspiration", "no"), EventRecorded(0, "palpitations", "no"))
    told = lines(counted(["positive_aspiration", "none"], ["no", ""], both))
    assert told["any"] == [1, 0]
    assert told["palpitations"] == [1, 0]
    assert told["positive_aspiration"] == [1, 0]


@pytest.mark.parametrize(("serious", "rated"), [(("no", "no"), True), (("no", "not_recorded"), False),
                                                (("yes", "not_recorded"), True), (("no", ""), False)])  # fmt: skip
def test_none_was_serious_only_if_every_event_says_so(serious, rated):
    events = events_of_cases(
        np.array(["haematoma"]), np.array([serious[0]]),
        [EventRecorded(0, "haematoma", serious[0]), EventRecorded(0, "trismus", serious[1])],
    )  # fmt: skip
    assert events.rated[0] == rated
    assert events.serious[0] == ("yes" in serious)


def test_a_case_without_a_row_in_the_table_of_events_stands_by_its_own():
    told = lines(counted(["haematoma", "trismus"], ["no", "yes"], TWO))
    assert told["any"] == [1, 1]
    assert told["haematoma"] == [1, 1]


def test_practice_and_file_count_the_same_cases():
    made = protocol()
    event = {"adverse_event": "positive_aspiration", "adverse_serious": "no"}
    rows = [case(1, baseline_response="felt", **event), case(2, "buffered", baseline_response="felt")]
    checked = records(rows, readings_of(1, "ffnn") + readings_of(2, "ffnn"), made)
    assert not checked.problems, [str(p) for p in checked.problems]
    table = pd.DataFrame(
        [(row["case_id"], "1", kind, "no") for row, kinds in zip(rows, (("positive_aspiration", "trismus"), ()),
                                                                strict=True) for kind in kinds],
        columns=["case_id", "number", "kind", "serious"],
    )  # fmt: skip
    checked = dataclasses.replace(checked, open_tables=OpenTables(adverse_events=table))
    data, _ = prepare(made, checked, through=made.quarters[-1])
    assert lines(safety_of(data, checked.open_tables))["any"] == [1, 0]
    assert lines(safety_of(data))["any"] == [0, 0]
    sent = tally_records(made, checked, through=made.quarters[-1]).safety.set_index(["arm", "what"])["n"]
    assert sent["plain", "event"] == 1
    assert ("buffered", "event") not in sent.index
