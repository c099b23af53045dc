from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from onsetstudy.core.results import Counts
from onsetstudy.inference.likelihood import boundary_test, fall_to_lower_limit

ALIKE = np.linspace(-9, 16, 500_001)


@pytest.mark.parametrize("level", [0.9, 0.95])
@pytest.mark.parametrize("estimate", [1.75, 2.0, 2.5, 3.0, 3.9, 4.0, 6.0])
def test_values_at_the_lower_limit_give_rise_to_smaller_ratios_as_often_as_the_level_says(level, estimate):
    """Feldman and Cousins' construction, all estimates of a normal mean of at least 0 run through."""
    limit = estimate - np.sqrt(2 * fall_to_lower_limit(estimate**2 / 2, level))
    ratio = (ALIKE - limit) ** 2 - (ALIKE - np.maximum(ALIKE, 0)) ** 2
    smaller = ratio <= (estimate - limit) ** 2
    chance = stats.norm.pdf(ALIKE - limit)[smaller].sum() * (ALIKE[1] - ALIKE[0])
    assert chance == pytest.approx(level, abs=2e-4)


@pytest.mark.parametrize("level", [0.4, 0.9, 0.95, 0.99])
def test_nought_is_within_the_limits_exactly_where_the_test_at_the_bound_does_not_reject(level):
    found = []
    for gain in np.linspace(0, 8, 81):
        told = boundary_test(
            gain, quantity="spread", alternative="some", null="spread", n=Counts(cases=9, onsets=9), source=""
        )
        found.append((told.p_value >= 1 - level) == (fall_to_lower_limit(gain, level) == gain))
    assert all(found)


def test_far_from_nought_the_bound_changes_nothing():
    assert fall_to_lower_limit(20.0, 0.95) == pytest.approx(stats.chi2.ppf(0.95, 1) / 2)
