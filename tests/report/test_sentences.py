"""What is told beside the answers: bounds, arms in which none was left, pairs of cases, the stopwatch."""

from __future__ import annotations

import dataclasses
import math

import pytest

from onsetstudy.core.claims import bearing
from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.report import sentences as words
from onsetstudy.report.sections.main.kindness_and_harm import superiority_words
from onsetstudy.report.sections.main.onset import none_left, stopwatch_words
from onsetstudy.study.answer.claims import claim_of
from tests.report.claimed import RANDOMISED, N
from tests.report.samples import counts, estimate, missing, population, rich
from tests.study.cases import protocol

THIN = "\u202f"


@pytest.mark.parametrize(
    ("bound", "told"),
    [
        ((3.2, math.inf), "Buffered teeth became numb at 3.20 times the rate of not buffered ones or more "
         f"(one-sided, 97.5{THIN}%), that is sooner."),
        ((0.8, math.inf), "Buffered teeth became numb at 0.80 times the rate of not buffered ones or more "
         f"(one-sided, 97.5{THIN}%); whether sooner or later is open."),
        ((0.0, 0.4), "Buffered teeth became numb at 0.40 times the rate of not buffered ones or less "
         f"(one-sided, 97.5{THIN}%), that is later."),
        ((0.0, 1.7), "Buffered teeth became numb at 1.70 times the rate of not buffered ones or less "
         f"(one-sided, 97.5{THIN}%); whether sooner or later is open."),
        (None, ""),
    ],
)  # fmt: skip
def test_a_ratio_without_an_estimate_is_told_as_a_bound(bound, told):
    found = missing("hazard_ratio", "buffered / plain", "no onset was seen in the arm plain.", N, bound=bound)
    said = words.sentence(claim_of("hazard_ratio", found, RANDOMISED, population="24 cases", known=N), RANDOMISED)
    why = "The hazard ratio cannot be estimated: no onset was seen in the arm not buffered."
    assert said.text == f"{why} {told}".strip()


@pytest.mark.parametrize(
    ("low", "high", "side", "size"),
    [
        (-2.1, -0.6, 1, "beyond"), (-0.4, -0.1, 1, "within"), (-2.1, -0.4, 1, "open"), (0.6, 1.4, -1, "beyond"),
        (-2.0, 0.9, 0, "open"), (-0.3, 0.2, 0, "within"), (-2.0, 0.0, 0, "open"), (0.0, 0.0, 0, "within"),
    ],
)  # fmt: skip
def test_what_an_interval_bears(low, high, side, size):
    found = bearing(QUANTITIES["rmst_difference"], low, high, matters=0.5)
    assert (found.side, found.size) == (side, size)
    assert bearing(QUANTITIES["rmst_difference"], low, high).size == "unnamed"


def test_none_left_un_numb_still_leaves_room():
    never = estimate("not_numb", "buffered", 0.0, 0.0, 0.28, "proportion", counts(0, 11, (0, 0)))
    assert none_left(never, RANDOMISED) == (
        f"No buffered case was left un-numb; with 11 cases the true proportion could still be as high as 28{THIN}%."
    )
    some = estimate("not_numb", "buffered", 0.1, 0.0, 0.3, "proportion", counts(0, 11, (0, 1)))
    assert none_left(some, RANDOMISED) is None
    assert none_left(missing("not_numb", "buffered", "no case", N), RANDOMISED) is None


def test_superiority_in_pairs():
    found = estimate("probability_of_superiority", "buffered - plain", 0.62, 0.56, 0.674, "proportion", N)
    assert superiority_words(found, RANDOMISED) == (
        "Take one buffered and one not buffered case at random: the buffered one has the lower score in 62 of "
        "100 such pairs "
        "(56 to 67; equal scores shared half and half; 50 would mean no difference)."
    )


def test_the_stopwatch_is_told_with_what_it_leaves_out():
    overall = rich().overall
    text = stopwatch_words(overall.naive, overall.wait, RANDOMISED)
    assert text.startswith(
        "A stopwatch average of the onsets that are confirmed as the protocol asks (4.9 min not buffered and 4.0 min "
        "buffered; it has no honest interval) would count 177 not buffered and 189 buffered teeth, each as late as the "
        "test that found it, and leave out the other 26 not buffered and 18 buffered teeth."
    )
    assert "the whole 15 minutes" in text
    assert "the whole 15 minutes" not in stopwatch_words(overall.naive, (), RANDOMISED)
    # Where one arm has no mean the other does not count every case.
    one = (overall.wait[0], missing("rmst", "buffered", "no case", N))
    assert "the whole 15 minutes" not in stopwatch_words(overall.naive, one, RANDOMISED)


@pytest.mark.parametrize("primary", ["restricted_wait", "success_by_target", "hazard_ratio", "pain"])
def test_no_answer_says_why_and_what_is_known(primary):
    overall = population("all", "overall", "all", N)
    reason = "no case of the arm plain has been recorded."
    gone = {
        name: missing(name, "buffered - plain", reason, N)
        for name in ("wait_difference", "success_difference", "hazard_ratio", "pain")
    }
    results = dataclasses.replace(
        rich(), overall=dataclasses.replace(overall, **gone), protocol=protocol(plan={"primary": primary})
    )
    said = words.sentence(results.claims.primary(), results.protocol)
    assert said.seen == "There is no answer yet: no case of the arm not buffered has been recorded."
    assert said.allows == "So far 9 of 13 not buffered teeth and 11 of 11 buffered teeth were seen to go numb."


def test_an_unbounded_answer_is_told_as_its_bound():
    overall = dataclasses.replace(
        rich().overall, hazard_ratio=missing("hazard_ratio", "buffered / plain", "no onset", N, bound=(2.0, math.inf))
    )
    results = dataclasses.replace(rich(), overall=overall, protocol=protocol(plan={"primary": "hazard_ratio"}))
    assert words.sentence(results.claims.primary(), results.protocol).allows == (
        f"Buffered teeth became numb at 2.00 times the rate of not buffered ones or more (one-sided, "
        f"97.5{THIN}%), that is "
        "sooner."
    )
