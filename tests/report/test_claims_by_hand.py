"""Claims and their words at the thresholds: which side an end lies on, what is left open, and how many digits."""

from __future__ import annotations

import dataclasses
import math

import pytest

from onsetstudy.core.claims import Claims, Look, bearing
from onsetstudy.core.quantities import QUANTITIES, Shown, quantity_of
from onsetstudy.report import numbers
from onsetstudy.report import sentences as words
from onsetstudy.study.answer.claims import allowed_for_looks, claim_of
from tests.report.claimed import AUDIT, RANDOMISED, N, claim, told
from tests.report.samples import estimate, missing

THIN = "\u202f"
LOOK = Look(number=2, planned=4, label="2026Q2", code="crossed", side=1, counted=150, planned_count=350, unit="onsets",
            critical=2.4)  # fmt: skip


@pytest.mark.parametrize(
    ("key", "better", "worse", "pair"),
    [
        ("rmst_ratio", 0.5, 2.0, ("sooner", "later")), ("not_numb_ratio", 0.5, 2.0, ("fewer", "more")),
        ("pain_shift", -1.0, 1.0, ("lower", "higher")), ("pain_difference", -1.0, 1.0, ("lower", "higher")),
        ("chair_time_before_mixing_difference", -1.0, 1.0, ("saved", "lost")),
        ("visit_time_difference", -1.0, 1.0, ("saved", "lost")), ("hazard_ratio", 2.0, 0.5, ("sooner", "later")),
        ("success_difference", 0.1, -0.1, ("more", "fewer")), ("not_numb_difference", -0.1, 0.1, ("fewer", "more")),
    ],
)  # fmt: skip
def test_every_contrast_has_its_better_side_its_words_and_its_no_difference(key, better, worse, pair):
    q = quantity_of(key)
    assert q.null == {"-": 0.0, "/": 1.0}[q.contrast]
    assert (q.side(better, better), q.side(worse, worse)) == (1, -1)
    assert (q.word(1), q.word(-1)) == pair
    assert q.side(*sorted((q.null, better))) == q.side(*sorted((worse, q.null))) == 0
    size = abs(math.log(2.0)) if q.contrast == "/" else abs(better)
    assert q.toward(better, 1.0) == pytest.approx(size)


def test_what_has_no_better_side_has_no_z():
    for key in ("rmst", "power"):
        with pytest.raises(ValueError, match="no better side"):
            quantity_of(key).toward(1.0, 1.0)
        assert quantity_of(key).side(-1.0, -0.5) == 0
    with pytest.raises(ValueError, match="no better side"):
        dataclasses.replace(quantity_of("hazard_ratio"), favours=0).toward(2.0, 1.0)


def test_digits_end_where_nothing_lies_on_a_landmark():
    assert quantity_of("cases_needed").places((420.0,)) == 0
    assert quantity_of("rmst").places((0.04,)) == 1
    assert quantity_of("rmst_difference").places((0.0, 0.5)) == 1
    assert quantity_of("rmst_difference").places((1e-9,)) == 3
    assert quantity_of("rmst_difference").places((0.52,), (0.5,)) == 2
    assert quantity_of("rmst_difference").places((math.inf, 0.5)) == 1
    per_cent = dataclasses.replace(quantity_of("hazard_ratio"), shown=Shown(factor=100.0, places=0))
    assert per_cent.places((100.4, 130.0)) == 1


def test_an_interval_that_begins_exactly_at_what_matters_is_not_beyond_it():
    q = QUANTITIES["rmst_difference"]
    assert bearing(q, -1.0, -0.5, matters=0.5).size == "from"
    assert bearing(q, -1.0, -0.51, matters=0.5).size == "beyond"
    assert bearing(q, -1.0, -0.49, matters=0.5).size == "open"
    assert bearing(q, -0.5, -0.1, matters=0.5).size == "open"
    assert bearing(q, -0.49, -0.1, matters=0.5).size == "within"
    assert bearing(q, 0.5, 0.9, matters=0.5) == dataclasses.replace(bearing(q, -0.9, -0.5, matters=0.5), side=-1)
    assert bearing(QUANTITIES["hazard_ratio"], 1.5, 2.0, matters=0.5).size == "from"


