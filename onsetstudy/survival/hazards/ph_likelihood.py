"""Likelihood of proportional hazards for interval-censored times, on collapsed cells.

With baseline cumulative hazard ``L`` and relative hazard ``e = exp(x'b)`` a case that is known to become numb
between two points has the chance ``exp(-e L(before)) - exp(-e L(after))``. The baseline is written as increments
``h >= 0`` at the innermost intervals of each stratum, the last of which takes all that is left. For given ``b`` the
log-likelihood is concave in the increments.

References
----------
.. [1] Finkelstein DM (1986). A proportional hazards model for interval-censored failure time data. Biometrics
   42, 845-854.
.. [2] Huang J, Wellner JA (1997). Interval censored survival data: a review of recent progress. Lecture Notes in
   Statistics 123, 123-169.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from onsetstudy.core.arrays import BoolArray, FloatArray, IndexArray

LARGEST_PREDICTOR = 60.0
"""Beyond it a relative hazard is nought or endless for every purpose; no step goes there."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cells:
    """Distinct kinds of cases on a baseline of ``m`` increments.

    Increments of all strata stand in one row. A cell's case had no onset through increments ``base`` to ``start - 1``
    and its onset lies in ``start`` to ``stop - 1``, or, if ``open_end``, anywhere later in its stratum.

    Parameters
    ----------
    base, start, stop : ndarray of int, shape (c,)
    open_end : ndarray of bool, shape (c,)
    x : ndarray of float, shape (c, p)
    weight : ndarray of float, shape (c,)
    n_increments : int
    """

    base: IndexArray
    start: IndexArray
    stop: IndexArray
    open_end: BoolArray
    x: FloatArray
    weight: FloatArray
    n_increments: int

    @property
    def end(self) -> IndexArray:
        """Increment before which each cell ends; where it is open, that with which it starts."""
        return np.where(self.open_end, self.start, self.stop)

    def take(self, rows: IndexArray, weight: FloatArray) -> Cells:
        """Some of the cells, under other weights."""
        parts = {name: getattr(self, name)[rows] for name in ("base", "start", "stop", "open_end", "x")}
        return replace(self, weight=weight, **parts)

    def covered(self) -> tuple[BoolArray, BoolArray]:
        """Increments that each cell waits through, and those inside it, shapes (c, n_increments)."""
        place, start = np.arange(self.n_increments), self.start[:, None]
        return (place >= self.base[:, None]) & (place < start), (place >= start) & (place < self.end[:, None])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Derivatives:
    """Log-likelihood, gradient and negative second derivative in ``b`` followed by ``h``."""

    log_likelihood: float
    gradient: FloatArray
    information: FloatArray


def collapse(cells: Cells, pattern: IndexArray) -> tuple[Cells, IndexArray]:
    """Equal cells merged; also the merged cell of each. ``pattern`` numbers the rows of covariates."""
    size = cells.n_increments + 1
    # An open end does not use its stop; one value for all keeps equal cases together.
    end = np.where(cells.open_end, 0, cells.stop)
    # A start at the very end of one stratum is also the beginning of the next: the base tells them apart.
    bases, stratum = np.unique(cells.base, return_inverse=True)
    key = (((pattern * 2 + cells.open_end) * bases.size + stratum) * size + cells.start) * size + end
    _, first, cell = np.unique(key, return_index=True, return_inverse=True)
    return cells.take(first, np.bincount(cell, weights=cells.weight, minlength=first.size).astype(np.float64)), cell


def _spans(cells: Cells, h: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cumulative baseline hazard before each cell's interval, and inside it (``inf`` with an open end)."""
    total = np.concatenate(([0.0], np.cumsum(h)))
    before = total[cells.start] - total[cells.base]
    inside = np.where(cells.open_end, np.inf, total[cells.stop] - total[cells.start])
    return before, inside


def _log_chance(relative: FloatArray, before: FloatArray, inside: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", over="ignore"):
        return np.asarray(-relative * before + np.log(-np.expm1(-relative * inside)), dtype=np.float64)


def log_likelihood(cells: Cells, b: FloatArray, h: FloatArray) -> float:
    """Weighted log-likelihood; ``-inf`` where a cell has no chance."""
    before, inside = _spans(cells, h)
    predictor = cells.x @ b
    if np.max(np.abs(predictor), initial=0.0) > LARGEST_PREDICTOR:
        return -np.inf
    return float(cells.weight @ _log_chance(np.exp(predictor), before, inside))


def _curvature(relative: FloatArray, inside: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """``s``, first and second derivative of ``log(1 - exp(-s))`` at ``s = e u``; zeros with an open end."""
    open_end = np.isinf(inside)
    s = np.where(open_end, 1.0, relative * inside)
    with np.errstate(over="ignore", divide="ignore"):
        first = np.where(open_end, 0.0, 1.0 / np.expm1(s))
    return np.where(open_end, 0.0, s), first, np.where(open_end, 0.0, -first * (1.0 + first))


def derivatives(cells: Cells, b: FloatArray, h: FloatArray) -> Derivatives:
    """Log-likelihood with first and second derivatives, by cumulative sums over the increments."""
    before, inside = _spans(cells, h)
    relative = np.exp(cells.x @ b)
    s, first, second = _curvature(relative, inside)
    w, m = cells.weight, cells.n_increments
    slope_b = -relative * before + s * first
    slope_before, slope_inside = -relative, relative * first
    curve_b = -relative * before + s * first + s * s * second
    cross_inside = relative * (first + s * second)
    curve_inside = relative * relative * second
    stop = cells.end

    def along(values_before: FloatArray, values_inside: FloatArray) -> FloatArray:
        """Sum over cells, at each increment, of a value before and another inside the interval."""
        steps = np.zeros((m + 1, *values_before.shape[1:]))
        np.add.at(steps, cells.base, values_before)
        np.add.at(steps, cells.start, values_inside - values_before)
        np.add.at(steps, stop, -values_inside)
        return np.cumsum(steps, axis=0)[:m]

    corner = np.zeros((m + 1, m + 1))
    np.add.at(corner, (cells.start, np.maximum(stop - 1, 0)), np.where(stop > cells.start, w * curve_inside, 0.0))
    # Entry (j, l) with j <= l sums the cells whose interval begins by j and ends at or after l.
    upper = np.triu(np.cumsum(np.cumsum(corner, axis=0)[:, ::-1], axis=1)[:, ::-1])[:m, :m]
    x, p = cells.x, cells.x.shape[1]
    information = np.empty((p + m, p + m))
    information[:p, :p] = -(x * (w * curve_b)[:, None]).T @ x
    information[p:, :p] = -along(x * (w * slope_before)[:, None], x * (w * cross_inside)[:, None])
    information[:p, p:] = information[p:, :p].T
    information[p:, p:] = -(upper + np.triu(upper, 1).T)
    return Derivatives(
        log_likelihood=float(w @ _log_chance(relative, before, inside)),
        gradient=np.concatenate((x.T @ (w * slope_b), along(w * slope_before, w * slope_inside))),
        information=information,
    )


def score_rows(cells: Cells, b: FloatArray, h: FloatArray) -> FloatArray:
    """Gradient of each cell's log-likelihood for one case in ``b`` followed by ``h``, shape (c, p + m)."""
    before, inside = _spans(cells, h)
    relative = np.exp(cells.x @ b)
    s, first, _ = _curvature(relative, inside)
    waits, inner = cells.covered()
    in_h = -relative[:, None] * waits + (relative * first)[:, None] * inner
    return np.hstack((cells.x * (-relative * before + s * first)[:, None], in_h))
