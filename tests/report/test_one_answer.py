"""One answer: the same numbers are told alike in every document, and no more than interval and looks allow."""

from __future__ import annotations

import dataclasses
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.core.claims import Look
from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.core.results import Counts
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.interim.results import LookVerdict
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.numbers import level
from onsetstudy.report.sentences import sentence
from onsetstudy.study.answer.claims import allowed_for_looks, claim_of
from onsetstudy.study.planning.power import plan_of
from onsetstudy.study.results import LooksTaken
from tests.report.claimed import AUDIT, RANDOMISED, claim, group_of, told
from tests.report.samples import estimate, rich, small
from tests.study.cases import protocol

COMPARED = [
    "rmst_difference",
    "success_difference",
    "not_numb_difference",
    "pain_difference",
    "pain_shift",
    "chair_time_difference",
    "treatment_success_difference",
    "hazard_ratio",
]
ENDS = st.integers(-4000, 4000)
TURNED = dataclasses.replace(RANDOMISED, reference_arm="buffered")
SWAPS = {
    "sooner": "later", "more": "fewer", "lower": "higher", "saved": "lost", "not buffered": "buffered",
}  # fmt: skip
BOTH = {**SWAPS, **{b: a for a, b in SWAPS.items()}}
PRIMARIES = list(CODES["primary"])
DIRECTION = r"\b(sooner|later|more|fewer|lower|higher|saved|lost)\b"


def spread(key, a, b, c):
    """Three values in order, on a sensible scale of the quantity."""
    low, value, high = sorted((a, b, c))
    if key == "hazard_ratio":
        return tuple(1.0005**v for v in (value, low, high))
    scale = 1 / 5000 if QUANTITIES[key].unit == "proportion" else 1 / 400
    return value * scale, low * scale, high * scale


def mirrored(text):
    """Names of the arms and words of direction exchanged; capitals left out, ends of an interval in no order."""
    text = re.sub(r"\bnot buffered\b|\b(?:buffered|" + "|".join(w for w in BOTH if "buff" not in w) + r")\b",
                  lambda m: BOTH[m.group(0)], text.lower())  # fmt: skip
    return settled(text)


def settled(text):
    return re.sub(r"from (.+?) to (.+?)(?= with | numb with | not numb within | treated with | a case )",
                  lambda m: "from " + " to ".join(sorted(m.groups())), text.lower())  # fmt: skip


@pytest.mark.parametrize("key", [k for k in COMPARED if k != "hazard_ratio"])
@given(ENDS, ENDS, ENDS)
def test_swapping_the_arms_mirrors_the_sentences(key, a, b, c):
    value, low, high = spread(key, a, b, c)
    said = told(key, value, low, high)
    other = told(key, -value, -high, -low, TURNED)
    assert mirrored(said.seen) == settled(other.seen)
    # A question has no sides: it is asked alike whichever arm is named first.
    assert (said.allows if "cannot tell" in said.allows else mirrored(said.allows)) == (
        other.allows if "cannot tell" in said.allows else settled(other.allows)
    )


@given(ENDS, ENDS, ENDS)
def test_swapping_the_arms_turns_the_direction_of_a_ratio(a, b, c):
    value, low, high = spread("hazard_ratio", a, b, c)
    words = [re.findall(DIRECTION, told("hazard_ratio", *v, p).seen)
             for v, p in (((value, low, high), RANDOMISED), ((1 / value, 1 / high, 1 / low), TURNED))]  # fmt: skip
    assert sorted(BOTH[w] for w in words[0]) == sorted(words[1])


@pytest.mark.parametrize("key", COMPARED)
@given(ENDS, ENDS, ENDS, st.booleans())
def test_a_direction_is_named_only_where_no_difference_is_excluded(key, a, b, c, randomised):
    value, low, high = spread(key, a, b, c)
    quantity, promised = QUANTITIES[key], RANDOMISED if randomised else AUDIT
    said = told(key, value, low, high, promised)
    words = set(re.findall(DIRECTION, said.seen))
    excluded = high < quantity.null or low > quantity.null
    if excluded:
        better = (high < quantity.null) == (quantity.favours < 0)
        assert words == {quantity.words[0] if better else quantity.words[1]}
        assert "could be" not in said.seen
        assert "cannot tell" not in said.allows
    else:
        assert "could be" in said.seen or said.seen.lower().count("no difference") + said.seen.count("no shift") == 1
        assert "cannot tell" in said.allows or "smaller than" in said.allows
    reasons = "cannot tell" not in said.allows
    assert ("at random" in said.allows) == (reasons and not randomised)
    assert all(len(re.findall(r"[.!?](?=\s|$)", text)) == 1 for text in (said.seen, said.allows))


