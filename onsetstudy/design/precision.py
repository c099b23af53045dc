"""Size from how narrow an interval shall be, with no test in mind."""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from onsetstudy.core.errors import DesignError

__all__ = [
    "difference_width",
    "events_for_ratio",
    "mean_difference_width",
    "share_width",
    "size_for_width",
]


def share_width(n: float, share: float, *, conf_level: float = 0.95) -> float:
    """Width of Wilson's interval around a share seen in ``n`` cases."""
    low, high = proportion_confint(share * n, n, alpha=1 - conf_level, method="wilson")
    return float(high - low)


def difference_width(n: float, reference: float, other: float, *, conf_level: float = 0.95) -> float:
    """Width of Newcombe's interval of a difference of shares, ``n`` cases in each arm."""
    low0, high0 = proportion_confint(reference * n, n, alpha=1 - conf_level, method="wilson")
    low1, high1 = proportion_confint(other * n, n, alpha=1 - conf_level, method="wilson")
    lower = math.hypot(other - low1, high0 - reference)
    upper = math.hypot(high1 - other, reference - low0)
    return float(lower + upper)


def mean_difference_width(n: float, *, sd: float, conf_level: float = 0.95) -> float:
    """Width of Student's interval of a difference of means, ``n`` cases in each arm; in the unit of ``sd``."""
    if n <= 1:
        return float("inf")
    return float(2 * stats.t.isf((1 - conf_level) / 2, 2 * n - 2) * sd * math.sqrt(2 / n))


def events_for_ratio(factor: float, *, share: float = 0.5, conf_level: float = 0.95) -> float:
    """Onsets after which the limits of a hazard ratio are ``factor`` times above and below the estimate."""
    if factor <= 1:
        raise DesignError(f"limits {factor:g} times the estimate are no limits; give a factor above 1")
    z = float(stats.norm.isf((1 - conf_level) / 2))
    return (z / math.log(factor)) ** 2 / (share * (1 - share))


def size_for_width(width: float, width_of: Callable[[float], float], *, least: int = 2, most: int = 10**7) -> int:
    """Fewest cases (in each arm) whose interval is no wider: ``size_for_width(0.2, lambda n: share_width(n, 0.5))``.

    Raises
    ------
    DesignError
        If the width is not above 0, or not even ``most`` cases are enough.
    """
    if width <= 0:
        raise DesignError(f"a width of {width:g} cannot be had; give one above 0")
    if width_of(most) > width:
        raise DesignError(f"not even {most} cases give so narrow an interval")
    low, high = least - 1, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if width_of(middle) <= width else (middle, high)
    return high
