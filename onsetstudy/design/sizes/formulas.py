"""Power of each test in closed form, as a function of size, effect and error rate.

Every formula is written as a power, so that one solver finds size, effect, power or error rate; ``n`` may be a
fraction. Onsets of the log-rank test have a closed form the other way round as well.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special, stats

from onsetstudy.core.errors import DesignError
from onsetstudy.design.sizes.frame import Frame


def _z(alpha: float, sided: int) -> float:
    return float(-special.ndtri(alpha / sided))


def _passing(size: float, alpha: float, frame: Frame) -> float:
    """Power of a normal statistic whose mean is ``size`` of its standard deviations."""
    return float(special.ndtr(size - _z(alpha, frame.sided)))


def schoenfeld_power(events: float, hazard_ratio: float, alpha: float, frame: Frame) -> float:
    """Log-rank test with ``events`` onsets (Schoenfeld 1983, equation 1)."""
    return _passing(math.sqrt(events * frame.share * (1 - frame.share)) * abs(math.log(hazard_ratio)), alpha, frame)


def freedman_power(events: float, hazard_ratio: float, alpha: float, frame: Frame) -> float:
    """Log-rank test (Freedman 1982): the ratio itself in place of its logarithm; more careful for large ratios."""
    odds = frame.share / (1 - frame.share)
    return _passing(math.sqrt(events * odds) * abs(hazard_ratio - 1) / (1 + odds * hazard_ratio), alpha, frame)


def shares_power(
    n: float, reference: float, other: float, alpha: float, frame: Frame, *, margin: float, equivalence: bool
) -> float:
    """Two shares by the score (pooled) test of no difference, or against a ``margin`` without pooling.

    ``n`` cases in all. Against a margin the power is that of finding the other arm not inferior, a larger share being
    better: beyond the margin it is below ``alpha``, never above. ``equivalence``: that of finding the arms apart by
    less than the margin either way, by two one-sided tests at ``alpha`` each. Fleiss JL, Levin B, Paik MC, Statistical
    Methods for Rates and Proportions, 3rd ed., 2003, chapter 4 (from memory).
    """
    n1, n0 = n * frame.share, n * (1 - frame.share)
    apart = math.sqrt(other * (1 - other) / n1 + reference * (1 - reference) / n0)
    if margin:
        gain = other - reference
        if equivalence:
            both = special.ndtr((margin + np.array([gain, -gain])) / apart - _z(alpha, 1)).sum() - 1
            return float(max(both, 0.0))
        return _passing((gain + margin) / apart, alpha, frame)
    pooled = frame.share * other + (1 - frame.share) * reference
    together = math.sqrt(pooled * (1 - pooled) * (1 / n1 + 1 / n0))
    return float(special.ndtr((abs(other - reference) - _z(alpha, frame.sided) * together) / apart))


def mcnemar_power(pairs: float, only_other: float, only_reference: float, alpha: float, frame: Frame) -> float:
    """Paired shares: ``only_other`` and ``only_reference`` are the shares of pairs that differ each way.

    Connor RJ. Biometrics 1987;43:207-11 (from memory).
    """
    differ, apart = only_other + only_reference, only_other - only_reference
    spread = math.sqrt(max(differ - apart**2, 1e-12))
    return float(special.ndtr((math.sqrt(pairs) * abs(apart) - _z(alpha, frame.sided) * math.sqrt(differ)) / spread))


def two_means_power(n: float, difference: float, alpha: float, *, sd: float, frame: Frame, margin: float) -> float:
    """Two means by Student's t, from the noncentral t distribution; ``n`` in all.

    Against a ``margin`` the difference is signed, lower being better: the power of finding it below the margin.
    """
    gain = margin - difference if margin else abs(difference)
    return _noncentral(n - 2, gain / sd * math.sqrt(n * frame.share * (1 - frame.share)), alpha, frame.sided)


def paired_mean_power(n: float, difference: float, alpha: float, *, sd: float, frame: Frame, margin: float) -> float:
    """Mean difference within patients by Student's t; ``sd`` is of the differences, ``margin`` as in two means."""
    gain = margin - difference if margin else abs(difference)
    return _noncentral(n - 1, gain / sd * math.sqrt(n), alpha, frame.sided)


def noether_power(n: float, superiority: float, alpha: float, *, frame: Frame) -> float:
    """Rank-sum test when a case of one arm beats one of the other with a chance (Noether 1987, without ties)."""
    return _passing(math.sqrt(12 * frame.share * (1 - frame.share) * n) * abs(superiority - 0.5), alpha, frame)


def signed_rank_power(pairs: float, superiority: float, alpha: float, *, frame: Frame) -> float:
    """Signed-rank test when the sum of two differences is positive with a chance (Noether 1987)."""
    return _passing(math.sqrt(3 * pairs) * abs(superiority - 0.5), alpha, frame)


def whitehead_power(
    n: float, log_odds_ratio: float, alpha: float, frame: Frame, *, categories: tuple[float, ...]
) -> float:
    """Proportional odds of ordered categories, given their shares in both arms together (Whitehead 1993)."""
    alike = 1 - sum(p**3 for p in categories)
    return _passing(abs(log_odds_ratio) * math.sqrt(n * frame.share * (1 - frame.share) * alike / 3), alpha, frame)


def _noncentral(df: float, shift: float, alpha: float, sided: int) -> float:
    if df <= 0:
        return 0.0
    bound = stats.t.isf(alpha / sided, df)
    power = float(stats.nct.sf(bound, df, shift))
    if not np.isfinite(power):
        raise DesignError("the power cannot be computed for so large an effect; ask for a smaller one")
    return power


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
    z = special.ndtri(1 - alpha / 2) + special.ndtri(power)
    return float(z**2 / (allocation_share * (1 - allocation_share) * math.log(hazard_ratio) ** 2))