@given(ENDS, ENDS, ENDS)
def test_another_unit_of_time_changes_numbers_only(a, b, c):
    value, low, high = spread("rmst_difference", a, b, c)
    bare = protocol(plan={"wait_difference_min": None})
    minutes = told("rmst_difference", value, low, high, bare).text
    seconds = told("rmst_difference", 60 * value, 60 * low, 60 * high, bare).text
    assert re.sub(r"[\d.]+", "#", minutes) == re.sub(r"[\d.]+", "#", seconds)


@pytest.mark.parametrize(
    ("value", "low", "high", "seen", "allows"),
    [
        (-0.3, -1.0, 0.4, "the true difference could be from 0.4 minutes later to 1.0 minutes sooner with buffered "
         "injections.", "These 24 cases cannot tell which is sooner."),
        (-0.03, -0.05, -0.01, "buffered teeth were numb 0.03 minutes sooner on average than not buffered ones (0.01 "
         "to 0.05).", "The whole interval lies within half a minute, the difference that matters to this study."),
        (0.9, 0.7, 1.4, "buffered teeth were numb 0.9 minutes later on average than not buffered ones (0.7 to 1.4).",
         "The whole interval lies beyond half a minute, the difference that matters to this study."),
    ],
)  # fmt: skip
def test_waiting_by_hand(value, low, high, seen, allows):
    said = told("rmst_difference", value, low, high)
    assert said.seen == f"Up to 15 minutes, a tooth not numb by then counted as 15, {seen}"
    assert said.allows == allows


@pytest.mark.parametrize(
    ("key", "numbers", "seen"),
    [
        ("success_difference", (0.1, 0.01, 0.19),
         "By 2 minutes 10 percentage points more were numb with buffered than with not buffered injections (1 to 19)."),
        ("not_numb_difference", (-0.1, -0.19, -0.01),
         "10 percentage points fewer were not numb within 15 minutes with buffered than with not buffered injections "
         "(1 to 19)."),
        ("hazard_ratio", (1.6, 1.1, 2.3),
         "Buffered teeth became numb at 1.60 times the rate of not buffered ones (1.10 to 2.30), that is sooner."),
        ("hazard_ratio", (0.7, 0.5, 0.9),
         "Buffered teeth became numb at 0.70 times the rate of not buffered ones (0.50 to 0.90), that is later."),
        ("pain_difference", (-8, -12, -4),
         "Mean pain at deposition was 8 mm lower with buffered than with not buffered injections (4 to 12)."),
        ("pain_difference", (5, 2, 9),
         "Mean pain at deposition was 5 mm higher with buffered than with not buffered injections (2 to 9)."),
        ("chair_time_difference", (-1.2, -2.0, -0.4),
         "Counting the wait as it was spent and the time for mixing, 1.2 minutes a case were saved with buffered "
         "against not buffered injections (0.4 to 2.0)."),
        ("chair_time_difference", (1.2, 0.4, 2.0),
         "Counting the wait as it was spent and the time for mixing, 1.2 minutes a case were lost with buffered "
         "against not buffered injections (0.4 to 2.0)."),
    ],
)  # fmt: skip
def test_every_quantity_by_hand(key, numbers, seen):
    assert told(key, *numbers).seen == seen


def test_minutes_saved_of_an_earlier_file_keep_their_meaning():
    claimed = claim("chair_time_difference", -1.2, -2.0, -0.4)
    earlier = estimate("minutes_saved", "buffered - plain", 1.2, 0.4, 2.0, "min", claimed.n)
    now = from_dict(to_dict(earlier))
    assert now.quantity == "chair_time_difference"
    assert (now.estimate, now.interval.low, now.interval.high) == (-1.2, -2, -0.4)


