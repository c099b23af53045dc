"""How long until there are enough cases, against quantiles worked out by hand."""

from __future__ import annotations

import math

import pytest

from onsetstudy.core.errors import DesignError
from onsetstudy.design.accrual import time_to_answer

NEAR = 0.01
"""Twice the error of a median of 20 000 draws, or more."""


def test_the_first_case_at_a_known_pace_comes_after_an_exponential_wait():
    """Half have come after ln 2 of the mean wait; here a case comes every 12 months."""
    found = time_to_answer(1, cases_per_month=1 / 12, rate_cv=0.0)
    assert found.months == pytest.approx(12 * math.log(2), rel=3 * NEAR)
    # 8.32 months are the third quarter; nine in ten wait 1.26 months or more, one in ten 27.6 or more.
    assert (found.low, found.quarters, found.high) == (1, 3, 10)


def test_a_hundred_cases_at_a_known_pace_are_nearly_certain_in_their_time():
    """Gamma of shape 100: median 99.67, and eight in ten between 87.4 and 113.0 (Wilson and Hilferty)."""
    found = time_to_answer(100, cases_per_month=10.0, rate_cv=0.0)
    assert found.months == pytest.approx(9.967, rel=NEAR)
    # 8.74, 9.97 and 11.30 months.
    assert (found.low, found.quarters, found.high) == (3, 4, 4)


def test_with_very_many_cases_what_is_left_is_how_little_the_pace_is_known():
    """The pace is log-normal around its mean, so that the median time is longer than cases over pace."""
    found = time_to_answer(100_000, cases_per_month=100.0, rate_cv=0.25)
    variance = math.log(1.0625)
    median = 1000 * math.exp(variance / 2)
    assert median == pytest.approx(1030.8, abs=0.05)
    assert found.months == pytest.approx(median, rel=NEAR)
    spread = math.exp(1.28155 * math.sqrt(variance))
    assert found.low == pytest.approx(median / spread / 3, rel=2 * NEAR)
    assert found.high == pytest.approx(median * spread / 3, rel=2 * NEAR)
    assert "coefficient of variation of 0.25" in found.assumptions


def test_half_of_those_who_come_are_as_good_as_half_the_pace():
    half = time_to_answer(40, cases_per_month=8.0, eligible_share=0.5)
    assert half == time_to_answer(40, cases_per_month=4.0)
    assert half.included_per_month == 4.0
    assert half.months == pytest.approx(2 * time_to_answer(40, cases_per_month=8.0).months)


def test_the_same_seed_gives_the_same_time_and_a_wider_level_a_wider_range():
    wide, narrow = (time_to_answer(60, cases_per_month=2.0, level=level, seed=5) for level in (0.95, 0.5))
    assert wide == time_to_answer(60, cases_per_month=2.0, level=0.95, seed=5)
    assert wide.low < narrow.low <= narrow.quarters <= narrow.high < wide.high
    assert wide.months == narrow.months != time_to_answer(60, cases_per_month=2.0, seed=6).months


@pytest.mark.parametrize(
    "given",
    [
        {"needed": 0},
        {"cases_per_month": 0.0},
        {"eligible_share": 0.0},
        {"eligible_share": 1.1},
        {"level": 0.0},
        {"level": 1.0},
        {"rate_cv": -0.1},
    ],
)
def test_what_cannot_be_is_refused(given):
    with pytest.raises(DesignError, match="a pace above 0"):
        time_to_answer(**{"needed": 10, "cases_per_month": 1.0, **given})
