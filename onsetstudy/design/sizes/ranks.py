"""Sizes for pain by ranks and by ordered words; asked as the other sizes are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Unpack

import numpy as np

from onsetstudy.core.errors import DesignError
from onsetstudy.design.size_results import SampleSize
from onsetstudy.design.sizes import formulas
from onsetstudy.design.sizes.frame import Asked, Given, size_of, solve


def plan_pain_ranks(*, superiority: float | None = None, paired: bool = False, **given: Unpack[Given]) -> SampleSize:
    """Size for pain by ranks (Noether); leave one of superiority, cases, power and alpha ``None``.

    Parameters
    ----------
    superiority : float or None
        Chance that a case of the other arm hurts less than one of the reference arm, ties shared; paired: that the sum
        of two differences is on that side. 0.5 is no difference.

    Notes
    -----
    The formula is for scores without ties and small differences; ties make it ask for a little too many cases.

    References
    ----------
    .. [1] Noether GE. Journal of the American Statistical Association 1987;82:645-7.
    """
    if superiority is not None and (not 0 < superiority < 1 or superiority == 0.5):
        raise DesignError(f"a chance of {superiority:g} cannot be planned for; give one between 0 and 1 other than 0.5")

    power_of = formulas.signed_rank_power if paired else formulas.noether_power
    asked = Asked(effect=superiority, **given)
    found = solve(asked, partial(power_of, frame=asked.frame), effect_range=(0.5 + 1e-9, 1 - 1e-9))
    return size_of(
        found,
        paired=paired,
        quantity="pain_ranks",
        test="signed-rank test" if paired else "rank-sum test",
        effect_text=f"less pain in {found.effect:.1%} of comparisons",
        method="signed-rank test, Noether's formula" if paired else "rank-sum test, Noether's formula",
        source="Noether 1987",
    )


def plan_pain_words(
    *, categories: Sequence[float], odds_ratio: float | None = None, **given: Unpack[Given]
) -> SampleSize:
    """Size for pain in words by proportional odds; leave one of odds ratio, cases, power and alpha ``None``.

    Parameters
    ----------
    categories : sequence of float
        Shares of none, mild, moderate, severe in the reference arm; they sum to 1. Those of the other arm follow from
        the odds ratio, above 1 for less pain.

    References
    ----------
    .. [1] Whitehead J. Statistics in Medicine 1993;12:2257-71.
    """
    shares = tuple(float(c) for c in categories)
    if len(shares) < 2 or min(shares) < 0 or abs(sum(shares) - 1) > 1e-6:
        raise DesignError("the shares of the categories must be 0 or more and sum to 1")
    if odds_ratio is not None and (odds_ratio <= 0 or odds_ratio == 1):
        raise DesignError(f"an odds ratio of {odds_ratio:g} cannot be planned for")

    asked = Asked(effect=None if odds_ratio is None else math.log(odds_ratio), **given)
    frame = asked.frame

    def power_of(n: float, log_odds: float, a: float) -> float:
        there = _shifted(shares, log_odds)
        both = tuple(frame.share * y + (1 - frame.share) * x for x, y in zip(shares, there, strict=True))
        return formulas.whitehead_power(n, log_odds, a, frame, categories=both)

    found = solve(asked, power_of, effect_range=(1e-9, 10.0))
    return size_of(
        found,
        quantity="pain_words",
        test="proportional-odds test",
        effect_text=f"odds ratio {math.exp(found.effect):.4g}",
        method="proportional odds of ordered categories",
        source="Whitehead 1993",
    )


def _shifted(shares: tuple[float, ...], log_odds: float) -> tuple[float, ...]:
    """Shares of the other arm when all cumulative odds are multiplied."""
    below = np.clip(np.cumsum(shares)[:-1], 1e-12, 1 - 1e-12)
    odds = below / (1 - below) * math.exp(log_odds)
    return tuple(float(v) for v in np.diff(np.concatenate(([0.0], odds / (1 + odds), [1.0]))))
