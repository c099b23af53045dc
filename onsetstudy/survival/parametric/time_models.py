"""Distributions of log time that the parametric models share, and the interval likelihood under them.

``log T = location + scale * W``. ``W`` is extreme-value (Weibull), normal, logistic, or log-gamma with shape ``q``
(generalised gamma: Weibull at ``q = 1``, log-normal at ``q = 0``).
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

from onsetstudy.core.arrays import FloatArray, require_level
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals, require_intervals
from onsetstudy.core.results import Certificate
from onsetstudy.inference.likelihood import central_slopes

_SHAPES: dict[str, tuple[Callable[[FloatArray], FloatArray], Callable[[FloatArray], FloatArray]]] = {
    "weibull": (lambda w: -np.exp(w), lambda w: w - np.exp(w)),
    "lognormal": (stats.norm.logsf, stats.norm.logpdf),
    "loglogistic": (lambda w: -np.logaddexp(0.0, w), lambda w: w - 2 * np.logaddexp(0.0, w)),
}
"""Log of the chance that ``W`` exceeds ``w``, and log density, of the families without a shape of their own."""
FAMILIES = (*_SHAPES, "generalised_gamma")
SMALL_SHAPE = 1e-4
GRADIENT_TOLERANCE = 1e-6
VAGUE = 1.0
"""Error of log scale beyond which limits by curvature mean nothing: they would hold scales that differ fiftyfold."""
FLAT = "the likelihood is flat: these data do not determine the model"

LogLikelihood = Callable[[FloatArray], float]


def check_asked(times: Intervals, family: str, families: Collection[str], conf_level: float) -> None:
    """Raise where a model of a named shape cannot be fitted to what was given."""
    require_intervals(times)
    require_level(conf_level)
    if family not in families:
        raise OnsetStudyError(f"the family {family!r} is not known; choose among {', '.join(families)}")
    if (at_nought := np.flatnonzero(times.right == 0)).size:
        what = f"interval {at_nought[0]} (0, 0] is an onset at exactly 0 minutes, which has no logarithm"
        raise OnsetStudyError.of_key("times", what, "write it as an interval from 0 to the first test")


def log_survival(family: str, w: FloatArray, shape: float = 1.0) -> FloatArray:
    """Log of the chance that ``W`` exceeds ``w``; 0 at minus infinity."""
    if family == "generalised_gamma" and abs(shape) < SMALL_SHAPE:
        family = "lognormal"
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        if family in _SHAPES:
            return np.asarray(_SHAPES[family][0](w), dtype=np.float64)
        k = shape**-2
        inner = k * np.exp(np.clip(shape * w, -700, 700))
        tail = special.gammaincc(k, inner) if shape > 0 else special.gammainc(k, inner)
        return np.asarray(np.log(np.maximum(tail, 1e-300)), dtype=np.float64)


def _log_density(family: str, w: FloatArray, shape: float) -> FloatArray:
    """Log density of ``W``."""
    if family == "generalised_gamma" and abs(shape) < SMALL_SHAPE:
        family = "lognormal"
    with np.errstate(over="ignore", invalid="ignore"):
        if family in _SHAPES:
            return np.asarray(_SHAPES[family][1](w), dtype=np.float64)
        k = shape**-2
        scaled = k * (shape * w - np.exp(np.clip(shape * w, -700, 700)))
    return np.asarray(np.log(abs(shape)) + k * np.log(k) - special.gammaln(k) + scaled, dtype=np.float64)


def chance_rows(
    family: str, times: Intervals, location: FloatArray, scale: float, shape: float = 1.0
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Log chance (or density) of each case's onset among those who become numb, and of being without it at ``left``.

    Returns
    -------
    tuple of ndarray, shape (n,)
        Log chance of onset in ``(left, right]`` (log density of an exact time), log survival at ``left``, and which
        cases were never seen numb: for these only the second counts.
    """
    with np.errstate(divide="ignore"):
        low = (np.log(times.left) - location) / scale
        high = (np.log(times.right) - location) / scale
    before = np.where(times.left > 0, log_survival(family, low, shape), 0.0)
    after = np.where(np.isfinite(times.right), log_survival(family, high, shape), -np.inf)
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = before + np.log(-np.expm1(np.minimum(after - before, -1e-300)))
    exact = times.exact
    if exact.any():
        moment = np.where(exact, times.left, 1.0)
        density = _log_density(family, np.where(exact, low, 0.0), shape) - np.log(scale * moment)
        gap = np.where(exact, density, gap)
    return np.asarray(gap), before, times.right_censored


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """Parameters at a maximum, its log-likelihood, the largest gradient per case and the steps taken."""

    theta: FloatArray
    log_likelihood: float
    gap: float
    iterations: int

    @property
    def certificate(self) -> Certificate:
        """Proof that no small change raises the likelihood."""
        return Certificate(
            converged=True,
            iterations=self.iterations,
            gap=self.gap,
            tolerance=GRADIENT_TOLERANCE,
            condition="largest gradient of the interval log-likelihood per case",
        )


