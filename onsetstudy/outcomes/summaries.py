"""A share, a difference of two shares and a mean with their limits: what outcomes beside onset are told by."""

from __future__ import annotations

import math

from scipy import stats
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.results import Estimate
from onsetstudy.inference.parameter import Parameter

WILSON = "Wilson"
EXACT = "Clopper-Pearson, exact"
HYBRID = "Newcombe's hybrid of Wilson limits"
LIMITS = {WILSON: "wilson", EXACT: "beta"}

OutOf = tuple[int, int]
"""In how many cases it happened, and how many cases there are."""


def share_of(tally: OutOf, of: Parameter, *, method: str, by: str = WILSON) -> Estimate:
    """Share of one case or more, with limits by a key of ``LIMITS`` (statsmodels)."""
    count, cases = tally
    limits = proportion_confint(count, cases, alpha=1 - of.conf_level, method=LIMITS[by])
    return of.estimate(count / cases, limits, by=by, method=method)


def newcombe_limits(other: OutOf, reference: OutOf, alpha: float) -> tuple[float, float]:
    """Limits of the share of ``other`` less that of ``reference``, of one case or more each (statsmodels)."""
    low, high = confint_proportions_2indep(*other, *reference, compare="diff", method="newcomb", alpha=alpha)
    return float(low), float(high)


def share_difference(
    other: OutOf, reference: OutOf, of: Parameter, *, p_value: float | None = None, p_method: str = ""
) -> Estimate:
    """Share of ``other`` less that of ``reference``; ``p_method`` says after the counts where ``p_value`` is from."""
    return of.estimate(
        other[0] / other[1] - reference[0] / reference[1],
        newcombe_limits(other, reference, 1 - of.conf_level),
        by=HYBRID,
        p_value=p_value,
        method=f"{other[0]} of {other[1]} against {reference[0]} of {reference[1]}{p_method}",
        source="Newcombe 1998, Statistics in Medicine 17:873-890, method 10",
    )


def mean_of(values: FloatArray, of: Parameter, *, by: str, method: str, least: float = -math.inf) -> Estimate:
    """Mean of two values or more with Student's limits, cut at ``least``."""
    mean, error = float(values.mean()), float(values.std(ddof=1) / math.sqrt(values.size))
    half = float(stats.t.ppf((1 + of.conf_level) / 2, values.size - 1)) * error
    if mean - half < least:
        by = f"{by}, cut at {least:g}"
    return of.estimate(mean, (max(least, mean - half), mean + half), std_error=error, by=by, method=method)
