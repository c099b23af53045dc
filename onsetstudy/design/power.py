"""How many onsets and cases a comparison needs, in closed form."""

from __future__ import annotations

import math

from scipy import stats

from onsetstudy.core.errors import DesignError

__all__ = ["log_rank_events"]


def log_rank_events(
    hazard_ratio: float, *, power: float = 0.8, alpha: float = 0.05, allocation_share: float = 0.5
) -> float:
    """Onsets needed by a two-sided log-rank test to find a hazard ratio.

    Parameters
    ----------
    hazard_ratio : float
        Ratio to be found; not 1.
    power : float
        Chance of finding it.
    alpha : float
        Two-sided error rate.
    allocation_share : float
        Share of the cases in one of the two arms.

    Returns
    -------
    float
        Onsets in both arms together; round up.

    Raises
    ------
    DesignError
        If the ratio is 1 or not positive, or a chance lies outside 0 to 1.

    References
    ----------
    .. [1] Schoenfeld DA. Sample-size formula for the proportional-hazards regression model.
       Biometrics 1983;39:499-503, equation 1.
    """
    if not hazard_ratio > 0 or hazard_ratio == 1:
        raise DesignError(f"a hazard ratio of {hazard_ratio:g} cannot be planned for; give one above or below 1")
    if not all(0 < share < 1 for share in (power, alpha, allocation_share)):
        raise DesignError("power, alpha and the allocation share must lie between 0 and 1")
    z = stats.norm.ppf(1 - alpha / 2) + stats.norm.ppf(power)
    return float(z**2 / (allocation_share * (1 - allocation_share) * math.log(hazard_ratio) ** 2))