@pytest.mark.parametrize(("one", "other"), [(2.3, 1.3), (4.1, 3.1), (2.2, 1.2), (4.4, 3.4)])
def test_rounding_in_a_sum_of_scores_decides_nothing(one, other):
    """These differences of one point come out a last digit below 1 or above."""
    q, near = QUANTITIES["pain_shift"], one - other
    assert near != 1.0
    assert bearing(q, -3.0, -near, matters=1.0).size == "from"
    assert bearing(q, near, 3.0, matters=1.0).size == "from"
    assert bearing(q, -near, near / 2, matters=1.0).size == "open"


def test_what_begins_at_the_difference_that_matters_says_so():
    important = RANDOMISED.pain.instrument.important_difference
    said = told("pain_difference", -2 * important, -3 * important, -important)
    assert said.allows == f"A difference of {important:g} mm, the least that matters to this study, is still possible."
    smaller = told("pain_difference", -2 * important, -3 * important, -important + 1)
    assert smaller.allows.startswith(f"A difference of less than {important:g} mm, too small to matter to this study")


def test_a_claim_is_seen_as_the_table_shows_it():
    found = claim("rmst_difference", -1.3, -2.1, -0.4)
    assert found.seen == (1.3, 0.4, 2.1)
    assert found.seen_alone is None
    assert found.matters_shown == RANDOMISED.plan.wait_difference_min > 0
    assert claim("hazard_ratio", 1.3, 0.9, 2.0).matters_shown is None
    looked = claim("rmst_difference", -1.3, -2.1, -0.4, look=LOOK)
    assert looked.seen_alone == (1.3, 0.4, 2.1)
    assert looked.seen.low < 0.4 < 2.1 < looked.seen.high
    gone = claim_of("rmst_difference", missing("rmst_difference", "x", "none", N), RANDOMISED, population="", known=N)
    assert (gone.seen, gone.seen_alone, gone.bears) == (None, None, None)
    assert LOOK.later is False


def test_page_one_leads_with_the_primary_and_holds_comparisons_of_all_cases_only():
    lead, other = claim("rmst_difference", -1, -2, 0), claim("hazard_ratio", 1.3, 0.9, 2.0)
    part = claim("hazard_ratio", 1.3, 0.9, 2.0, subset="A")
    single = dataclasses.replace(other, quantity=quantity_of("rmst"))
    claims = Claims(lead="rmst_difference", claims=(other, part, single, lead))
    assert claims.page_one() == (lead, other)
    assert claims.get("hazard_ratio", "A") is part
    with pytest.raises(KeyError, match="rmst_difference of A"):
        claims.primary("A")


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (numbers.percent(0.0049, 99), f"0{THIN}%"), (numbers.percent(0.0049, 100), f"0.5{THIN}%"),
        (numbers.percent(0.224, 100), f"22{THIN}%"), (numbers.percent(0.224, 999), f"22{THIN}%"),
        (numbers.percent(0.224, 1000), f"22.4{THIN}%"), (numbers.percent(0.00001, 200), f"0.0{THIN}%"),
        (numbers.p_text(0.001), "0.001"), (numbers.p_text(0.1), "0.10"), (numbers.p_text(0.0999), "0.1"),
        (numbers.amount(1.0, "mm"), "1 mm"), (numbers.listed(("a", "b")), "a and b"),
        (numbers.day("2026-01-02"), "2 January 2026"), (numbers.quarter("2026Q1"), "first quarter of 2026"),
    ],
)  # fmt: skip
def test_digits_change_at_their_thresholds(shown, expected):
    assert shown == expected


def test_an_answer_is_told_with_its_nearer_end_first_and_what_is_still_possible():
    said = told("rmst_difference", -1.3, -2.1, -0.4)
    assert "numb 1.3 minutes sooner on average" in said.seen
    assert "(0.4 to 2.1)" in said.seen
    assert said.text == f"{said.seen} {said.allows}"
    assert said.allows == (
        "A difference of less than half a minute, too small to matter to this study, is still possible."
    )
    later = told("rmst_difference", 1.3, 0.4, 2.1)
    assert "numb 1.3 minutes later on average" in later.seen
    assert "(0.4 to 2.1)" in later.seen
    unsure = told("rmst_difference", -0.3, -1.0, 0.4)
    assert "could be from 0.4 minutes later to 1.0 minutes sooner" in unsure.seen
    assert unsure.allows == "These 24 cases cannot tell which is sooner."
    touched = told("rmst_difference", -0.5, -1.0, 0.0)
    assert "from no difference to 1.0 minutes sooner" in touched.seen
    none = told("rmst_difference", 0.0, 0.0, 0.0)
    assert "no difference in the average wait was seen" in none.seen
    assert "smaller than half a minute" in none.allows


