"""Sentences say what the interval bears, in every position of the interval, and nothing more."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.core.results import ArmCount, Counts, Estimate, Interval, NotAvailable
from onsetstudy.report.numbers import decimal, interval, p_text, percent, percent_interval, signed
from onsetstudy.report.words import hazard_words, none_left, pain_words, share_words, sooner_or_later, wait_words
from tests.study.cases import protocol

PROMISED = protocol()
BY_ARM = (ArmCount(arm="plain", cases=13, onsets=9), ArmCount(arm="buffered", cases=11, onsets=11))
COUNTS = Counts(cases=24, onsets=20, by_arm=BY_ARM)


def estimate(value, low, high, *, unit="min", contrast="buffered - plain", n=COUNTS):
    span = Interval(low=low, high=high, level=0.95, method="m")
    return Estimate(quantity="q", contrast=contrast, estimate=value, interval=span, unit=unit, method="m", n=n)


WAITS = [
    (-1.3, -2.1, -0.4, "Buffered cases were numb 1.3 min sooner on average (0.4 to 2.1 min).",
     "A difference of less than 0.5 min, too small to matter to this study, is still possible."),
    (-1.3, -2.1, -0.6, "Buffered cases were numb 1.3 min sooner on average (0.6 to 2.1 min).",
     "That is at least the 0.5 min that matters to this study."),
    (0.8, 0.2, 1.4, "Buffered cases were numb 0.8 min later on average (0.2 to 1.4 min).",
     "A difference of less than 0.5 min, too small to matter to this study, is still possible."),
    (0.9, 0.7, 1.4, "Buffered cases were numb 0.9 min later on average (0.7 to 1.4 min).",
     "That is at least the 0.5 min that matters to this study."),
    (-0.4, -2.0, 1.0,
     "Buffered cases were numb 0.4 min sooner on average, but the interval reaches "
     "from 2.0 min sooner to 1.0 min later.",
     "These 24 cases cannot tell whether buffering makes a difference to waiting."),
    (-0.1, -0.3, 0.2,
     "Buffered cases were numb 0.1 min sooner on average, but the interval reaches "
     "from 0.3 min sooner to 0.2 min later.",
     "Whatever the difference is, it is smaller than the 0.5 min that matters to this study."),
    (0.0, -1.0, 1.0,
     "Buffered cases were numb no sooner or later on average, but the interval reaches "
     "from 1.0 min sooner to 1.0 min later.",
     "These 24 cases cannot tell whether buffering makes a difference to waiting."),
]  # fmt: skip


@pytest.mark.parametrize(("value", "low", "high", "seen", "allows"), WAITS)
def test_waiting(value, low, high, seen, allows):
    said = wait_words(estimate(value, low, high), PROMISED)
    assert (said.seen, said.allows) == (seen, allows)


def test_waiting_without_a_difference_that_matters():
    said = wait_words(estimate(-1.3, -2.1, -0.4), protocol(plan={"wait_difference_min": None}))
    assert said.allows == "The interval does not reach no difference."


finite = st.floats(-10, 10)


@given(finite, finite, finite)
def test_no_direction_that_the_interval_does_not_bear(a, b, c):
    low, value, high = sorted((a, b, c))
    said = wait_words(estimate(value, low, high), PROMISED)
    text = f"{said.seen} {said.allows}"
    if low <= 0 <= high:
        assert "cannot tell" in text or "smaller than" in text
        assert "the interval reaches" in text
    else:
        assert ("sooner" in text) == (high < 0)
        assert ("later" in text) == (low > 0)
    for word in ("proves", "significant", "safe", "better", "caused"):
        assert word not in text


def test_shares():
    said = share_words(estimate(0.14, 0.03, 0.25, unit="proportion"), None, PROMISED)
    assert (
        said.seen == "By minute 2, 14 points more in a hundred of the buffered teeth were numb (3 to 25 points more)."
    )
    assert said.allows == "The interval does not reach no difference."
    said = share_words(estimate(-0.02, -0.2, 0.16, unit="proportion"), None, PROMISED)
    assert said.seen == (
        "By minute 2, 2 points fewer in a hundred of the buffered teeth were numb "
        "(from 20 points fewer to 16 points more)."
    )
    assert said.allows == "These 24 cases cannot tell whether buffering makes a difference by minute 2."


def test_hazard_ratio_has_its_direction():
    text = hazard_words(estimate(1.6, 1.1, 2.3, unit="ratio", contrast="buffered / plain"))
    assert text == (
        "Buffered teeth that were not yet numb became numb at 1.60 times the rate of the others (1.10 to 2.30); "
        "above 1 means sooner."
    )


@pytest.mark.parametrize(
    ("bound", "words"),
    [
        ((3.2, math.inf), "It is above 3.20 (one-sided, 95 %)."),
        ((0.0, 0.4), "It is below 0.40 (one-sided, 95 %)."),
        (None, "no onset was seen in the arm plain."),
    ],
)
def test_a_ratio_without_an_estimate_is_told_as_a_bound(bound, words):
    span = None if bound is None else Interval(low=bound[0], high=bound[1], level=0.95, method="one-sided bound")
    result = NotAvailable(
        quantity="hazard_ratio", contrast="buffered / plain", code="no_onset_in_arm",
        reason="no onset was seen in the arm plain", unit="ratio", method="m", n=COUNTS, bound=span,
    )  # fmt: skip
    assert hazard_words(result).endswith(words)


@pytest.mark.parametrize(
    ("low", "high", "seen", "allows"),
    [
        (-12, -4, "Pain with the buffered injection differed by 4 to 12 mm less.", "It may be less than the 10 mm"),
        (-20, -11, "Pain with the buffered injection differed by 11 to 20 mm less.", "That is at least the 10 mm"),
        (-6, -1, "Pain with the buffered injection differed by 1 to 6 mm less.", "That is less than the 10 mm"),
        (2, 9, "Pain with the buffered injection differed by 2 to 9 mm more.", "That is less than the 10 mm"),
        (-20, 5, "from 20 mm less to 5 mm more.", "These 20 scores cannot tell whether the injection hurts less."),
        (-6, 5, "from 6 mm less to 5 mm more.", "Whatever the difference is, it is smaller than the 10 mm"),
    ],
)
def test_pain(low, high, seen, allows):
    said = pain_words(estimate((low + high) / 2, low, high, unit="mm"), PROMISED)
    assert said.seen.endswith(seen)
    assert said.allows.startswith(allows)


def test_none_left_un_numb_still_leaves_room():
    eleven = Counts(cases=11, onsets=0)
    never = estimate(0.0, 0.0, 0.28, unit="proportion", contrast="buffered", n=eleven)
    assert none_left(never) == (
        "No buffered case was left un-numb; with 11 cases the true share could still be as high as 28\u2009%."
    )
    assert none_left(estimate(0.1, 0.0, 0.3, contrast="buffered")) is None


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (decimal(-1.26), "\u22121.3"),
        (decimal(-0.04), "0.0"),
        (decimal(math.inf), "\u221e"),
        (signed(0.3), "+0.3"),
        (signed(-0.3), "\u22120.3"),
        (interval(-0.42, 2.06), "\u22120.4 to 2.1"),
        (percent(0.224, 85), "22\u2009%"),
        (percent(0.2244, 8500), "22.4\u2009%"),
        (percent_interval(0.0524, 0.3339, 150), "5 to 33\u2009%"),
        (p_text(0.00004), "< 0.001"),
        (p_text(0.0123), "0.012"),
        (p_text(0.4712), "0.47"),
        (sooner_or_later(-1.3), "1.3 min sooner"),
        (sooner_or_later(0.4), "0.4 min later"),
    ],
)
def test_numbers_as_readers_see_them(shown, expected):
    assert shown == expected
