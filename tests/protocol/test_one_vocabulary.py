"""What rooms of one floor may not import of each other, and each has to say for itself, is the same in all."""

from __future__ import annotations

from onsetstudy.doses import dose_check, limits, mixing
from onsetstudy.outcomes import published
from onsetstudy.protocol import layout
from onsetstudy.protocol.vocabulary import AGENTS, CODES, SENSITIVITY, TECHNIQUES
from onsetstudy.records.checks import crosscheck


def test_drugs_countries_and_ages_of_doses_are_those_of_the_protocol():
    assert ("none", *limits.VASOCONSTRICTORS) == CODES["vasoconstrictor"]
    assert limits.SUBSTANCES == (*AGENTS, *limits.VASOCONSTRICTORS) == layout.DRUGS
    assert CODES["dose_country"] == limits.COUNTRIES
    assert CODES["dose_limits"] == limits.LISTS
    assert tuple(dose_check.AGE_BANDS) == CODES["age_band"]


def test_ages_follow_each_other_without_a_gap_and_children_and_adults_begin_where_bands_do():
    first, last = zip(*dose_check.AGE_BANDS.values(), strict=True)
    assert first == (0, *(year + 1 for year in last[:-1]))
    assert {limits.CHILD_YEARS, limits.ADULT_YEARS} <= {*first}
    assert (
        tuple(band for band, (begin, _) in dose_check.AGE_BANDS.items() if begin >= limits.ADULT_YEARS)
        == crosscheck.ADULTS
    )


def test_published_results_are_of_the_techniques_of_the_protocol():
    assert (*TECHNIQUES, "various") == published.TECHNIQUES


def test_as_planned_says_the_ratio_and_the_minutes_that_are_held_against_it():
    low, high = mixing.USUAL_RATIO
    words = f"mixed at most {mixing.LATE_MIN:g} min before, ratio between 1:{1 / low:g} and 1:{1 / high:g}"
    assert SENSITIVITY["per_protocol"][1].endswith(words)
    assert f"1:{1 / low:g} to 1:{1 / high:g}" in mixing.MIXING_TEXTS["ratio_unusual"]
    assert f"more than {mixing.LATE_MIN:g} minutes" in mixing.MIXING_TEXTS["mixed_long_ago"]
