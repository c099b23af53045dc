"""How long the chair was taken is counted alike however the records are split, and whoever lies beside them."""

from __future__ import annotations

import dataclasses

import pytest

from onsetstudy.study.counts.aggregate_counts import add_tallies, tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.outcomes import chair_records
from tests.study import demo

STARTS = ["treatment_start_min", "treatment_end_time"]


def without_starts(chosen):
    """The invented records, no start of treatment told in the chosen cases."""
    records = demo.records()
    cases = records.cases.copy()
    cases.loc[chosen(cases), STARTS] = None
    return dataclasses.replace(records, cases=cases)


def spent(tally, practice, records):
    """Minutes at the chair as a practice's file tells them."""
    sent = make_exchange(tally, demo.PROTOCOL, practice, records_digest=records.digest)
    values = sent.values.to_frame()
    estimates = {e.quantity: e for e in sent.estimates}
    return values[values["quantity"] == "spent"].reset_index(drop=True), estimates["chair_time_difference"]


def counted(records):
    return tally_records(demo.PROTOCOL, records, through=demo.LAST)


def test_parts_that_saw_no_start_of_an_arm_add_up_to_the_whole():
    # One case in seven tells its start, so that many a part of ten cases has an arm without one.
    records = demo.of_practices(without_starts(lambda cases: cases.index % 7 > 0), "P01", "P02")
    places = range(0, len(records.cases), 10)
    parts = [demo.with_cases(records, [at <= k < at + 10 for k in range(len(records.cases))]) for at in places]
    seen = [set(part.cases.loc[part.cases["treatment_start_min"].notna(), "arm"]) for part in parts]
    assert min(map(len, seen)) < 2
    added = add_tallies([counted(part) for part in parts])
    for practice in ("P01", "P02"):
        ours, theirs = spent(added, practice, records), spent(counted(records), practice, records)
        assert ours[0].equals(theirs[0])
        assert ours[1] == theirs[1]
        assert (ours[0]["known"] == "at_least").any()


@pytest.mark.parametrize("arm", ["plain", "buffered", None], ids=["plain", "buffered", "both arms"])
def test_a_practice_without_starts_sends_the_same_whoever_lies_beside_it(arm):
    records = without_starts(lambda c: (c["practice_id"] == "P03") & ((c["arm"] == arm) if arm else True))
    alone = demo.of_practices(records, "P03")
    ours, theirs = spent(counted(records), "P03", records), spent(counted(alone), "P03", records)
    assert ours[0].equals(theirs[0])
    assert ours[1] == theirs[1]
    assert set(ours[0]["arm"]) == {"plain", "buffered"} - {arm} if arm else ours[0].empty
    # Rows tell it as the counts do.
    data, whole = (prepare(demo.PROTOCOL, r, through=demo.LAST)[0] for r in (alone, records))
    waits = [chair_records(d).wait_min[d.column("practice_id") == "P03"] for d in (data, whole)]
    assert waits[0] == pytest.approx(waits[1], nan_ok=True)
