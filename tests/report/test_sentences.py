"""Sentences say what the interval bears, in every position of the interval, and nothing more."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.report import words
from onsetstudy.report.words import bearing
from tests.report.samples import counts, estimate, missing, population, rich
from tests.study.cases import protocol

N = counts(13, 11, (9, 11))
RANDOMISED, AUDIT = protocol(), protocol(study={"allocation": "clinician_choice"})
WAITS = (
    estimate("restricted_wait", "plain", 5.0, 4.0, 6.0, "min", N),
    estimate("restricted_wait", "buffered", 4.4, 3.4, 5.4, "min", N),
)
SHARES = (
    estimate("success_by_target", "plain", 0.22, 0.1, 0.3, "proportion", N),
    estimate("success_by_target", "buffered", 0.32, 0.2, 0.5, "proportion", N),
)
OTHER = "; as arms were not allocated at random, something other than buffering may be the reason."
THIN = "\u202f"


def wait(value, low, high):
    return estimate("restricted_wait_difference", "buffered - plain", value, low, high, "min", N)


def share(value, low, high):
    return estimate("success_difference", "buffered - plain", value, low, high, "proportion", N)


def ratio(value, low, high):
    return estimate("hazard_ratio", "buffered / plain", value, low, high, "ratio", N)


def shift(value, low, high):
    return estimate("pain_shift", "buffered - plain", value, low, high, "mm", N)


@pytest.mark.parametrize(
    ("value", "low", "high", "seen", "allows"),
    [
        # Whole interval on one side: the difference that matters is inside it, beyond it, or not reached.
        (-1.3, -2.1, -0.4, "Buffered cases were numb 1.3 minutes sooner on average (0.4 to 2.1).",
         "A difference of less than half a minute, too small to matter to this study, is still possible."),
        (-1.3, -2.1, -0.6, "Buffered cases were numb 1.3 minutes sooner on average (0.6 to 2.1).",
         "The whole interval lies beyond half a minute, the difference that matters to this study."),
        (-0.2, -0.4, -0.1, "Buffered cases were numb 0.2 minutes sooner on average (0.1 to 0.4).",
         "The whole interval lies within half a minute, the difference that matters to this study."),
        (0.8, 0.2, 1.4, "Buffered cases were numb 0.8 minutes later on average (0.2 to 1.4).",
         "A difference of less than half a minute, too small to matter to this study, is still possible."),
        (0.9, 0.7, 1.4, "Buffered cases were numb 0.9 minutes later on average (0.7 to 1.4).",
         "The whole interval lies beyond half a minute, the difference that matters to this study."),
        # No difference is inside the interval: with differences that matter, and without.
        (-0.6, -2.0, 0.9, "Mean waits were 4.4 minutes with buffered and 5.0 minutes with plain injections; "
         "the true difference could be from 2.0 minutes sooner to 0.9 minutes later.",
         "These 24 cases cannot tell which is sooner."),
        (-0.1, -0.3, 0.2, "Mean waits were 4.4 minutes with buffered and 5.0 minutes with plain injections; "
         "the true difference could be from 0.3 minutes sooner to 0.2 minutes later.",
         "Whatever the difference is, it is smaller than half a minute, the difference that matters to this study."),
        # An end that touches no difference does not exclude it.
        (-1.0, -2.0, 0.0, "Mean waits were 4.4 minutes with buffered and 5.0 minutes with plain injections; "
         "the true difference could be from 2.0 minutes sooner to no difference.",
         "These 24 cases cannot tell which is sooner."),
        # An end that would be rounded to no difference, or to the difference that matters, keeps its digits.
        (-1.0, -2.0, -0.03, "Buffered cases were numb 1.00 minutes sooner on average (0.03 to 2.00).",
         "A difference of less than half a minute, too small to matter to this study, is still possible."),
        (-1.0, -1.6, -0.496, "Buffered cases were numb 1.000 minutes sooner on average (0.496 to 1.600).",
         "A difference of less than half a minute, too small to matter to this study, is still possible."),
        (0.0, 0.0, 0.0, "No difference in mean waits was seen (0 to 0 minutes).",
         "Whatever the difference is, it is smaller than half a minute, the difference that matters to this study."),
    ],
)  # fmt: skip
def test_waiting(value, low, high, seen, allows):
    said = words.wait_answer(wait(value, low, high), WAITS, RANDOMISED)
    assert (said.seen, said.allows) == (seen, allows)


def test_without_a_difference_that_matters_the_interval_is_told_again():
    promised = protocol(plan={"wait_difference_min": None})
    said = words.wait_answer(wait(-1.3, -2.1, -0.4), WAITS, promised)
    assert said.allows == "Anything from 0.4 to 2.1 minutes sooner agrees with these 24 cases."


def test_without_the_mean_waits_the_difference_is_told_alone():
    said = words.wait_answer(wait(-0.6, -2.0, 0.9), (), RANDOMISED)
    assert said.seen == "The true difference in mean waits could be from 2.0 minutes sooner to 0.9 minutes later."


def test_an_audit_names_other_reasons():
    said = words.wait_answer(wait(-1.3, -2.1, -0.4), WAITS, AUDIT)
    assert said.allows == (
        "A difference of less than half a minute, too small to matter to this study, is still possible" + OTHER
    )
    assert words.wait_answer(wait(-0.1, -0.3, 0.2), WAITS, AUDIT).allows.endswith(OTHER)
    assert words.share_answer(share(0.1, 0.01, 0.19), SHARES, AUDIT).allows == (
        "Anything from 1 to 19 more in a hundred agrees with these 24 cases" + OTHER
    )
    # Cases that cannot tell need no other reason.
    assert words.wait_answer(wait(-0.6, -2.0, 0.9), WAITS, AUDIT).allows == (
        "These 24 cases cannot tell which is sooner."
    )


@pytest.mark.parametrize(
    ("value", "low", "high", "seen", "allows"),
    [
        (0.1, 0.01, 0.19, f"By minute 2, 32{THIN}% of buffered and 22{THIN}% of plain teeth were numb, 10 more in a "
         "hundred (1 to 19).", "Anything from 1 to 19 more in a hundred agrees with these 24 cases."),
        (-0.1, -0.19, -0.01, f"By minute 2, 32{THIN}% of buffered and 22{THIN}% of plain teeth were numb, 10 fewer in "
         "a hundred (1 to 19).", "Anything from 1 to 19 fewer in a hundred agrees with these 24 cases."),
        (0.1, -0.08, 0.28, f"By minute 2, 32{THIN}% of buffered and 22{THIN}% of plain teeth were numb; the true "
         "difference could be from 8 fewer to 28 more in a hundred.",
         "These 24 cases cannot tell which injection has more teeth numb by minute 2."),
    ],
)  # fmt: skip
def test_shares(value, low, high, seen, allows):
    said = words.share_answer(share(value, low, high), SHARES, RANDOMISED)
    assert (said.seen, said.allows) == (seen, allows)


@pytest.mark.parametrize(
    ("value", "low", "high", "seen", "allows"),
    [
        (1.6, 1.1, 2.3, "Buffered teeth became numb at 1.60 times the rate of plain ones (1.10 to 2.30), that is "
         "sooner.", "Anything from 1.10 to 2.30 times the rate agrees with these 24 cases."),
        (0.7, 0.5, 0.9, "Buffered teeth became numb at 0.70 times the rate of plain ones (0.50 to 0.90), that is "
         "later.", "Anything from 0.50 to 0.90 times the rate agrees with these 24 cases."),
        (1.1, 0.7, 1.8, "The true rate at which buffered teeth become numb could be from 0.70 (later) to 1.80 (sooner) "
         "times that of plain ones.", "These 24 cases cannot tell which is sooner."),
        (1.3, 1.003, 1.7, "Buffered teeth became numb at 1.300 times the rate of plain ones (1.003 to 1.700), that is "
         "sooner.", "Anything from 1.003 to 1.700 times the rate agrees with these 24 cases."),
    ],
)  # fmt: skip
def test_ratio_of_rates(value, low, high, seen, allows):
    said = words.hazard_answer(ratio(value, low, high), RANDOMISED)
    assert (said.seen, said.allows) == (seen, allows)


@pytest.mark.parametrize(
    ("bound", "told"),
    [
        ((3.2, math.inf), "Buffered teeth became numb at 3.20 times the rate of plain ones or more "
         f"(one-sided, 97.5{THIN}%), that is sooner."),
        ((0.8, math.inf), "Buffered teeth became numb at 0.80 times the rate of plain ones or more "
         f"(one-sided, 97.5{THIN}%); whether sooner or later is open."),
        ((0.0, 0.4), "Buffered teeth became numb at 0.40 times the rate of plain ones or less "
         f"(one-sided, 97.5{THIN}%), that is later."),
        ((0.0, 1.7), "Buffered teeth became numb at 1.70 times the rate of plain ones or less "
         f"(one-sided, 97.5{THIN}%); whether sooner or later is open."),
        (None, ""),
    ],
)  # fmt: skip
def test_a_ratio_without_an_estimate_is_told_as_a_bound(bound, told):
    found = missing("hazard_ratio", "buffered / plain", "no onset was seen in the arm plain.", N, bound=bound)
    text = words.hazard_words(found, RANDOMISED)
    why = "The ratio of the rates of becoming numb cannot be estimated: no onset was seen in the arm plain."
    assert text == f"{why} {told}".strip()


@pytest.mark.parametrize(
    ("value", "low", "high", "seen", "allows"),
    [
        (-8, -12, -4, "Pain at deposition was 8 mm lower with buffered injections (4 to 12).",
         "A difference of less than 10 mm, too small to matter to this study, is still possible."),
        (-15, -20, -11, "Pain at deposition was 15 mm lower with buffered injections (11 to 20).",
         "The whole interval lies beyond 10 mm, the difference that matters to this study."),
        (5, 2, 9, "Pain at deposition was 5 mm higher with buffered injections (2 to 9).",
         "The whole interval lies within 10 mm, the difference that matters to this study."),
        (-7, -20, 5, "The true difference in pain at deposition could be from 20 mm lower to 5 mm higher with buffered "
         "injections.", "These 20 scores cannot tell which injection hurts less."),
        (-1, -6, 5, "The true difference in pain at deposition could be from 6 mm lower to 5 mm higher with buffered "
         "injections.",
         "Whatever the difference is, it is smaller than 10 mm, the difference that matters to this study."),
        (0, 0, 0, "No difference in pain at deposition was seen (0 to 0 mm).",
         "Whatever the difference is, it is smaller than 10 mm, the difference that matters to this study."),
    ],
)  # fmt: skip
def test_pain(value, low, high, seen, allows):
    said = words.pain_answer(shift(value, low, high), RANDOMISED)
    assert (said.seen, said.allows) == (seen, allows)


def test_pain_that_cannot_be_compared():
    said = words.pain_answer(missing("pain_shift", "buffered - plain", "no score was recorded", N), RANDOMISED)
    assert (said.seen, said.allows) == ("Pain cannot be compared yet: no score was recorded.", "")


def sentences(text):
    return len(re.findall(r"[.!?](?=\s|$)", text))


FORBIDDEN = r"\b(prove[sdn]?|significan\w*|safe\w*|fail\w* patient|better|worse|caus\w+)\b"
ENDS = st.floats(-12, 12, allow_subnormal=False).map(lambda v: round(v, 6))
CLAIMS = {
    "wait": (r"were numb [\d.]+ minutes (sooner|later)", {"sooner": -1, "later": 1}),
    "share": (r"numb, [\d.]+ (more|fewer) in a hundred", {"fewer": -1, "more": 1}),
    "ratio": (r"that is (sooner|later)", {"later": -1, "sooner": 1}),
    "pain": (r"was [\d.]+ mm (lower|higher)", {"lower": -1, "higher": 1}),
}


@given(ENDS, ENDS, ENDS, st.booleans())
def test_no_direction_that_the_interval_does_not_bear(a, b, c, randomised):
    low, value, high = sorted((a, b, c))
    promised = RANDOMISED if randomised else AUDIT
    hundred = [v / 100 for v in (value, low, high)]
    rates = [math.exp(v / 4) for v in (value, low, high)]
    told = {
        "wait": words.wait_answer(wait(value, low, high), WAITS, promised),
        "share": words.share_answer(share(*hundred), SHARES, promised),
        "ratio": words.hazard_answer(ratio(*rates), promised),
        "pain": words.pain_answer(shift(value, low, high), promised),
    }
    side = 1 if low > 0 else -1 if high < 0 else 0
    for name, said in told.items():
        text = f"{said.seen} {said.allows}"
        pattern, directions = CLAIMS[name]
        claims = [directions[word] for word in re.findall(pattern, text)]
        if name == "ratio":
            side_of = 1 if rates[1] > 1 else -1 if rates[2] < 1 else 0
        elif name == "share":
            side_of = 1 if hundred[1] > 0 else -1 if hundred[2] < 0 else 0
        else:
            side_of = side
        assert claims == ([side_of] if side_of else []), (name, text)
        if side_of == 0:
            assert "cannot tell" in text or "smaller than" in text, text
        assert sentences(said.seen) == sentences(said.allows) == 1
        assert not re.search(FORBIDDEN, text)
        assert ("at random" in text) == (not randomised and "cannot tell" not in text)


@given(ENDS, ENDS, st.floats(0.01, 5))
def test_what_an_interval_bears(a, b, matters):
    low, high = sorted((a, b))
    found = bearing(low, high, matters=matters)
    inside = [low, *(low + (high - low) * k / 50 for k in range(1, 50)), high]
    assert found.side == (1 if min(inside) > 0 else -1 if max(inside) < 0 else 0)
    if found.size == "beyond":
        assert all(abs(v) >= matters for v in inside)
        assert found.side != 0
    elif found.size == "within":
        assert all(abs(v) < matters for v in inside)
    else:
        assert max(abs(low), abs(high)) >= matters
    assert bearing(low, high).size == "unnamed"


def test_none_left_un_numb_still_leaves_room():
    never = estimate("never_numb", "buffered", 0.0, 0.0, 0.28, "proportion", counts(0, 11, (0, 0)))
    assert words.none_left(never, RANDOMISED) == (
        f"No buffered case was left un-numb; with 11 cases the true share could still be as high as 28{THIN}%."
    )
    some = estimate("never_numb", "buffered", 0.1, 0.0, 0.3, "proportion", counts(0, 11, (0, 1)))
    assert words.none_left(some, RANDOMISED) is None
    assert words.none_left(missing("never_numb", "buffered", "no case", N), RANDOMISED) is None


def test_superiority_in_pairs():
    found = estimate("probability_of_superiority", "buffered - plain", 0.62, 0.56, 0.674, "proportion", N)
    assert words.superiority_words(found, RANDOMISED) == (
        "Take one buffered and one plain case at random: the buffered one has the lower score in 62 of 100 such pairs "
        "(56 to 67; equal scores shared half and half; 50 would mean no difference)."
    )


def test_the_stopwatch_is_told_with_what_it_leaves_out():
    overall = rich().overall
    text = words.stopwatch_words(overall.naive, overall.wait, RANDOMISED)
    assert text.startswith(
        "A stopwatch average would count the 177 plain and 189 buffered teeth that were seen to go numb, each as late "
        "as the test that found it, and leave out the 26 plain and 18 buffered teeth that were not."
    )
    assert "the whole 15 minutes" in text
    assert "the whole 15 minutes" not in words.stopwatch_words(overall.naive, (), RANDOMISED)


@pytest.mark.parametrize(
    ("primary", "begins"),
    [
        ("restricted_wait", "Buffered cases were numb 1.2 minutes sooner on average (0.3 to 2.1)."),
        ("success_by_target", f"By minute 2, 34{THIN}% of buffered and 22{THIN}% of plain teeth were numb, 12 more"),
        ("hazard_ratio", "Buffered teeth became numb at 1.31 times the rate of plain ones (1.05 to 1.64)"),
        ("pain", "Pain at deposition was 7 mm lower with buffered injections (3 to 12)."),
    ],
)
def test_the_answer_is_about_the_primary_outcome(primary, begins):
    results = dataclasses.replace(rich(), protocol=protocol(plan={"primary": primary}))
    assert words.answer(results).seen.startswith(begins)


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
    said = words.answer(results)
    assert said.seen == "There is no answer yet: no case of the arm plain has been recorded."
    assert said.allows == "So far 9 of 13 plain teeth and 11 of 11 buffered teeth were seen to go numb."


def test_an_unbounded_answer_is_told_as_its_bound():
    overall = dataclasses.replace(
        rich().overall, hazard_ratio=missing("hazard_ratio", "buffered / plain", "no onset", N, bound=(2.0, math.inf))
    )
    results = dataclasses.replace(rich(), overall=overall, protocol=protocol(plan={"primary": "hazard_ratio"}))
    assert words.answer(results).allows == (
        f"Buffered teeth became numb at 2.00 times the rate of plain ones or more (one-sided, 97.5{THIN}%), that is "
        "sooner."
    )
