"""Restricted mean time to onset of one arm in one stratum: the mean of its curve up to a horizon, and its variance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.inference.proportions import wilson_limits
from onsetstudy.survival.curve.functionals import functional_bounds, functional_variance
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.summaries.npmle_proportion import tells_something
from onsetstudy.survival.testing.unlike_gaps import Gaps


def waits_of_masses(curve: OnsetCurve, tau_min: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Wait up to ``tau_min`` per innermost interval: mass at its beginning, spread evenly, at its end.

    Returns
    -------
    tuple of ndarray of float, shape (k,)
        Minutes. An interval without end counts as ``tau_min`` when spread evenly.
    """
    low, high = np.minimum(curve.left, tau_min), np.minimum(curve.right, tau_min)
    return low, even_waits(curve.left, curve.right, tau_min), high


def even_waits(left: FloatArray, right: FloatArray, tau_min: float) -> FloatArray:
    """Mean wait up to ``tau_min`` of a mass spread evenly from ``left`` to ``right``, of one shape."""
    ended = np.isfinite(right)
    low, high = np.minimum(left, tau_min), np.minimum(right, tau_min)
    width = np.where(ended & (right > left), np.where(ended, right, 0.0) - left, 1.0)
    # Of an interval cut by the horizon, the part before it waits its mean and the part after it tau.
    before = np.where(ended & (left < tau_min) & (right > tau_min), (tau_min - left) / width, 1.0)
    even = before * (low + high) / 2.0 + (1.0 - before) * tau_min
    return np.asarray(np.where(ended, even, tau_min), dtype=np.float64)


def wait_to(curve: OnsetCurve, tau_min: float) -> float:
    """Restricted mean time to onset up to a horizon, minutes, masses spread evenly."""
    return float(np.sum(curve.mass * even_waits(curve.left, curve.right, tau_min)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How the mean is found; parameters as of :func:`~onsetstudy.survival.summaries.rmst.estimate_rmst`.

    Raises
    ------
    OnsetStudyError
        If there are no minutes above 0 to go to.
    """

    tau_min: float
    conf_level: float
    small_sample: bool

    def __post_init__(self) -> None:
        if not (math.isfinite(self.tau_min) and self.tau_min > 0):
            mend = "write minutes above 0, for example 15"
            raise OnsetStudyError.of_key("tau_min", f"tau_min is {self.tau_min!r}", mend)


@dataclass(frozen=True, slots=True, kw_only=True)
class CellWait:
    """Restricted mean time to onset of the cases of one arm in one stratum, already times the weight of the stratum.

    ``spread`` is ``(variance, degrees of freedom)``, with the variance as large as the small-sample interval
    needs it; ``None`` without spread between cases, when ``reach`` is how far below and above the mean may lie.
    """

    mean: float
    bounds: tuple[float, float]
    share: float
    gaps: Gaps
    variance: float = 0.0
    spread: tuple[float, float] | None = None
    reach: tuple[float, float] = (0.0, 0.0)


def cell_wait(gaps: Gaps, carried_min: float, name: str, stratum: str, weight: float, options: Options) -> CellWait:
    """Restricted mean of an arm in a stratum; ``carried_min``: by how much its follow-up was carried forward at most.

    Raises
    ------
    NotEstimable
        If the curve is undefined before the horizon.
    """
    times, curve = gaps.times, gaps.curve
    # Cases that were never tested add nothing; they must not add degrees of freedom either.
    tau, n = options.tau_min, round(float(gaps.weight[tells_something(times)].sum()))
    if np.isinf(curve.right[-1]) and curve.left[-1] < tau:
        place = f"the arm {name}" + (f" in the stratum {stratum}" if stratum else "")
        raise NotEstimable(
            "rmst",
            f"in {place} onset is known up to {curve.left[-1]:g} min only, with {curve.mass[-1]:.0%} not yet numb, "
            f"and not up to the horizon of {tau:g} min",
            code="curve_undefined",
        )
    low, even, high = waits_of_masses(curve, tau)
    # Cases carried forward to the horizon may have become numb as soon as they were last tested.
    low = np.where(np.isinf(curve.right), low - carried_min, low)
    mean = min(float(curve.mass @ even), tau)
    bounds = functional_bounds(times, curve, low, high)
    variance = functional_variance(times, curve, even, gaps.weight)
    found = CellWait(mean=weight * mean, bounds=(weight * bounds[0], weight * bounds[1]), share=weight, gaps=gaps)
    if n < 2 or variance <= 1e-18 * tau * tau:
        outside = wilson_limits(0, n, options.conf_level)[1]
        return replace(found, reach=(weight * outside * mean, weight * outside * (tau - mean)))
    used = weight * weight * variance
    inflated = used * n / (n - 1) if options.small_sample else used
    return replace(found, variance=used, spread=(inflated, n - 1.0))


def weighted_curve(times: Intervals, weight: FloatArray) -> OnsetCurve:
    """Curve of cases with weights above 0.

    Raises
    ------
    NotEstimable
        If no weight is above 0, or the fit is not certified.
    """
    if not np.any(weight > 0):
        raise NotEstimable("onset_curve", "no case has a weight", code="no_cases")
    return fit_npmle(times, weight=weight, weight_kind="probabilities")
