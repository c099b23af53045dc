"""Agreement of assessors in practice."""

from __future__ import annotations

import pytest

from onsetstudy.core.canonical import digest_of_text
from onsetstudy.records.chair.agreement import (
    agreement_on,
    latest_sequence,
    next_step,
    training_answers,
    who_finished,
)
from onsetstudy.records.chair.training import (
    DOUBTFUL,
    EARLIER_SEQUENCE,
    FELT,
    NOT_FELT,
    following_sequence,
    moment_faults,
    moments_of,
)
from tests.records.chair.test_event_log import Page

FIRST_OF_A1 = [
    "Says: cold, but dull.",
    "Raises a finger as the pellet is taken off.",
    "No sign; looks out of the window, breathing evenly.",
]
DIGEST = "ecd0df8b09a35f269ee3624e3dfec01ab7c374884ebdba2820093245f2b54305"


def assessor_agreement(events):
    """Of every two on every sequence."""
    return tuple(a for name, answers in training_answers(events).items() for a in agreement_on(name, answers))


def answers(page, assessor, responses, first=1, sequence=None):
    """Answers as they are kept; without a sequence as they were kept before sequences had names."""
    for moment, response in enumerate(responses, start=first):
        told = {"assessor": assessor, "moment": moment, "response": {"f": "felt", "n": "not_felt"}[response]}
        told |= {} if sequence is None else {"sequence": sequence}
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


def test_answers_to_another_sequence_are_other_answers():
    page = Page()
    answers(page, "A", "ffff")
    answers(page, "A", "nnnn", sequence="A1")
    answers(page, "B", "nnnf", sequence="A1")
    answers(page, "B", "ff", sequence="A2")
    (found,) = assessor_agreement(page.events)
    assert (found.sequence, found.alike, found.n) == ("A1", 3, 4)
    assert list(training_answers(page.events)) == [EARLIER_SEQUENCE, "A1", "A2"]


def test_moments_to_talk_about_are_told_with_what_was_shown_and_by_whom():
    page = Page()
    answers(page, "B", "fnff" + "n" * 20, sequence="A1")
    answers(page, "a", "nnnf" + "n" * 20, sequence="A1")
    (found,) = assessor_agreement(page.events)
    moments = moments_of("A1")
    assert [(a.moment, a.shown, a.first, a.second) for a in found.apart] == [
        (1, moments[0].shown, "not_felt", "felt"),
        (3, moments[2].shown, "not_felt", "felt"),
    ]
    assert (found.first, found.second) == ("A", "B")
    # Yes by one and by three of 24, one of them together: chance gives (1 * 3 + 23 * 21) / 576.
    assert found.beyond_chance.kappa == pytest.approx((22 * 24 - 486) / (576 - 486))
    assert found.beyond_chance.interval.low < found.beyond_chance.kappa < found.beyond_chance.interval.high
    assert next_step("A1", [found]) == (
        "Talk about moments 1 and 3, settle what counts as felt, and then each answer sequence A2."
    )


def test_agreement_beyond_chance_is_not_told_where_both_say_one_thing_or_too_little():
    page = Page()
    answers(page, "A", "f" * 24, sequence="A1")
    answers(page, "B", "f" * 24, sequence="A1")
    answers(page, "A", "fn", sequence="A2")
    answers(page, "B", "fn", sequence="A2")
    always, few = assessor_agreement(page.events)
    assert (always.alike, always.beyond_chance, few.beyond_chance) == (24, None, None)
    assert "one answer" in always.why_not
    assert "2 of the same" in few.why_not
    assert "every moment" in next_step("A1", [always])
    assert "somebody else" in next_step("A1", [])


def test_more_than_two_are_compared_two_by_two():
    page = Page()
    for who, responses in (("A", "fnfn"), ("B", "fnff"), ("C", "nnfn")):
        answers(page, who, responses, sequence="A4")
    found = {(a.first, a.second): a.alike for a in assessor_agreement(page.events)}
    assert found == {("A", "B"): 3, ("A", "C"): 3, ("B", "C"): 2}


def test_who_has_answered_all_and_which_sequence_was_last():
    page = Page()
    answers(page, "A", "f" * 24, sequence="A2")
    answers(page, "B", "f" * 23, sequence="A2")
    answers(page, "B", "f", sequence="A1")
    answers(page, "C", "f" * 16)
    told = training_answers(page.events)
    assert who_finished(told, "A2") == ("A",)
    assert who_finished(told, EARLIER_SEQUENCE) == ("C",)
    assert latest_sequence(told) == "A1"
    answers(page, "B", "f", first=24, sequence="A2")
    told = training_answers(page.events)
    assert (latest_sequence(told), who_finished(told, "A2")) == ("A2", ("A", "B"))
    assert latest_sequence({}) == "A1"


# Sequences ------------------------------------------------------------------------------------------------------------


def test_a_sequence_is_the_same_for_ever():
    """Answers kept in stores name sequence and moment alone: if this fails, make a new edition and keep this one."""
    shown = [m.shown for m in moments_of("A1")]
    assert shown[:3] == FIRST_OF_A1
    assert moments_of("A1") == moments_of("A1")
    assert digest_of_text(*shown, *(m.shown for m in moments_of("A999"))) == DIGEST


def test_a_sequence_has_as_many_of_each_kind_none_twice_and_differs_from_others():
    seen = set()
    for number in range(1, 60):
        moments = moments_of(f"A{number}")
        kinds = [m.kind for m in moments]
        assert [kinds.count(k) for k in ("felt", "not_felt", "doubtful")] == [8, 8, 8]
        assert len({m.shown for m in moments}) == 24
        seen.add(tuple(m.shown for m in moments))
    assert len(seen) == 59
    assert len({*FELT, *NOT_FELT, *DOUBTFUL}) == len(FELT) + len(NOT_FELT) + len(DOUBTFUL)


def test_the_order_tells_nothing():
    """Over many sequences every place holds every kind about equally often: 333 of 999, give or take four errors."""
    every = [moments_of(f"A{number}") for number in range(1, 1000)]
    for place in range(24):
        kinds = [moments[place].kind for moments in every]
        for kind in ("felt", "not_felt", "doubtful"):
            assert abs(kinds.count(kind) - 333) < 4 * (999 * 2 / 9) ** 0.5


@pytest.mark.parametrize("name", ["", "A0", "A1000", "a1", "B1", "A01", "A1\n", "A", "1"])
def test_what_is_no_sequence_has_no_moments(name):
    assert moments_of(name) is None


def test_sequences_follow_each_other_round():
    assert [following_sequence(name) for name in ("", "A1", "A998", "A999")] == ["A1", "A2", "A999", "A1"]


@pytest.mark.parametrize(("moment", "sequence", "fit"), [(16, None, True), (17, None, False), (24, "A1", True)])
def test_a_moment_stands_in_its_sequence(moment, sequence, fit):
    assert (moment_faults({"moment": moment, "sequence": sequence}) == []) is fit
    assert moment_faults({"moment": moment + 0.5, "sequence": sequence})
    assert moment_faults({"moment": float("inf"), "sequence": sequence})
