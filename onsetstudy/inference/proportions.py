"""Confidence limits of shares and of their differences and ratios, from counts or from limits per arm.

Counts may be real numbers where a formula allows it: an interval-censored share has an
effective number of cases that need not be whole.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import optimize, special, stats

from onsetstudy.core.arrays import FloatArray, require_level
from onsetstudy.core.errors import OnsetStudyError, Problem

Limits = tuple[float, float]
EDGE = 1e-12
"""A mean of shares closer to none or to all than this is that: what is left is rounding."""


def normal_quantile(conf_level: float) -> float:
    """Two-sided standard normal quantile, 1.96 at 0.95.

    Raises
    ------
    OnsetStudyError
        If the level is not strictly between 0 and 1.
    """
    require_level(conf_level)
    return float(special.ndtri(0.5 + conf_level / 2.0))


def _check_count(count: float, n: float) -> None:
    if not (math.isfinite(n) and n > 0 and 0 <= count <= n):
        mend = "give a count from 0 to n and at least one case"
        raise OnsetStudyError(Problem(what=f"{count:g} of {n:g} is not a share", mend=mend, code="count"))


def wilson_limits(count: float, n: float, conf_level: float = 0.95) -> Limits:
    """Score limits of a share.

    Parameters
    ----------
    count, n : float
        Successes and cases; real numbers are allowed. ``n == 0`` gives (0, 1): nothing is known.

    References
    ----------
    .. [1] E. B. Wilson, J Am Stat Assoc 1927;22:209-212.
    .. [2] R. G. Newcombe, Stat Med 1998;17:857-872, method 3.
    """
    z = normal_quantile(conf_level)
    if n == 0:
        return 0.0, 1.0
    _check_count(count, n)
    z2 = z * z
    share = count / n
    centre = (count + z2 / 2.0) / (n + z2)
    half = z * math.sqrt(n * share * (1.0 - share) + z2 / 4.0) / (n + z2)
    # At the edges the two terms are equal in theory and may differ in the last bit.
    low = 0.0 if count == 0 else max(0.0, centre - half)
    high = 1.0 if count == n else min(1.0, centre + half)
    return low, high


def clopper_pearson_limits(count: float, n: float, conf_level: float = 0.95) -> Limits:
    """Exact (conservative) binomial limits of a share.

    Parameters
    ----------
    count, n : float
        Successes and cases; for real numbers the beta quantiles interpolate. ``n == 0`` gives (0, 1).

    References
    ----------
    .. [1] C. J. Clopper, E. S. Pearson, Biometrika 1934;26:404-413.
    """
    normal_quantile(conf_level)
    if n == 0:
        return 0.0, 1.0
    _check_count(count, n)
    tail = (1.0 - conf_level) / 2.0
    low = 0.0 if count == 0 else float(stats.beta.ppf(tail, count, n - count + 1))
    high = 1.0 if count == n else float(stats.beta.isf(tail, count + 1, n - count))
    return low, high


SHARE_LIMITS = {"wilson": wilson_limits, "exact": clopper_pearson_limits}
"""Limits of a single share by name."""


def mover_difference(
    first: Limits, first_limits: Limits, second: Limits, second_limits: Limits, *, correlation: float = 0.0
) -> Limits:
    """Limits of first minus second by the method of variance estimates recovery.

    Parameters
    ----------
    first, second : tuple of float
        Estimates of two quantities as ``(low, high)``, unequal where the data give only bounds.
    first_limits, second_limits : tuple of float
        Their confidence limits, each enclosing the estimate.
    correlation : float
        Of the two estimates; 0 where they are independent.

    Returns
    -------
    tuple of float
        Where an estimate is a pair of bounds, the limits enclose every difference that the bounds allow.

    References
    ----------
    .. [1] G. Y. Zou, A. Donner, Stat Med 2008;27:1693-1702.
    .. [2] R. G. Newcombe, Stat Med 1998;17:873-890, method 10 when the limits are Wilson's.
    """

    def margin(a: float, b: float) -> float:
        return math.sqrt(max(0.0, a * a - 2.0 * correlation * a * b + b * b)) if correlation else math.hypot(a, b)

    low = first[0] - second[1] - margin(first[0] - first_limits[0], second_limits[1] - second[1])
    high = first[1] - second[0] + margin(first_limits[1] - first[1], second[0] - second_limits[0])
    return low, high


def mover_ratio(first: Limits, first_limits: Limits, second: Limits, second_limits: Limits) -> Limits:
    """Limits of first over second, both positive quantities, from the limits of each.

    Parameters are those of :func:`mover_difference`. The upper limit is infinite when the second
    quantity's lower limit is 0: the data then do not bound the ratio from above.

    References
    ----------
    .. [1] A. Donner, G. Y. Zou, Stat Methods Med Res 2012;21:347-359, equations for a ratio.
    """
    # Written with the product of the roots, so that no difference of near-equal numbers arises.
    product = first[0] * second[1]
    below = first_limits[0] * (2.0 * first[0] - first_limits[0])
    above = second_limits[1] * (2.0 * second[1] - second_limits[1])
    root = math.sqrt(max(0.0, product * product - below * above))
    low = below / (product + root) if product + root > 0 else 0.0
    product = first[1] * second[0]
    above = first_limits[1] * (2.0 * first[1] - first_limits[1])
    below = second_limits[0] * (2.0 * second[0] - second_limits[0])
    root = math.sqrt(max(0.0, product * product - above * below))
    high = (product + root) / below if below > 0 else math.inf
    return low, high


def cases_of_mean(weight: FloatArray, share: FloatArray, n: FloatArray) -> FloatArray:
    """Cases of one single share that has the variance of a weighted mean of independent shares.

    Parameters
    ----------
    weight, share, n : ndarray of float, shape (..., k)
        Weights that add up to 1, shares, and the cases of each, above 0.

    Returns
    -------
    ndarray of float, shape (...)

    Notes
    -----
    Variances are those within strata. A stratum of few cases shows too little of its own: what it lacks on average
    beside the mean is made up from the variance of the mean. So strata that are alike count as one share, of
    ``1 / sum(weight**2 / n)`` cases, and a single stratum as itself. One of all or of none has at least the variance
    of its share drawn to the mean by one case: chance has not gone where the largest stratum shows none.
    """
    mean, alike = (weight * share).sum(axis=-1), (weight**2 / n).sum(axis=-1)
    spread = np.where((mean > EDGE) & (mean < 1.0 - EDGE), mean * (1.0 - mean), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        lacking = np.clip((1.0 / n - alike[..., None]) / (1.0 - alike[..., None]), 0.0, 1.0)
        own = share * (1.0 - share) + lacking * spread[..., None]
        drawn = (n * share + mean[..., None]) / (n + 1.0)
        own = np.where((share < EDGE) | (share > 1.0 - EDGE), np.maximum(own, drawn * (1.0 - drawn)), own)
        variance = (weight**2 * own / n).sum(axis=-1)
        return np.asarray(np.where((spread > 0.0) & (alike < 1.0), spread / variance, 1.0 / alike))


def newcombe_difference(
    count: float, n: float, reference_count: float, reference_n: float, conf_level: float = 0.95
) -> Limits:
    """Limits of the difference of two independent shares, ``count/n - reference_count/reference_n``.

    References
    ----------
    .. [1] R. G. Newcombe, Stat Med 1998;17:873-890, method 10.
    """
    share, reference = count / n, reference_count / reference_n
    limits, others = wilson_limits(count, n, conf_level), wilson_limits(reference_count, reference_n, conf_level)
    return mover_difference((share, share), limits, (reference, reference), others)


def _shares_given_difference(count: float, n: float, ref: float, ref_n: float, delta: float) -> tuple[float, float]:
    """Maximum likelihood shares whose difference is ``delta``: root of the likelihood's cubic."""
    total, successes = n + ref_n, count + ref
    a2 = ((n + 2 * ref_n) * delta - total - successes) / total
    a1 = ((ref_n * delta - total - 2 * ref) * delta + successes) / total
    a0 = ref * delta * (1 - delta) / total
    q = a2**3 / 27 - a1 * a2 / 6 + a0 / 2
    p = math.copysign(math.sqrt(max(0.0, a2 * a2 / 9 - a1 / 3)), q)
    ratio = 0.0 if p == 0 else min(1.0, max(-1.0, q / p**3))
    reference = 2 * p * math.cos((math.pi + math.acos(ratio)) / 3) - a2 / 3
    reference = min(max(reference, max(0.0, -delta)), min(1.0, 1.0 - delta))
    return reference + delta, reference


