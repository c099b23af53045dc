"""How strong something unrecorded would have to be.

VanderWeele TJ, Ding P. Annals of Internal Medicine 2017;167:268-74.
"""

from __future__ import annotations

import math

from onsetstudy.core.errors import OnsetStudyError


def e_value(risk_ratio: float) -> float:
    """E-value of a risk ratio: ``RR + sqrt(RR (RR - 1))``, a ratio below 1 turned over; 1 for no association.

    Raises
    ------
    OnsetStudyError
        If the ratio is not above 0.
    """
    if not risk_ratio > 0 or not math.isfinite(risk_ratio):
        raise OnsetStudyError(f"a risk ratio of {risk_ratio:g} has no E-value")
    ratio = max(risk_ratio, 1 / risk_ratio)
    return ratio + math.sqrt(ratio * (ratio - 1))


def e_value_of_limit(risk_ratio: float, low: float, high: float) -> float:
    """E-value of the limit nearer to no association; 1 if the interval holds 1."""
    if low <= 1 <= high:
        return 1.0
    return e_value(low if risk_ratio > 1 else high)


def ratio_of_common_hazard(hazard_ratio: float) -> float:
    """Risk ratio that stands for a hazard ratio of a common outcome: ``(1 - .5^sqrt(HR)) / (1 - .5^sqrt(1/HR))``."""
    if not hazard_ratio > 0:
        raise OnsetStudyError(f"a hazard ratio of {hazard_ratio:g} cannot be turned into a risk ratio")
    return float((1 - 0.5 ** math.sqrt(hazard_ratio)) / (1 - 0.5 ** math.sqrt(1 / hazard_ratio)))
