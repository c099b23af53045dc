"""How narrow the answers of a planned study would be: half widths of the intervals that its report will show."""

from __future__ import annotations

import math

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