def miettinen_nurminen_limits(
    count: float, n: float, reference_count: float, reference_n: float, conf_level: float = 0.95
) -> Limits:
    """Score limits of the difference of two independent shares.

    References
    ----------
    .. [1] O. Miettinen, M. Nurminen, Stat Med 1985;4:213-226, with their factor N/(N - 1).
    """
    z = normal_quantile(conf_level)
    _check_count(count, n)
    _check_count(reference_count, reference_n)
    difference = count / n - reference_count / reference_n
    factor = (n + reference_n) / (n + reference_n - 1)

    def excess(delta: float) -> float:
        share, reference = _shares_given_difference(count, n, reference_count, reference_n, delta)
        variance = factor * (share * (1 - share) / n + reference * (1 - reference) / reference_n)
        return (difference - delta) ** 2 - z * z * variance

    # With shares of 0 or 1 the variance vanishes at the estimate itself, a root that is not the limit.
    inset = 1e-9
    ends = []
    for end in (-1.0, 1.0):
        start, edge = difference + end * inset, end * (1 - 1e-12)
        if abs(difference - end) < 2 * inset or excess(edge) <= 0:
            ends.append(end)
        else:
            ends.append(float(optimize.brentq(excess, start, edge, xtol=1e-13, rtol=1e-13)))
    return ends[0], ends[1]


