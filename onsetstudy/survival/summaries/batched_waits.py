"""The difference in restricted mean time to onset of many trials at once, all tested on one schedule.

For planning by simulation: thousands of trials go through the same curves and the same variance as one trial does in
:func:`~onsetstudy.survival.summaries.rmst.estimate_rmst`, as array arithmetic over the trials.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from onsetstudy.core.arrays import BoolArray, FloatArray
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.functionals import NEGLIGIBLE, functional_variance
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.ranktests.batched_rank_tests import Grid, information_of, many_curves, on_gaps, own_ends
from onsetstudy.survival.summaries.rmst import NO_SPREAD, even_waits, one_more

NOUGHT, DOUBTFUL = 1e-11, 1e-4
"""Between these a mass found for all trials at once may be one that is 0 in truth."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ManyWaits:
    """Restricted mean times of many trials, arrays over trials.

    Parameters
    ----------
    difference : ndarray of float, shape (trials,)
        Other arm less reference, minutes; ``nan`` where it is not estimable.
    std_error : ndarray of float, shape (trials,)
        ``nan`` also where the cases of an arm (and stratum) do not vary.
    half_width : ndarray of float, shape (trials,)
        Of the interval of the difference on the side of no difference; ``nan`` where the error is.
    """

    difference: FloatArray
    std_error: FloatArray
    half_width: FloatArray


def many_waits(
    cells: Intervals, counts: ArrayLike, *, tau_min: float, grace_min: float, conf_level: float = 0.95
) -> ManyWaits:
    """Differences in restricted mean time to onset, within strata combined by their numbers of cases.

    Parameters
    ----------
    cells : Intervals, c intervals
        The intervals in (left, right] that a case can have under the schedule.
    counts : array_like of int, shape (trials, strata, 2, c)
        Cases of the reference arm and the other in each cell. Strata without cases of an arm are left out.
    tau_min : float
        The horizon, minutes.
    grace_min : float
        As for :func:`~onsetstudy.survival.summaries.rmst.estimate_rmst`.

    Returns
    -------
    ManyWaits
        Trial by trial the difference, its standard error and half its interval, of ``estimate_rmst`` on the rows.

    """
    table = np.asarray(counts, dtype=np.float64)
    sizes = table.sum(axis=3)
    full = (sizes > 0).all(axis=2)
    share = np.where(full, sizes.sum(axis=2), 0.0)
    total = share.sum(axis=1, keepdims=True)
    share = np.divide(share, total, where=total > 0, out=np.zeros_like(share))
    groups = np.repeat(full, 2, axis=1).ravel()
    moments = np.zeros((3, groups.size))
    moments[:, groups] = _means(cells, table.reshape(-1, table.shape[3])[groups], tau_min, grace_min)
    mean, variance, at_horizon = moments.reshape(3, *sizes.shape)
    difference = (share * (mean[..., 1] - mean[..., 0])).sum(axis=1)
    used = share[..., None] ** 2 * variance
    error = np.sqrt(used.sum(axis=(1, 2)))
    # Cases that were never tested add nothing; they must not add degrees of freedom either.
    told = table[..., cells.tested].sum(axis=3) * full[..., None]
    with np.errstate(divide="ignore", invalid="ignore"):
        inflated = np.where(full[..., None], used * told / (told - 1), 0.0)
        spread = inflated.sum(axis=(1, 2))
        freedom = spread**2 / np.where(full[..., None], inflated**2 / (told - 1), 0.0).sum(axis=(1, 2))
        half = stats.t.ppf(0.5 + conf_level / 2, freedom) * np.sqrt(spread)
    further = one_more((share[..., None] * mean).sum(axis=1), told.sum(axis=1), tau_min)
    further[at_horizon.any(axis=1)] = 0.0
    below, above = np.hypot(half[:, None], further).T
    half = np.where(difference > 0, below, np.where(difference < 0, above, (below + above) / 2))
    nothing = total[:, 0] == 0
    difference[nothing] = error[nothing] = half[nothing] = np.nan
    return ManyWaits(difference=difference, std_error=error, half_width=half)


