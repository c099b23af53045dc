"""What a fitted likelihood says: ratios with limits on the log scale, tests at a bound, slopes by differences."""

from __future__ import annotations

from collections.abc import Callable
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, HypothesisTest, Interval
from onsetstudy.inference.parameter import Told
from onsetstudy.inference.proportions import normal_quantile


def wald_ratio(
    quantity: str,
    contrast: str | None,
    b: float,
    error: float,
    conf_level: float,
    *,
    how: str = "Wald, log scale",
    caution: tuple[Caution, ...] = (),
    **told: Unpack[Told],
) -> Estimate:
    """A ratio from its logarithm ``b`` and the standard error of that; ``how`` names the limits."""
    half = normal_quantile(conf_level) * error
    low, high = float(np.exp(b - half)), float(np.exp(b + half))
    return Estimate(
        quantity=quantity,
        contrast=contrast,
        estimate=float(np.exp(b)),
        std_error=float(error),
        interval=Interval(low=low, high=high, level=conf_level, method=how),
        p_value=float(2 * special.ndtr(-abs(b) / error)) if error > 0 else None,
        unit="ratio",
        caution=caution,
        **told,
    )


def boundary_test(
    gain: float,
    *,
    quantity: str,
    alternative: str,
    null: str,
    n: Counts,
    bounds: int = 1,
    assumptions: tuple[Assumption, ...] = (),
    source: str,
) -> HypothesisTest:
    """Likelihood ratio test of what is 0 under the hypothesis and cannot be less (``null`` says what).

    ``gain`` is that in log-likelihood. One parameter at its bound: half the chi-square. Several (``bounds``): the
    chi-square with as many, which is conservative.
    """
    ratio = max(0.0, 2 * gain)
    one = bounds == 1
    p_value = float(stats.chi2.sf(ratio, bounds)) / (2 if one else 1)
    return HypothesisTest(
        quantity=quantity,
        contrast=None,
        statistic=ratio,
        statistic_name="likelihood ratio",
        df=bounds,
        p_value=p_value if ratio > 0 else 1.0,
        alternative=alternative,
        method=f"likelihood ratio of no {null}, "
        + ("half the chi-square p-value at the boundary" if one else "conservative at the boundary"),
        n=n,
        assumptions=assumptions,
        source=source,
    )


def fall_to_lower_limit(gain: float, conf_level: float) -> float:
    """How far the log-likelihood falls to the lower limit of what cannot be below 0; all of ``gain``: the limit is 0.

    Parameters
    ----------
    gain : float
        As for :func:`boundary_test`, of one parameter: the limit leaves 0 exactly where that test rejects.
    conf_level : float
        Two-sided level; far from 0 the fall is half the chi-square quantile.

    References
    ----------
    .. [1] Feldman GJ, Cousins RD (1998). Unified approach to the classical statistical analysis of small signals.
       Physical Review D 57, 3873-3889, section IV B: a normal mean that cannot be below 0, here on the scale of the
       signed root of the likelihood ratio.
    """
    seen, far = np.sqrt(2 * max(0.0, gain)), normal_quantile(conf_level)
    if seen <= max(0.0, special.ndtri(conf_level)):
        return max(0.0, gain)

    def left_over(mean: float) -> float:
        fall = seen - mean
        below = -fall if mean >= fall else -(mean**2 + fall**2) / (2 * mean)
        return float(special.ndtr(fall) - special.ndtr(below)) - conf_level

    fall = far if seen >= 2 * far else seen - optimize.brentq(left_over, 1e-12, seen)
    return float(fall**2 / 2)


def central_slopes(function: Callable[[FloatArray], ArrayLike], theta: FloatArray, step: ArrayLike) -> FloatArray:
    """Slopes of a function (or of each of its values) by central differences: a row for every parameter."""
    slopes = [
        (np.asarray(function(theta + shift)) - np.asarray(function(theta - shift))) / (2 * shift.max())
        for shift in np.diag(np.broadcast_to(np.asarray(step, dtype=np.float64), theta.shape))
    ]
    return np.array(slopes, dtype=np.float64)