def newcombe_paired_difference(
    both: int, first_only: int, second_only: int, neither: int, conf_level: float = 0.95
) -> Limits:
    """Limits of the difference of two shares seen on the same patients, first minus second.

    Parameters
    ----------
    both, first_only, second_only, neither : int
        Patients successful under both conditions, one of them, or neither.

    References
    ----------
    .. [1] R. G. Newcombe, Stat Med 1998;17:2635-2650, method 10 (score limits, corrected correlation).
    """
    n = both + first_only + second_only + neither
    _check_count(min(both, first_only, second_only, neither), n)
    first, second = both + first_only, both + second_only
    p, q = first / n, second / n
    cross = both * neither - first_only * second_only
    cross_corrected = max(cross - n / 2.0, 0.0) if cross > 0 else float(cross)
    spread = math.sqrt(float(first) * (n - first) * second * (n - second))
    phi = cross_corrected / spread if spread > 0 else 0.0
    limits, others = (wilson_limits(count, n, conf_level) for count in (first, second))
    return mover_difference((p, p), limits, (q, q), others, correlation=phi)


def p_of_limits(limits: Callable[[float], Limits], difference: float) -> float:
    """Two-sided P of no difference by an interval: one less the level at which it just reaches 0.

    Parameters
    ----------
    limits : callable
        Limits of the ``difference`` by one less their level; the higher the level, the wider.
    """

    def beyond(alpha: float) -> float:
        low, high = limits(alpha)
        return low if difference > 0 else -high

    if difference == 0 or beyond(1 - 1e-9) <= 0:
        return 1.0
    return float(optimize.brentq(beyond, 1e-15, 1 - 1e-9)) if beyond(1e-15) < 0 else 0.0


def mcnemar_exact(first_only: int, second_only: int) -> float:
    """Two-sided exact p-value that neither condition is more often successful alone.

    Twice the smaller binomial tail of the patients with unequal results, at most 1; 1 without any.

    References
    ----------
    .. [1] Q. McNemar, Psychometrika 1947;12:153-157; exact binomial form.
    """
    discordant = first_only + second_only
    if discordant == 0:
        return 1.0
    return float(stats.binomtest(first_only, discordant, 0.5).pvalue)