def test_a_ratio_is_told_as_it_is_in_the_order_of_its_ends():
    said = told("hazard_ratio", 0.5, 0.3, 0.8)
    assert "numb at 0.50 times the rate" in said.seen
    assert "(0.30 to 0.80), that is later" in said.seen
    assert said.allows == "Anything from 0.30 to 0.80 times the rate agrees with these 24 cases."
    unsure = told("hazard_ratio", 1.2, 0.8, 1.6)
    assert "from 0.80 (later) to 1.60 (sooner) times" in unsure.seen
    assert "from 1.00 (no difference) to 1.60 (sooner)" in told("hazard_ratio", 1.2, 1.0, 1.6).seen


@pytest.mark.parametrize(
    ("low", "high", "starts"),
    [(-2.1, -0.6, "The whole interval lies beyond half a minute"),
     (-0.4, -0.1, "The whole interval lies within half a"),
     (-2.1, -0.4, "A difference of less than half a minute"), (-0.3, 0.2, "Whatever the difference is, it is smaller")],
)  # fmt: skip
def test_what_is_allowed_is_held_against_the_difference_that_matters(low, high, starts):
    said = told("rmst_difference", (low + high) / 2, low, high)
    assert said.allows.startswith(starts)
    assert said.allows.endswith(".")
    assert "allocated at random" not in said.allows
    audit = told("rmst_difference", (low + high) / 2, low, high, AUDIT)
    assert audit.allows.endswith("something other than buffering may be the reason.")


def test_shares_are_told_with_what_was_seen_in_each_arm():
    arms = (
        estimate("success_by_target", "plain", 9 / 13, 0.4, 0.9, "proportion", N),
        estimate("success_by_target", "buffered", 10 / 11, 0.6, 1.0, "proportion", N),
    )
    said = told("success_difference", 0.22, 0.05, 0.4, arms=arms)
    assert said.seen.startswith(f"91{THIN}% of buffered and 69{THIN}% of not buffered teeth were numb in time; ")
    assert "22 percentage points more were numb with buffered than with not buffered injections (5 to 40)" in said.seen
    assert said.allows == "Anything from 5 to 40 percentage points more agrees with these 24 cases."
    assert "% of" not in told("success_difference", 0.22, 0.05, 0.4, arms=arms[:1]).seen
    fewer = told("success_difference", -0.22, -0.4, -0.05)
    assert "22 percentage points fewer were numb with buffered" in fewer.seen


def test_no_limits_are_told_as_none():
    for low, high in ((-math.inf, math.inf), (-1.0, math.inf), (-math.inf, 1.0)):
        assert "anything, as so early an analysis sets no limits," in told("rmst_difference", -0.3, low, high).seen


@pytest.mark.parametrize(
    ("code", "leads", "starts"),
    [("crossed", True, "at interim analysis 2 of 4 (2026Q2) the boundary set beforehand was crossed in these cases, "
      "toward sooner: "), ("ended", True, "at interim analysis 2 of 4 (2026Q2) the planned size was reached"),
     ("futile", True, "at interim analysis 2 of 4 (2026Q2) the boundary of futility ended the study and no difference "
      "was shown: "),
     ("descriptive", True, "the analysis of 2026Q2 was not planned"), ("crossed", False, ""),
     ("unlikely", True, "at interim analysis 2 of 4 (2026Q2), after 150 of 350 teeth seen to go numb, the boundary was "
      "not reached; by the futility rule a gain is unlikely to be shown: "),
     ("continue", True, "at interim analysis 2 of 4 (2026Q2), after 150 of 350 teeth seen to go numb, the boundary was "
      "not reached: ")],
)  # fmt: skip
def test_the_verdict_is_told_of_the_claim_that_was_tested_only(code, leads, starts):
    look = dataclasses.replace(LOOK, code=code)
    found = claim("rmst_difference", -0.3, -1.0, 0.4, look=look, leads=leads)
    verdict = words.verdict_clause(found)
    assert verdict.startswith(starts)
    assert bool(verdict) == bool(starts)
    assert words.verdict_clause(claim("rmst_difference", -0.3, -1.0, 0.4)) == ""
    assert words.verdict_clause(dataclasses.replace(found, subset="A")) == ""
    assert look.stopped == (code in ("crossed", "ended", "futile"))


