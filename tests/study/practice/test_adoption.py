"""The rule of adoption: declared before, applied once the study is over."""

import dataclasses

import pytest

from onsetstudy.core.results import NO_SPREAD, Counts, Estimate, Interval
from onsetstudy.outcomes.harm_results import Safety
from onsetstudy.protocol.governance import AdoptionRule
from onsetstudy.protocol.lock_results import LockStanding, LockVersion
from onsetstudy.report.documents.protocol import compose_protocol
from onsetstudy.report.sections.appendix.interim import planned_section
from onsetstudy.study.practice.results import side_of_margin, verdict_of
from onsetstudy.study.results import AdoptionPart
from tests.report.samples import rich

RULE = AdoptionRule(net_min=1.0, pain_margin=5.0, not_numb_margin=0.05, stopping_harms=("paraesthesia",))


def between(key, low, high):
    interval = Interval(low=low, high=high, level=0.95, method="x")
    n = Counts(cases=10, onsets=10)
    return Estimate(quantity=key, contrast=None, estimate=(low + high) / 2, interval=interval, unit="", method="x", n=n)


@pytest.mark.parametrize(
    ("key", "low", "high", "least", "code"),
    [
        # Minutes of the chair, other arm minus reference: below nought is time saved.
        ("chair_time_difference", -3.0, -1.5, 1.0, "met"),
        ("chair_time_difference", -3.0, -0.5, 1.0, "open"),
        ("chair_time_difference", -0.9, 2.0, 1.0, "failed"),
        # Pain may be 5 worse.
        ("pain_shift", -8.0, 4.0, -5.0, "met"),
        ("pain_shift", -8.0, 6.0, -5.0, "open"),
        ("pain_shift", 5.1, 9.0, -5.0, "failed"),
        ("not_numb_difference", -0.1, 0.05, -0.05, "met"),
        ("not_numb_difference", 0.06, 0.2, -0.05, "failed"),
    ],
)
def test_the_whole_interval_has_to_lie_on_the_side_of_the_margin(key, low, high, least, code):
    assert side_of_margin(key, between(key, low, high), least) == code


def test_what_cannot_be_estimated_decides_nothing():
    assert side_of_margin("pain_shift", None, -5.0) == "open"


@pytest.mark.parametrize("minutes", [-2.0, 2.0])
def test_values_that_do_not_vary_decide_nothing(minutes):
    alike = dataclasses.replace(between("chair_time_difference", minutes, minutes), caution=(NO_SPREAD,))
    assert side_of_margin("chair_time_difference", alike, 1.0) == "open"


@pytest.mark.parametrize(
    ("codes", "verdict"),
    [
        (("met", "met", "met", "met"), "adopt"),
        (("met", "open", "met", "met"), "undecided"),
        (("met", "open", "failed", "met"), "do_not_adopt"),
    ],
)
def test_one_failed_condition_is_enough_and_all_have_to_be_met(codes, verdict):
    assert verdict_of(tuple(AdoptionPart(name="x", code=code) for code in codes)) == verdict


def closing(rule, last=True):
    found = rich()
    quarter = found.protocol.quarters[-1 if last else 0].label
    promised = dataclasses.replace(found.protocol, adoption=rule)
    safety = Safety(harms=(), course=(), listing=(), method="x", n=Counts(cases=10, onsets=10))
    standing = LockStanding(status="not_locked", first_case="2025-10-01", versions=(), changes=(), analyses=())
    return dataclasses.replace(found, protocol=promised, quarter=quarter, looks=None, safety=safety, standing=standing)


def test_only_the_closing_page_says_it():
    assert closing(None).adoption is None
    assert closing(RULE, last=False).adoption is None
    found = closing(RULE).adoption
    assert [p.name for p in found.parts] == ["net_min", "pain_margin", "not_numb_margin", "stopping_harms"]
    assert found.verdict == verdict_of(found.parts)


def test_a_harm_that_stops_is_enough():
    found = closing(RULE)
    event = (found.protocol.contrast_arm, "paraesthesia", "no", "ianb", 1)
    harmed = dataclasses.replace(found, safety=dataclasses.replace(found.safety, listing=(event,)))
    assert harmed.adoption.verdict == "do_not_adopt"
    elsewhere = (found.protocol.reference_arm, *event[1:])
    spared = dataclasses.replace(found, safety=dataclasses.replace(found.safety, listing=(elsewhere,)))
    assert spared.adoption.parts[-1].code == "met"


def test_a_lock_on_the_day_of_the_first_case_is_not_called_before_it():
    found = closing(None)
    version = LockVersion(number=1, digest="d", day="2025-10-01", reason="")
    kept = dataclasses.replace(found.standing, status="locked_before", versions=(version,))
    assert "on 1 October 2025, the day of the first case." in str(
        planned_section(dataclasses.replace(found, standing=kept))
    )


def test_the_page_says_it_in_words():
    text = str(planned_section(closing(RULE)))
    assert "By the rule of adoption in the protocol: " in text
    none = str(planned_section(closing(AdoptionRule(none_because="this only describes."))))
    assert "No rule of adoption was declared, because this only describes." in none
    assert "rule" not in str(planned_section(closing(None)))


def test_the_protocol_says_beforehand_what_the_rule_asks_for():
    told = str(compose_protocol(closing(RULE).protocol, None))
    assert f"Rule of adoption, declared beforehand: {'; '.join(RULE.conditions)}." in told
    none = str(compose_protocol(closing(AdoptionRule(none_because="this only describes.")).protocol, None))
    assert "No rule of adoption was declared, because this only describes." in none
