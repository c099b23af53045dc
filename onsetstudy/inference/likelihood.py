"""What a fitted likelihood says: ratios with limits on the log scale, tests at a bound, slopes by differences."""

from __future__ import annotations

from collections.abc import Callable
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from onsetstudy.core.arrays import BoolArray, FloatArray
from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, HypothesisTest, Interval
from onsetstudy.inference.parameter import Told
from onsetstudy.inference.proportions import normal_quantile


def log_scale_interval(b: float, error: float, conf_level: float, method: str = "Wald, log scale") -> Interval:
    """Limits of a ratio from its logarithm and the standard error of that."""
    half = normal_quantile(conf_level) * error
    return Interval(low=float(np.exp(b - half)), high=float(np.exp(b + half)), level=conf_level, method=method)


def wald_ratio(
    quantity: str,
    contrast: str,
    b: float,
    error: float,
    conf_level: float,
    *,
    how: str = "Wald, log scale",
    caution: tuple[Caution, ...] = (),
    **told: Unpack[Told],
) -> Estimate:
    """A ratio from its logarithm ``b`` and the standard error of that; ``how`` names the limits."""
    return Estimate(
        quantity=quantity,
        contrast=contrast,
        estimate=float(np.exp(b)),
        std_error=float(error),
        interval=log_scale_interval(b, error, conf_level, how),
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


def fall_to_lower_limit(gain: float, conf_level: float) -> float | None:
    """By how much log-likelihood has fallen at the lower limit of what cannot be below 0; ``None``: the limit is 0.

    ``gain`` is the log-likelihood at the estimate less that at 0.

    Notes
    -----
    A value is within the limits if its likelihood ratio is one of the smallest, at the level, of those that it gives
    rise to. At 0 these are half a chi-square, as :func:`boundary_test` has them, so that 0 is within the limits exactly
    where that test does not reject; far from 0 they are a whole one. Between, the estimate counts as normal but for
    its bound. Towards the upper limit the ratio has the whole chi-square throughout.

    References
    ----------
    .. [1] Feldman GJ, Cousins RD (1998). Unified approach to the classical statistical analysis of small signals.
       Physical Review D 57, 3873-3889.
    """
    root, most = float(np.sqrt(max(0.0, 2 * gain))), normal_quantile(conf_level)
    least = max(0.0, float(special.ndtri(conf_level)))
    if root <= least:
        return None
    if root >= 2 * most:
        return most**2 / 2

    def too_many(cut: float) -> float:
        """Chance beyond the level that the root of the ratio is at most ``cut`` where the limit then lies."""
        limit = root - cut
        below = special.ndtr(-(limit**2 + cut**2) / (2 * limit)) if limit > 0 else 0.0
        return float(special.ndtr(cut) - below - conf_level)

    return float(optimize.brentq(too_many, least, min(root, most), xtol=1e-12)) ** 2 / 2


def central_slopes(
    function: Callable[[FloatArray], ArrayLike], theta: FloatArray, step: ArrayLike, along: BoolArray | None = None
) -> FloatArray:
    """Slopes of a function (or of each of its values) by central differences: a row for every parameter ``along``."""
    shifts = np.diag(np.broadcast_to(np.asarray(step, dtype=np.float64), theta.shape))
    slopes = [
        (np.asarray(function(theta + shift)) - np.asarray(function(theta - shift))) / (2 * shift.max())
        for shift in (shifts if along is None else shifts[along])
    ]
    return np.array(slopes, dtype=np.float64)
