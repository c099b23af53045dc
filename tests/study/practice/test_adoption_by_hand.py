"""The rule of adoption at its margins, and which page is the closing one."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import pytest

from onsetstudy.core.results import Counts
from onsetstudy.outcomes.harm_results import EventLine
from onsetstudy.outcomes.harms import arm_events
from onsetstudy.study.practice.results import side_of_margin, verdict_of
from onsetstudy.study.results import AdoptionPart
from tests.study.practice.test_adoption import RULE, between, closing


@pytest.mark.parametrize(
    ("low", "high", "code"),
    [(-3.0, -1.0, "met"), (-1.0, -1.0, "met"), (-3.0, -0.999, "open"), (-1.0, 2.0, "open"), (-0.999, 2.0, "failed")],
)
def test_an_end_exactly_at_the_margin_meets_it(low, high, code):
    assert side_of_margin("chair_time_difference", between("chair_time_difference", low, high), 1.0) == code


def test_the_verdict_needs_every_part():
    assert verdict_of((AdoptionPart(name="x", code="met"),)) == "adopt"
    assert verdict_of((AdoptionPart(name="x", code="open"),)) == "undecided"
    assert verdict_of((AdoptionPart(name="x", code="failed"), AdoptionPart(name="y", code="open"))) == "do_not_adopt"


def test_the_last_quarter_ends_the_study_and_no_other():
    assert closing(RULE).over is True
    assert closing(RULE, last=False).over is False


def test_without_counts_of_harms_nothing_is_adopted_and_a_rare_serious_one_stops():
    found = closing(RULE)
    assert dataclasses.replace(found, safety=None).adoption.parts[-1].code == "open"
    arm = found.protocol.contrast_arm

    def with_event(event, rule=RULE):
        safety = dataclasses.replace(found.safety, listing=(event,))
        changed = dataclasses.replace(found, safety=safety)
        changed = dataclasses.replace(changed, protocol=dataclasses.replace(found.protocol, adoption=rule))
        return changed.adoption.parts[-1].code

    assert with_event((arm, "paraesthesia", "no", "ianb", 0)) == "met"
    assert with_event((arm, "haematoma", "yes", "ianb", 1)) == "met"
    serious = dataclasses.replace(RULE, stopping_harms=("serious",))
    assert with_event((arm, "haematoma", "yes", "ianb", 1), serious) == "failed"
    assert with_event((arm, "haematoma", "no", "ianb", 1), serious) == "met"


def test_without_times_of_the_chair_that_part_is_open():
    assert dataclasses.replace(closing(RULE), chair_time=None).adoption.parts[0].code == "open"
    saved = SimpleNamespace(difference=between("chair_time_difference", -3.0, -1.5), spent=())
    assert dataclasses.replace(closing(RULE), chair_time=saved).adoption.parts[0].code == "met"


def test_harms_of_which_nothing_is_known_decide_nothing():
    found = closing(RULE)
    arm, n = found.protocol.contrast_arm, Counts(cases=10, onsets=0)
    serious = dataclasses.replace(RULE, stopping_harms=("serious",))

    def harms(rule, told, *listing):
        seen = tuple(arm_events("any", code, 0, told, 5, n=n, level=0.95) for code in found.protocol.arm_codes[:2])
        line = EventLine(event="any", arms=seen, difference=between("event_any_difference", -1.0, 1.0))
        safety = dataclasses.replace(found.safety, harms=(line,), listing=listing)
        promised = dataclasses.replace(found.protocol, adoption=rule)
        return dataclasses.replace(found, safety=safety, protocol=promised).adoption.parts[-1].code

    assert harms(RULE, 5) == "met"
    assert harms(RULE, 0) == "open"
    assert harms(dataclasses.replace(RULE, stopping_harms=()), 0) == "met"
    assert harms(serious, 5, (arm, "haematoma", "not recorded", "ianb", 1)) == "open"
    assert harms(RULE, 5, (arm, "haematoma", "not recorded", "ianb", 1)) == "met"
