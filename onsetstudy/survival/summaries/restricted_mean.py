"""Restricted mean time to onset of one arm in one stratum: the mean of its curve up to a horizon, and its variance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.seeds import stream
from onsetstudy.inference.proportions import wilson_limits
from onsetstudy.survival.curve.functionals import functional_bounds, functional_variance
from onsetstudy.survival.curve.npmle import Curves, fit_npmle
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.summaries.npmle_proportion import tells_something
from onsetstudy.survival.summaries.standardisation import Cell
from onsetstudy.survival.testing.unlike_gaps import Gaps

__all__ = ["METHODS", "CellWait", "Options", "cell_wait", "waits_of_masses"]

METHODS = ("information", "bootstrap")
"""How the variance is found."""


def waits_of_masses(curve: OnsetCurve, tau_min: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Wait up to ``tau_min`` per innermost interval: mass at its beginning, spread evenly, at its end.

    Returns
    -------
    tuple of ndarray of float, shape (k,)
        Minutes. An interval without end counts as ``tau_min`` when spread evenly.
    """
    low, high = np.minimum(curve.left, tau_min), np.minimum(curve.right, tau_min)
    width = np.where(np.isfinite(curve.right), curve.right - curve.left, 0.0)
    spanning = (curve.left < tau_min) & (curve.right > tau_min) & np.isfinite(curve.right)
    # Of an interval cut by the horizon, the part before it waits its mean and the part after it tau.
    before = np.where(spanning, (tau_min - curve.left) / np.where(width > 0, width, 1.0), 1.0)
    even = before * (low + high) / 2.0 + (1.0 - before) * tau_min
    return low, np.where(np.isinf(curve.right), tau_min, even), high


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How the mean is found; parameters as of :func:`~onsetstudy.survival.summaries.rmst.estimate_rmst`."""

    tau_min: float
    conf_level: float
    method: str
    seed: int | None
    replicates: int
    small_sample: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CellWait:
    """Restricted mean time to onset of the cases of one arm in one stratum, already times the weight of the stratum.

    ``spread`` is ``(variance, degrees of freedom)``, with the variance as large as the small-sample interval
    needs it; ``None`` without spread between cases, when ``reach`` is how far below and above the mean may lie.
    """

    mean: float
    bounds: tuple[float, float]
    variance: float
    spread: tuple[float, float] | None
    reach: tuple[float, float] = (0.0, 0.0)
    share: float = 1.0
    gaps: Gaps | None = None


def cell_wait(
    cell: Cell, carried_min: float, name: str, stratum: str, weight: float, options: Options, curves: Curves
) -> CellWait:
    """Restricted mean of one cell; ``carried_min``: by how much its follow-up was carried forward at most.

    Raises
    ------
    NotEstimable
        If the curve is undefined before the horizon.
    """
    times = cell.times
    # Cases that were never tested add nothing; they must not add degrees of freedom either.
    tau, n = options.tau_min, round(float(cell.weight[tells_something(times)].sum()))
    curve = curves.fit(times, weight=cell.weight)
    if np.isinf(curve.right[-1]) and curve.left[-1] < tau:
        place = f"the arm {name}" + (f" in the stratum {stratum}" if stratum else "")
        raise NotEstimable(
            "rmst",
            f"in {place} testing ended at {curve.left[-1]:g} min with {curve.mass[-1]:.0%} not yet numb, "
            f"before the horizon of {tau:g} min",
            code="curve_undefined",
        )
    low, even, high = waits_of_masses(curve, tau)
    # Cases carried forward to the horizon may have become numb as soon as they were last tested.
    low = np.where(np.isinf(curve.right), low - carried_min, low)
    mean = min(float(curve.mass @ even), tau)
    bounds = functional_bounds(times, curve, low, high)
    variance = _variance(cell, curve, even, f"{name}|{stratum}", options)
    weighted = weight * bounds[0], weight * bounds[1]
    gaps = Gaps(times=times, weight=cell.weight, curve=curve)
    if n < 2 or variance <= 1e-18 * tau * tau:
        outside = wilson_limits(0, n, options.conf_level)[1]
        reach = (weight * outside * mean, weight * outside * (tau - mean))
        return CellWait(
            mean=weight * mean, bounds=weighted, variance=0.0, spread=None, reach=reach, share=weight, gaps=gaps
        )
    used = weight * weight * variance
    inflated = used * n / (n - 1) if options.small_sample else used
    return CellWait(
        mean=weight * mean, bounds=weighted, variance=used, spread=(inflated, n - 1.0), share=weight, gaps=gaps
    )


def _variance(cell: Cell, curve: OnsetCurve, even: FloatArray, name: str, options: Options) -> float:
    if options.method == "information":
        return functional_variance(cell.times, curve, even, cell.weight)
    means = []
    for replicate in range(options.replicates):
        chance = stream(int(options.seed or 0), f"rmst_bootstrap|{name}", replicate)
        # How often each kind of case is drawn among as many draws as there are cases: no case is written out.
        weight = chance.multinomial(cell.n, cell.weight / cell.weight.sum()).astype(np.float64)
        drawn = weight > 0
        again = fit_npmle(cell.times.take(drawn), weight=weight[drawn])
        means.append(float(again.mass @ waits_of_masses(again, options.tau_min)[1]))
    return float(np.var(means, ddof=1))
