"""What makes the testing doubtful, in words for the first page."""

from __future__ import annotations

from onsetstudy.records.derived.results import SHUTS, Doubt
from onsetstudy.report.numbers import listed

__all__ = ["REASONS", "WORDS", "doubt_words", "shut"]

WORDS = {
    "control_lost": "The control tooth was lost with the target in {0} of {1} cases{whose}: was it inside the "
    "numb field?",
    "control_lost_in_arm": "The control tooth was lost with the target in {0} of {1} cases of one arm and {2} of {3} "
    "of the other: was it inside the numb field?",
    "clock": "In {0} of {1} cases{whose} the minutes cannot be those of the planned tests: how was the time taken?",
    "control_in_field": "In {0} of {1} cases{whose} the control tooth lies inside the field of the injection, where it "
    "goes numb itself.",
    "off_schedule_positive": "Of {2} tests off schedule {0} found the tooth numb, where about {1} would be expected: "
    "were they done because the patient felt something?",
    "tested_differently": "The arms were not tested alike: tests off schedule were {0} in one arm and {1} in the "
    "other.",
    "tests_vanished": "The arms were not tested alike: planned tests not done in time were {0} in one arm and {1} in "
    "the other.",
    "tested_later": "The arms were not tested alike: of the planned tests that were felt {0} of {1} were done after "
    "their minute in one arm and {2} of {3} in the other, and it is planned minutes that date onset.",
    "given_up": "Testing of teeth that still felt the cold ended before the horizon in {0} of {1} cases of one arm and "
    "{2} of {3} of the other: teeth that were given up look as if they would have become numb like the rest.",
    "onset_unconfirmed": "Teeth that stopped feeling the cold have no confirmed onset in {0} of {1} cases of one arm "
    "and {2} of {3} of the other: they count as not numb.",
    "tests_discarded": "Tests of numb teeth that do not count because of the control tooth were {0} in one arm and {1} "
    "in the other.",
}

REASONS = {
    "control_lost": "the control tooth was lost with the target",
    "control_lost_in_arm": "the control tooth was lost with the target in one arm more than in the other",
    "clock": "minutes cannot be those of the planned tests",
    "control_in_field": "control teeth lay inside the field of the injection",
    "off_schedule_positive": "tests off schedule found teeth numb too often",
    "tested_differently": "the arms were not tested off schedule alike",
    "tests_vanished": "more planned tests are missing in one arm",
    "tested_later": "planned tests were done later in one arm",
    "given_up": "teeth that still felt the cold were given up in one arm more than in the other",
    "onset_unconfirmed": "more onsets are not confirmed in one arm",
    "tests_discarded": "more tests of numb teeth are discarded in one arm",
}
"""The same without counts, as part of a sentence."""


def doubt_words(doubts: tuple[Doubt, ...]) -> list[str]:
    """One sentence for each doubt, the gravest first."""
    told = []
    for doubt in doubts:
        whose = f" (practice {listed(doubt.practices)})" if doubt.practices else ""
        told.append(WORDS[doubt.code].format(*(n for _, n in doubt.counts), whose=whose))
    return told


def shut(doubts: tuple[Doubt, ...]) -> bool:
    """Whether the numbers of the cold tests are kept off the first page."""
    return any(d.effect == SHUTS for d in doubts)