def seen_in(document):
    """The answer on page 1."""
    return next(b for b in document.sections[0].blocks if b.kind == "answer")


def texts(document):
    return [b.text for s in document.sections for b in s.blocks if b.kind == "paragraph"]


def with_treatments(results):
    """The same results with successful treatments compared."""
    whole, key = results.overall, "treatment_success"
    arms = tuple(estimate(key, a.arm, v, v - 0.1, v + 0.1, "proportion", Counts(cases=a.cases, onsets=0, by_arm=(a,)))
                 for a, v in zip(whole.n.by_arm, (0.6, 0.7), strict=True))  # fmt: skip
    apart = estimate(f"{key}_difference", "buffered - plain", 0.1, -0.02, 0.22, "proportion", whole.n)
    return dataclasses.replace(results, overall=dataclasses.replace(whole, treatment=arms, treatment_difference=apart))


@pytest.mark.parametrize("make", [rich, small])
@pytest.mark.parametrize("primary", PRIMARIES)
def test_the_primary_outcome_leads_on_every_document(primary, make):
    results = with_treatments(dataclasses.replace(make(), protocol=protocol(plan={"primary": primary})))
    group = group_of(results)
    lead = results.claims.primary()
    assert lead.quantity.key == primary
    practice, whole = seen_in(compose(results)), seen_in(compose_group(group))
    said = sentence(lead, results.protocol)
    assert practice.seen == said.seen
    means = (r"; the average wait.*?; ", r"the average wait .*? injections; ",
             r"[\d.]+\s?% of .*?(?:treatments succeeded|in time); ")  # fmt: skip
    bare = re.compile("|".join(means), re.I)
    assert bare.sub("", whole.seen).lower() == bare.sub("", practice.seen).lower()
    assert whole.allows.startswith(practice.allows)
    member = compose_group(group, practice="P01")
    assert seen_in(member).seen == whole.seen
    own = next(t for t in texts(member) if t.startswith("Your practice"))
    assert bare.sub("", practice.seen).lower() in own.lower()


@pytest.mark.parametrize("key", ["rmst_difference", "hazard_ratio", "success_difference", "pain_difference"])
def test_practice_and_group_agree_on_every_shared_claim(key):
    results = rich()
    mine, theirs = (r.claims.get(key) for r in (results, group_of(results)))
    assert mine.seen == theirs.seen
    assert mine.bears == theirs.bears
    assert mine.places == theirs.places
    assert mine.matters == theirs.matters


def test_not_numb_in_the_group_is_the_numb_from_the_other_side():
    found = group_of(rich()).claims.get("not_numb_difference")
    assert (found.answer.estimate, found.answer.interval.low, found.answer.interval.high) == (-0.04, -0.1, 0.02)
    lower = estimate("n", "buffered - plain", -0.1, -0.2, -0.05, "proportion", found.n)
    clear = dataclasses.replace(found, answer=lower,
                                bears=claim("not_numb_difference", -0.1, -0.2, -0.05).bears)  # fmt: skip
    assert "10 percentage points fewer were not numb" in sentence(clear, RANDOMISED).seen


def test_the_group_says_less_pain_where_scores_are_lower():
    row = next(r for r in _arms_rows(group_of(rich())) if r[0].startswith("mean pain"))
    shown = rich().claims.get("pain_difference").seen
    assert shown.value < 0
    assert row[-1].startswith("−")


def _arms_rows(group):
    return next(b for b in compose_group(group).sections[0].blocks if b.kind == "table").rows


def taken(primary, code, direction, z, boundary, promised):
    verdict = LookVerdict(
        label="2026Q1", code=code, direction=direction, z=z, boundary=boundary, futility=None, fraction=0.7,
        counted=247, planned=350, unit="onsets", alpha_spent=0.02, naive_claim=True, naive_error=0.1,
        conditional=None,
    )  # fmt: skip
    return LooksTaken(primary=primary, plan=plan_of(promised), verdicts=(verdict,), stopped=None, scale="min")