def _means(cells: Intervals, counts: FloatArray, tau: float, grace: float) -> FloatArray:
    """Mean waits of groups of cases (counts of shape (groups, c)), their variances, and whether any reached ``tau``.

    Returns
    -------
    ndarray of float, shape (3, groups)
    """
    cells, counts = _followed(cells, counts, tau, grace)
    grid, tables = on_gaps(cells, counts)
    moments = np.full((3, counts.shape[0]), np.nan)
    told = np.flatnonzero(tables.any(axis=1))
    for chunk in grid.chunks(told.size, len(grid.cells)):
        moments[:2, told[chunk]] = _chunk(grid, tables[told[chunk]], tau)
    moments[2] = (counts > 0)[:, cells.left >= tau].any(axis=1)
    return moments


def _followed(cells: Intervals, counts: FloatArray, tau: float, grace: float) -> tuple[Intervals, FloatArray]:
    """Where nobody of a group felt the cold at the horizon or later, cases that felt it shortly before feel it then."""
    last = np.where(counts > 0, cells.left, -np.inf).max(axis=1, initial=-np.inf)
    near = np.isinf(cells.right) & cells.tested & (cells.left >= tau - grace * (1 + 1e-9)) & (cells.left < tau)
    moved = (last < tau)[:, None] & near & (counts > 0)
    if not moved.any():
        return cells, counts
    carried = np.where(moved, counts, 0.0)
    longer = Intervals(np.append(cells.left, tau), np.append(cells.right, np.inf))
    return longer, np.column_stack((counts - carried, carried.sum(axis=1)))


def _chunk(grid: Grid, counts: FloatArray, tau: float) -> tuple[FloatArray, FloatArray]:
    survival = many_curves(grid, counts)
    mass = survival[:, :-1] - survival[:, 1:]
    left, right = own_ends(grid, counts)
    value = even_waits(left, right, tau)
    mean = np.minimum((mass * value).sum(axis=1), tau)
    undefined = _undefined(grid, counts, tau)
    mean[undefined] = np.nan
    variance = _variances(grid, counts, mass, value - (mass * value).sum(axis=1, keepdims=True))
    for group in np.flatnonzero(((mass > NOUGHT) & (mass < DOUBTFUL)).any(axis=1) & ~undefined):
        mean[group], variance[group] = _alone(grid, counts[group], tau)
    variance[(counts.sum(axis=1) < 2) | (variance <= NO_SPREAD * tau * tau) | undefined] = np.nan
    return mean, variance


def _alone(grid: Grid, counts: FloatArray, tau: float) -> tuple[float, float]:
    """Mean and variance of one group by the fit of one trial.

    For masses that may be 0 with the likelihood level there: whether such a mass is held moves the variance, so that
    the fit that the report makes decides it.
    """
    there = counts > 0
    times, weight = grid.cells.take(there), counts[there]
    curve = fit_npmle(times, weight=weight)
    even = even_waits(curve.left, curve.right, tau)
    return min(float(curve.mass @ even), tau), functional_variance(times, curve, even, weight)


def _undefined(grid: Grid, counts: FloatArray, tau: float) -> BoolArray:
    """Groups whose last mass has no end and begins before the horizon: nobody knows how long those cases waited."""
    cells, occupied = grid.cells, counts > 0
    last = np.where(occupied, cells.left, -np.inf).max(axis=1)
    ended = (occupied & np.isfinite(cells.right) & (cells.right > last[:, None])).any(axis=1)
    return np.asarray((last < tau) & ~ended, dtype=np.bool_)


def _variances(grid: Grid, counts: FloatArray, mass: FloatArray, centred: FloatArray) -> FloatArray:
    """Delta method from the observed information, scaled by the masses as for one trial."""
    m = grid.size
    cumulative = np.concatenate((np.zeros((mass.shape[0], 1)), np.cumsum(mass, axis=1)), axis=1)
    chance = cumulative[:, grid.last] - cumulative[:, grid.first]
    each = np.divide(counts, chance**2, where=counts > 0, out=np.zeros_like(counts))
    held = mass > NEGLIGIBLE
    scale = np.where(held, mass, 0.0)
    system = information_of(grid, each) * scale[:, :, None] * scale[:, None, :]
    system[:, np.arange(m), np.arange(m)] += ~held
    target = scale * centred
    try:
        np.linalg.cholesky(system)
        solution = np.linalg.solve(system, target[..., None])[..., 0]
    except np.linalg.LinAlgError:
        # Masses that are not uniquely determined: the least-norm solution speaks of what is.
        solution = np.stack([np.linalg.lstsq(a, b, rcond=None)[0] for a, b in zip(system, target, strict=True)])
    return np.asarray(np.maximum(0.0, (target * solution).sum(axis=1)), dtype=np.float64)