def _slope(value: LogLikelihood, theta: FloatArray) -> FloatArray:
    """Gradient by central differences with a step that no unit of time moves; none where the value is not defined."""
    with np.errstate(invalid="ignore"):
        return central_slopes(value, theta, 1e-5)


def polish(value: LogLikelihood, starts: list[FloatArray], n: int, quantity: str) -> Optimum:
    """Best maximum of a log-likelihood from several starts, certified by its gradient per case.

    Raises
    ------
    NotEstimable
        ``"not_converged"`` if no start leads to a point where the gradient vanishes.
    """
    best: Optimum | None = None
    for start in starts:
        steps, theta = 0, start
        for _ in range(4):
            with np.errstate(over="ignore", invalid="ignore"):
                found = optimize.minimize(
                    _downhill, theta, args=(value,), jac=True, method="BFGS", options={"gtol": 1e-7 * n, "maxiter": 500}
                )
            steps, theta = steps + int(found.nit), found.x
            gap = float(np.abs(_slope(value, theta)).max() / n)
            if gap <= GRADIENT_TOLERANCE:
                break
        candidate = Optimum(theta, value(theta), gap, steps)
        settled = np.isfinite(candidate.log_likelihood) and candidate.gap <= GRADIENT_TOLERANCE
        if settled and (best is None or candidate.log_likelihood > best.log_likelihood + 1e-9):
            best = candidate
    if best is None:
        raise NotEstimable(quantity, "the search for the maximum did not settle", code="not_converged")
    return best


def _downhill(theta: FloatArray, value: LogLikelihood) -> tuple[float, FloatArray]:
    """Negative log-likelihood, a large number where it is not defined, and its gradient."""
    here = value(theta)
    return (-here if np.isfinite(here) else 1e12), -_slope(value, theta)


def observed_information(value: LogLikelihood, theta: FloatArray, quantity: str, *, log_scale: int) -> FloatArray:
    """Covariance of the parameters from the second derivative, by central differences.

    Raises
    ------
    NotEstimable
        ``"flat"`` if the likelihood is flat in some direction, or nearly so in that of the scale, whose place is
        ``log_scale``: an error would mean nothing.
    """
    step = 1e-4
    with np.errstate(invalid="ignore"):
        hessian = central_slopes(lambda at: central_slopes(value, at, step), theta, step)
    hessian = (hessian + hessian.T) / 2
    values = np.linalg.eigvalsh(-hessian) if np.isfinite(hessian).all() else np.zeros(1)
    if values[0] > 1e-9 * max(values[-1], 1.0):
        covariance = np.asarray(np.linalg.inv(-hessian), dtype=np.float64)
        if covariance[log_scale, log_scale] <= VAGUE**2:
            return covariance
    raise NotEstimable(quantity, FLAT, code="flat")