def test_a_claim_of_no_estimate_says_why():
    found = claim_of("rmst_difference", missing("rmst_difference", "x", "too few.", N), RANDOMISED, population="",
                     known=N, leads=True)  # fmt: skip
    assert words.sentence(found, RANDOMISED).seen == "There is no answer yet: too few."
    beside = dataclasses.replace(found, leads=False)
    said = words.sentence(beside, RANDOMISED)
    assert said.seen == "The difference in restricted mean time to onset cannot be estimated: too few."
    assert said.allows == ""
    shut = dataclasses.replace(found, answer=dataclasses.replace(found.answer, code="withheld"))
    assert words.sentence(shut, RANDOMISED).seen == "No answer is shown: too few."
    nobody = dataclasses.replace(found, n=dataclasses.replace(N, by_arm=()))
    assert words.sentence(nobody, RANDOMISED).allows == "No case has been analysed."


def test_scores_are_counted_as_scores():
    said = told("pain_difference", -1.0, -14.0, 12.0)
    assert said.allows.startswith("These 20 scores cannot tell which injection hurts less")
    one = claim("pain_difference", -1.0, -14.0, 12.0)
    answer = dataclasses.replace(one.answer, n=dataclasses.replace(one.answer.n, onsets=1))
    single = claim_of("pain_difference", answer, RANDOMISED, population="20 cases", known=N)
    assert (one.population, single.population) == ("20 scores", "1 score")
    found = words.sentence(single, RANDOMISED)
    assert found.allows.startswith("This 1 score cannot tell")
    important = RANDOMISED.pain.instrument.important_difference
    beyond = told("pain_difference", -2 * important, -3 * important, -1.5 * important)
    assert beyond.allows.startswith(f"The whole interval lies beyond {important:g} mm")
    assert words.short_value(one) == "−1 mm (−14 to 12)"
    single = dataclasses.replace(claim("rmst_difference", -0.3, -1.0, 0.4), population="1 case")
    assert words.sentence(single, RANDOMISED).allows == "This 1 case cannot tell which is sooner."


def test_an_axis_has_the_better_side_where_the_shown_number_grows():
    assert words.axis_ends(RANDOMISED) == ("buffered later", "buffered sooner")
    assert words.axis_ends(RANDOMISED, quantity_of("pain_difference")) == ("buffered lower", "buffered higher")
    assert words.axis_ends(RANDOMISED, quantity_of("success_difference")) == ("buffered fewer", "buffered more")


def test_span_in_the_unit_of_the_quantity():
    found = claim("rmst_difference", -0.3, -1.0, 0.4)
    assert words.span_words(found, -1.0, 0.4) == "from 0.4 minutes later to 1.0 minutes sooner"


def test_an_allowance_never_narrows_and_keeps_what_is_skew_or_infinite():
    q, ratio = QUANTITIES["rmst_difference"], QUANTITIES["hazard_ratio"]
    found = estimate("rmst_difference", "x", -1.0, -2.0, 0.5, "min", N)
    same = allowed_for_looks(found, q, 1.0).interval
    assert (same.low, same.high) == pytest.approx((-2.0, 0.5))
    twice = allowed_for_looks(found, q, 2 * 1.959963984540054).interval
    assert (twice.low, twice.high) == pytest.approx((-3.0, 2.0))
    never = allowed_for_looks(found, q, math.inf).interval
    assert (never.low, never.high) == (-math.inf, math.inf)
    rate = estimate("hazard_ratio", "x", 2.0, 1.0, 8.0, "ratio", N)
    wide = allowed_for_looks(rate, ratio, 2 * 1.959963984540054).interval
    assert (wide.low, wide.high) == pytest.approx((0.5, 32.0))
    assert allowed_for_looks(rate, ratio, math.inf).interval.low == 0.0
    open_end = estimate("hazard_ratio", "x", 2.0, 0.0, math.inf, "ratio", N)
    kept = allowed_for_looks(open_end, ratio, 3.0).interval
    assert (kept.low, kept.high) == (0.0, math.inf)
    share = estimate("success_difference", "x", 0.1, -0.6, 0.8, "proportion", N)
    clipped = allowed_for_looks(share, QUANTITIES["success_difference"], 3 * 1.96).interval
    assert (clipped.low, clipped.high) == (-1.0, 1.0)