@pytest.mark.parametrize("primary", ["rmst_difference", "success_difference", "hazard_ratio"])
def test_no_page_claims_what_a_look_withholds(primary):
    promised = protocol(plan={"primary": primary})
    results = dataclasses.replace(
        rich(), protocol=promised, looks=taken(primary, "continue", "", 2.3, 2.9, promised)
    )  # fmt: skip
    for document in (compose(results), compose_group(group_of(results, looks=results.looks))):
        answer = seen_in(document)
        assert answer.seen.startswith("At interim analysis 1 of 4 (2026Q1), after 247 of 350 teeth seen to go numb, "
                                      "the boundary was not reached: ")  # fmt: skip
        everything = " ".join([answer.seen, answer.allows, *texts(document)])
        assert not re.search(r"were numb [\d.]+ minutes (sooner|later)|points (more|fewer) were numb|that is sooner",
                             everything)  # fmt: skip


@pytest.mark.parametrize(("direction", "word"), [("sooner", "sooner"), ("later", "later")])
def test_a_boundary_that_was_crossed_is_told_with_its_direction_and_both_intervals(direction, word):
    side = 1 if direction == "sooner" else -1
    look = Look(number=3, planned=4, label="2026Q2", code="crossed", side=side, counted=300, planned_count=350,
                unit="onsets", critical=2.4)  # fmt: skip
    said = told("rmst_difference", -1.5 * side, *sorted((-2.5 * side, -0.5 * side)), look=look, leads=True)
    assert said.seen.startswith("At interim analysis 3 of 4 (2026Q2) the boundary set beforehand was crossed: up to 15")
    assert f"numb 1.5 minutes {word}" in said.seen
    assert "allowing for the interim analyses; 0.5 to 2.5 if one looked only once" in said.seen
    # Cases that came after the verdict are in the number, and the sentence says so.
    since = told("rmst_difference", -1.5 * side, *sorted((-2.5 * side, 0.5 * side)), leads=True,
                 look=dataclasses.replace(look, later=True))  # fmt: skip
    assert f"was crossed, toward {word}; in all 24 cases to date, up to 15 minutes" in since.seen
    assert "in these cases" not in since.seen
    # Crossed to the other side than the answer lies: nothing is claimed.
    against = told("rmst_difference", 1.5 * side, *sorted((2.9 * side, 0.5 * side)), look=look, leads=True)
    assert f"toward {word}" in against.seen
    assert "were numb" not in against.seen


@pytest.mark.parametrize(("code", "sided", "text"), [
    ("ended", 2, "the planned size was reached and no difference was shown"),
    # A plan of one side has not looked for a loss, however clear one is.
    ("ended", 1, "the planned size was reached and no gain was shown"),
    ("unlikely", 2, "unlikely to be shown"),
    ("continue", 2, "the boundary was not reached"),
])  # fmt: skip
def test_a_verdict_that_withholds_is_said_first(code, sided, text):
    look = Look(number=2, planned=4, label="2026Q2", code=code, side=0, counted=150, planned_count=350, unit="onsets",
                critical=2.9, sided=sided)  # fmt: skip
    said = told("rmst_difference", -1.0, -1.8, -0.2, look=look, leads=True)
    assert text in said.seen.split(":")[0]
    assert "could be" in said.seen


def test_the_interval_that_allows_for_the_looks_is_the_critical_value_times_the_error():
    one = 1.959963984540054
    found = estimate("rmst_difference", "buffered - plain", -1.0, -1.0 - one * 0.4, -1.0 + one * 0.4, "min",
                     claim("rmst_difference", -1, -2, 0).n)  # fmt: skip
    wide = allowed_for_looks(found, QUANTITIES["rmst_difference"], 2.863)
    assert (wide.interval.low, wide.interval.high) == pytest.approx((-1 - 2.863 * 0.4, -1 + 2.863 * 0.4), abs=1e-12)
    ratio = estimate("hazard_ratio", "buffered / plain", 2.0, 2.0 / 1.5, 3.0, "ratio", found.n)
    grown = allowed_for_looks(ratio, QUANTITIES["hazard_ratio"], 2 * one).interval
    assert (grown.low, grown.high) == pytest.approx((2.0 / 1.5**2, 2.0 * 1.5**2))
    assert allowed_for_looks(found, QUANTITIES["rmst_difference"], 1.0).interval.low == found.interval.low


