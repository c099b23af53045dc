"""Agreement of assessors in practice."""

from __future__ import annotations

import pytest

from onsetstudy.records.chair.agreement import assessor_agreement
from tests.records.test_event_log import Page


def answers(page, assessor, responses, first=1):
    for moment, response in enumerate(responses, start=first):
        told = {"assessor": assessor, "moment": moment, "response": {"f": "felt", "n": "not_felt"}[response]}
        page.tap("trained", told, case_id=None)


def test_only_moments_that_both_answered_count_and_the_last_answer_holds():
    page = Page()
    answers(page, "A", "fnfnf")
    answers(page, "B", "ffn", first=2)
    answers(page, "B", "n", first=2)  # again
    answers(page, "C", "f", first=9)
    (found,) = assessor_agreement(page.events)
    # B says n, f, n at moments 2 to 4, and A n, f, n.
    assert (found.first, found.second, found.alike, found.n) == ("A", "B", 3, 3)


def test_the_interval_is_wilsons():
    """81 of 263: 0.2553 to 0.3662, Newcombe 1998 (as computed and remembered in the references of proportions)."""
    page = Page()
    answers(page, "A", "f" * 263)
    answers(page, "B", "f" * 81 + "n" * 182)
    (found,) = assessor_agreement(page.events)
    assert (found.low, found.high) == pytest.approx((0.2553, 0.3662), abs=5e-5)
