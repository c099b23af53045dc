"""How narrow the answers of a planned study would be: half widths of the intervals that its report will show."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable

from scipy import stats

from onsetstudy.core.errors import DesignError
from onsetstudy.core.serialise import result_kind
from onsetstudy.inference.proportions import newcombe_difference


@result_kind("expected_precision")
class ExpectedPrecision:
    """Half widths of the intervals of two differences, analysed once: of waits, minutes, and of proportions numb."""

    cases: int
    conf_level: float
    wait_half_min: float
    success_half: float


def expected_precision(
    cases: int, *, sd_min: float, numb: tuple[float, float], share: float = 0.5, conf_level: float = 0.95
) -> ExpectedPrecision:
    """Half widths for a number of analysed cases.

    Parameters
    ----------
    cases : int
        Of both arms together.
    sd_min : float
        Standard deviation of the restricted time to onset, minutes.
    numb : tuple of float
        Expected proportions numb by the target, reference arm first.
    share : float
        Share of the cases in the other arm.

    Raises
    ------
    DesignError
        If an arm would have fewer than two cases.

    References
    ----------
    .. [1] Student's interval of a difference of means; Newcombe RG. Statistics in Medicine 1998;17:873-890, method 10.
    """
    other = round(share * cases)
    reference = cases - other
    if min(other, reference) < 2:
        raise DesignError(f"{cases} cases leave an arm with fewer than two; an interval takes more")
    error = sd_min * math.sqrt(1 / other + 1 / reference)
    low, high = newcombe_difference(numb[1] * other, other, numb[0] * reference, reference, conf_level)
    return ExpectedPrecision(
        cases=cases,
        conf_level=conf_level,
        wait_half_min=float(stats.t.ppf(0.5 + conf_level / 2, cases - 2)) * error,
        success_half=(high - low) / 2,
    )


def size_for_width(half: float, half_of: Callable[[int], float], *, least: int = 4, most: int = 10**6) -> int:
    """Fewest cases whose interval reaches no further than ``half`` to either side.

    Parameters
    ----------
    half : float
        In the unit of the outcome.
    half_of : callable
        Half width with so many cases; falls with them. A :class:`DesignError` of it says that they are too few.

    Raises
    ------
    DesignError
        If the half width is not above 0, or not even ``most`` cases are enough.

    Examples
    --------
    >>> from onsetstudy.design.precision import expected_precision, size_for_width
    >>> size_for_width(1.0, lambda n: expected_precision(n, sd_min=3.0, numb=(0.2, 0.3)).wait_half_min)
    141
    """
    if half <= 0:
        raise DesignError(f"a half width of {half:g} cannot be had; give one above 0")
    if half_of(most) > half:
        raise DesignError(f"not even {most} cases give so narrow an interval")

    def reached(cases: int) -> bool:
        try:
            return half_of(cases) <= half
        except DesignError:  # an arm of so few cases has no interval yet
            return False

    return bisect_left(range(most), True, lo=least, key=reached)