@pytest.mark.parametrize(
    ("primary", "side", "told_side"), [("pain_difference", 0, 0), ("pain_difference", 1, 1), ("rmst_difference", 0, 1)]
)
def test_scores_claim_no_direction_that_their_own_analysis_withholds(primary, side, told_side):
    promised = protocol(plan={"primary": primary})
    look = Look(number=2, planned=4, label="2026Q1", code="crossed" if side else "continue", side=side, counted=150,
                planned_count=350, unit="onsets", critical=2.4)  # fmt: skip
    known = rich().overall.n
    less = estimate("pain_difference", "buffered - plain", -8.0, -11.0, -5.0, "mm", known)
    found = claim_of("pain_difference", less, promised, population="", known=known, look=look, leads=primary == "pain")
    assert found.bears.side == told_side


def test_beside_a_verdict_the_size_is_left_open_and_not_the_direction():
    look = Look(number=3, planned=4, label="2026Q2", code="crossed", side=1, counted=300, planned_count=350,
                unit="onsets", critical=2.4)  # fmt: skip
    said = told("rmst_difference", -1.0, -2.1, 0.1, look=look, leads=True)
    assert "toward sooner" in said.seen
    assert said.allows.startswith("The direction is the verdict of that analysis")
    assert "cannot tell" not in said.allows


def test_beside_a_verdict_of_one_side_limits_of_both_say_why_they_are_wider():
    """Z of 1.75: beyond a boundary of 1.7 for one side at 5 %, within limits at 95 %."""
    look = Look(number=4, planned=4, label="2026Q3", code="crossed", side=1, counted=350, planned_count=350,
                unit="onsets", critical=1.7, sided=1)  # fmt: skip
    said = told("rmst_difference", -1.0, -2.12, 0.12, look=look, leads=True)
    why = f"toward sooner (it tests one side alone; limits of both sides, at {level(0.95)}, are wider): "
    assert why in said.seen
    assert said.seen.count("from 0.1 minutes later to 2.1 minutes sooner") == 1
    assert said.allows.startswith("The direction is the verdict of that analysis")
    for other in (dataclasses.replace(look, sided=2), dataclasses.replace(look, critical=1.97)):
        assert "one side alone" not in told("rmst_difference", -1.0, -2.12, 0.12, look=other, leads=True).seen
    beyond = told("rmst_difference", -1.0, -1.9, -0.1, look=look, leads=True)
    assert "one side alone" not in beyond.seen


def test_every_interval_says_whether_it_allows_for_the_interim_analyses():
    promised = protocol()
    looks = taken("rmst_difference", "continue", "", 1.0, 2.9, promised)
    results = dataclasses.replace(rich(), protocol=promised, looks=looks)
    told = {}
    for document in (compose(results), compose_group(group_of(results, looks=looks))):
        for section in document.sections:
            for block in section.blocks:
                name = getattr(block, "name", "") or getattr(block, "caption", "")
                told[name] = " ".join([getattr(block, "caption", ""), *getattr(block, "notes", ())])
    chosen = ("Arm beside arm", "Technique by technique", "Numb by 2 min, quarter by quarter", "key", "quarters",
              "everywhere", "What was seen, all practices together", "Pooled over practices",
              "forest")  # fmt: skip
    for name in chosen:
        assert "allowing for the interim analyses" in told[name], name
    alone = " ".join(texts(compose(dataclasses.replace(rich(), looks=None))))
    assert "interim analyses" not in alone


def test_an_estimate_beside_the_difference_that_matters_needs_no_more_digits():
    near = claim("rmst_difference", -0.504, -3.2, 2.2)
    assert near.places == 1
    # An end that would seem to lie on it does.
    assert claim("rmst_difference", -1.5, -3.2, -0.504).places > 1


def test_what_is_unsure_about_practices_is_not_said_to_be_more_than_chance():
    from onsetstudy.report.sections.group.pooled import REASONS

    assert all("more than chance" not in text for text in REASONS.values())
