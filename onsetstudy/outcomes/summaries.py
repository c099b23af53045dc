"""A share, a difference of two shares and a mean with their limits: what outcomes beside onset are told by."""

from __future__ import annotations

import math

from scipy import stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.results import Estimate
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.proportions import clopper_pearson_limits, newcombe_difference, wilson_limits

WILSON = "Wilson"
EXACT = "Clopper-Pearson, exact"
HYBRID = "Newcombe's hybrid of Wilson limits"
LIMITS = {WILSON: wilson_limits, EXACT: clopper_pearson_limits}

OutOf = tuple[int, int]
"""In how many cases it happened, and how many cases there are."""


def share_of(tally: OutOf, of: Parameter, *, method: str, by: str = WILSON) -> Estimate:
    """Share of one case or more, with limits by a key of ``LIMITS``."""
    count, cases = tally
    return of.estimate(count / cases, LIMITS[by](count, cases, of.conf_level), by=by, method=method)


def share_difference(
    other: OutOf, reference: OutOf, of: Parameter, *, p_value: float | None = None, p_method: str = ""
) -> Estimate:
    """Share of ``other`` less that of ``reference``; ``p_method`` says after the counts where ``p_value`` is from."""
    return of.estimate(
        other[0] / other[1] - reference[0] / reference[1],
        newcombe_difference(*other, *reference, of.conf_level),
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
