"""How much effects differ between practices beyond chance: the variance between them, its interval, I squared.

References
----------
.. [1] DerSimonian R, Laird N. Controlled Clinical Trials 1986;7:177-88.
.. [2] Paule RC, Mandel J. J Res Natl Bur Stand 1982;87:377-85.
.. [3] Viechtbauer W. J Educ Behav Stat 2005;30:261-93 (restricted maximum likelihood).
.. [4] Viechtbauer W. Stat Med 2007;26:37-52 (Q-profile interval).
.. [5] Higgins JPT, Thompson SG. Stat Med 2002;21:1539-58 (I squared).
"""

from __future__ import annotations

import numpy as np
from scipy import optimize, stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.results import Interval
from onsetstudy.pool.results import Heterogeneity

BETWEEN = {
    "reml": "restricted maximum likelihood",
    "paule_mandel": "Paule and Mandel",
    "dersimonian_laird": "DerSimonian and Laird",
}
"""Estimators of the variance between practices."""
GRID = 200
FLAT = 1e-9


def weighted_mean(effect: FloatArray, variance: FloatArray, tau2: float) -> tuple[float, FloatArray]:
    """Mean with weights ``1 / (variance + tau2)``, and the weights."""
    weight = 1 / (variance + tau2)
    return float(np.sum(weight * effect) / np.sum(weight)), weight


def generalised_q(effect: FloatArray, variance: FloatArray, tau2: float) -> float:
    """Weighted sum of squared deviations with weights ``1 / (variance + tau2)``; Cochran's Q at 0."""
    mean, weight = weighted_mean(effect, variance, tau2)
    return float(np.sum(weight * (effect - mean) ** 2))


def between_variance(effect: FloatArray, variance: FloatArray, method: str = "reml") -> float:
    """Variance between practices.

    Parameters
    ----------
    effect, variance : ndarray of float, shape (k,)
        At least two, variances above 0.
    method : str
        A key of :data:`BETWEEN`.

    Raises
    ------
    OnsetStudyError
        For another method.
    NotEstimable
        If the maximum of the restricted likelihood was not found to be one.
    """
    if method not in BETWEEN:
        raise OnsetStudyError(f"the variance between practices is found by one of {', '.join(BETWEEN)}, not {method!r}")
    if method == "dersimonian_laird":
        weight = 1 / variance
        spread = weight.sum() - np.sum(weight**2) / weight.sum()
        return max(0.0, float((generalised_q(effect, variance, 0.0) - (effect.size - 1)) / spread))
    if method == "paule_mandel":
        return _where_q_is(effect, variance, float(effect.size - 1))
    return _restricted_maximum(effect, variance)


def _restricted_maximum(effect: FloatArray, variance: FloatArray) -> float:
    """Highest of all local maxima: a grid, then the root of the derivative around its best point."""

    def slope(tau2: float) -> float:
        mean, w = weighted_mean(effect, variance, tau2)
        return float(np.sum(w**2 * (effect - mean) ** 2) - np.sum(w) + np.sum(w**2) / np.sum(w)) / 2

    # Beyond the spread of the effects, the likelihood falls.
    top = 10 * float(np.var(effect, ddof=1) + variance.max())
    grid = np.concatenate(([0.0], np.geomspace(variance.min() * 1e-6, top, GRID)))
    best = int(np.argmax(_restricted(effect, variance, grid)))
    if best == 0 and slope(0.0) <= 0:
        return 0.0
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, GRID)])
    if slope(low) < 0 or slope(high) > 0:
        raise NotEstimable("between_variance", "the restricted likelihood has no maximum", code="not_converged")
    root = float(optimize.brentq(slope, low, high, xtol=1e-15, rtol=1e-13))
    if abs(slope(root)) > FLAT * max(1.0, abs(slope(low)), abs(slope(high))):
        raise NotEstimable("between_variance", "the restricted likelihood is not flat there", code="not_converged")
    return root


def _restricted(effect: FloatArray, variance: FloatArray, tau2: FloatArray) -> FloatArray:
    """Restricted log-likelihood at each variance between practices, but for a constant."""
    w = 1 / (variance + tau2[:, None])
    total = w.sum(axis=1)
    mean = (w @ effect) / total
    apart = np.sum(w * (effect - mean[:, None]) ** 2, axis=1)
    return np.asarray((np.log(w).sum(axis=1) - np.log(total) - apart) / 2, dtype=np.float64)


def _where_q_is(effect: FloatArray, variance: FloatArray, wanted: float) -> float:
    """Variance between practices at which the generalised Q, which falls with it, takes a value; 0 if it never does."""

    def excess(tau2: float) -> float:
        return generalised_q(effect, variance, tau2) - wanted

    if excess(0.0) <= 0:
        return 0.0
    high = float(np.var(effect, ddof=1) + variance.max())
    while excess(high) > 0:
        high *= 4
    return float(optimize.brentq(excess, 0.0, high, xtol=1e-15, rtol=1e-13))


def describe_heterogeneity(
    effect: FloatArray, variance: FloatArray, tau2: float, *, method: str, conf_level: float = 0.95
) -> Heterogeneity:
    """Q, the variance between practices with its Q-profile interval, and I squared with that interval carried over."""
    k = effect.size
    q = generalised_q(effect, variance, 0.0)
    tail = (1 - conf_level) / 2
    low, high = (_where_q_is(effect, variance, float(stats.chi2.ppf(p, k - 1))) for p in (1 - tail, tail))
    weight = 1 / variance
    typical = (k - 1) * weight.sum() / (weight.sum() ** 2 - np.sum(weight**2))

    def share(between: float) -> float:
        return float(between / (between + typical))

    name = "Q-profile"
    return Heterogeneity(
        tau2=tau2,
        tau2_interval=Interval(low=low, high=high, level=conf_level, method=name),
        i2=share(tau2),
        i2_interval=Interval(low=share(low), high=share(high), level=conf_level, method=name),
        q=q,
        df=k - 1,
        p_value=float(stats.chi2.sf(q, k - 1)),
        method=BETWEEN[method],
    )
