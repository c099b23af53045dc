"""Whose own numbers do not follow from the counts that they sent."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from onsetstudy.study.group.reconcile import not_reproduced
from tests.report.samples import counts, estimate, missing

N = counts(10, 10, (8, 9))


def ratio(value, low=0.5, high=2.0, **more):
    return estimate("hazard_ratio", "buffered / plain", value, low, high, "ratio", N, **more)


def notes(theirs, ours, steps=(), files=1, beyond=()):
    own = () if theirs is None else (theirs,)
    file = SimpleNamespace(practice="P01", held_back=SimpleNamespace(steps=steps), estimates=own)
    told = SimpleNamespace(practices=("P01",), files=(("P01.json", file),) * files, beyond=beyond)
    return not_reproduced(told, {"P01": (ours,)})


def test_a_number_that_does_not_follow_from_the_counts_is_told_with_its_practice():
    (note,) = notes(ratio(1.5), ratio(1.2))
    assert note.startswith("P01: its own hazard_ratio (1.5) does not follow from its counts (1.2)")
    assert len(notes(ratio(1.2), ratio(1.5))) == 1
    of_others = estimate("hazard_ratio", "buffered / plain", 1.5, 0.5, 2.0, "ratio", counts(10, 9, (8, 8)))
    (note,) = notes(of_others, ratio(1.2))
    assert note.startswith("P01: its own hazard_ratio was made from other cases than the counts that it sent")
    assert notes(ratio(1.2), ratio(1.2)) == ()
    assert "holds none of its own numbers" in notes(None, ratio(1.2))[0]
    # Own estimates are made from what is sent, so that nothing that was merged changes them.
    assert len(notes(ratio(1.5), ratio(1.2), steps=("2025Q4 became 2026Q1",))) == 1


@pytest.mark.parametrize(
    "why",
    [{"files": 2}, {"beyond": (("P01", "2026Q3"),)},
     {"theirs": missing("hazard_ratio", "buffered / plain", "few", N)}],
)  # fmt: skip
def test_numbers_of_other_counts_or_another_way_are_not_held_against_each_other(why):
    assert notes(**{"theirs": ratio(1.5), "ours": ratio(1.2), **why}) == ()


def test_a_number_that_was_made_in_another_way_is_not_compared_and_that_is_said():
    (note,) = notes(ratio(1.5, method="earlier"), ratio(1.2))
    assert "P01: its own hazard_ratio could not be held against its counts" in note
    assert "1.5" not in note
    assert "earlier version" in note
