"""The comparison of arms for many small trials at once, all tested on one schedule.

For planning by simulation: thousands of trials go through the same curve, scores and permutation variance as one trial
does in :func:`~onsetstudy.survival.ranktests.compare.compare_arms`, as array arithmetic over the trials.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.innermost import innermost_intervals, support_index
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.ranktests.rank_scores import survival_moves, untold
from onsetstudy.survival.ranktests.score_statistics import NO_SPREAD

GAP = 1e-9
"""Largest accepted Kuhn-Tucker gap of a curve, relative to the number of cases."""
STEPS = 60

_CHUNK_NUMBERS = 4_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Cells in terms of the gaps that together can hold all mass: cell c covers ``first[c]`` to ``last[c] - 1``."""

    cells: Intervals
    support: Intervals
    first: IndexArray
    last: IndexArray

    @property
    def size(self) -> int:
        """Number of gaps."""
        return len(self.support)

    def chunks(self, trials: int, numbers: int) -> Iterator[slice]:
        """Trials that fit into memory together, where one takes so many numbers or a matrix of the gaps."""
        step = max(1, _CHUNK_NUMBERS // max(numbers, self.size**2))
        return (slice(start, start + step) for start in range(0, trials, step))


def compare_many(cells: Intervals, counts: ArrayLike) -> FloatArray:
    """Log-rank tests of many trials of two arms whose cases fall into the same few intervals.

    Parameters
    ----------
    cells : Intervals, c intervals
        The intervals in (left, right] that a case can have under the schedule, also those widened by missed tests.
    counts : array_like of int, shape (trials, 2, c)
        Cases of each arm in each cell, reference arm first.

    Returns
    -------
    ndarray of float, shape (trials,)
        Z, positive where the other arm was sooner: trial by trial the statistic of
        ``compare_arms(..., method="asymptotic")`` on the rows; ``nan`` where a trial has nothing to compare.
    """
    grid, tables = on_gaps(cells, np.asarray(counts, dtype=np.float64))
    trials, _, c = tables.shape
    observed, variance = np.zeros(trials), np.zeros(trials)
    for rows in grid.chunks(trials, c * 2):
        observed[rows], variance[rows] = _observed(grid, tables[rows])
    return z_of(observed, variance)


def z_of(observed: FloatArray, variance: FloatArray) -> FloatArray:
    """Sums over the root of their variances, shape (trials,); ``nan`` where these are 0."""
    root = np.sqrt(variance)
    found: FloatArray = np.divide(observed, root, where=root > 0, out=np.full(root.size, np.nan))
    return found


def on_gaps(cells: Intervals, counts: FloatArray) -> tuple[Grid, FloatArray]:
    """The cells in terms of gaps, and their counts, shape (..., c), less the cells of cases that were never tested."""
    told = ~untold(cells)
    cells = cells.take(told)
    support = innermost_intervals(cells)
    first, last = support_index(cells, support)
    return Grid(cells, support, first, last + 1), counts[..., told]


def _observed(grid: Grid, tables: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Observed minus expected of the other arm in every trial, and its variance."""
    pooled = tables.sum(axis=1)
    score = _cell_scores(grid, pooled)
    n, other = pooled.sum(axis=1), tables[:, 1].sum(axis=1)
    mean = np.divide((pooled * score).sum(axis=1), n, where=n > 0, out=np.zeros_like(n))
    squares = (pooled * (score - mean[:, None]) ** 2).sum(axis=1)
    squares[squares <= NO_SPREAD * n] = 0.0
    spread = np.divide(squares, n * (n - 1), where=n > 1, out=np.zeros_like(n))
    return (tables[:, 1] * score).sum(axis=1) - other * mean, spread * (other * n - other * other)


def _cell_scores(grid: Grid, pooled: FloatArray) -> FloatArray:
    """Log-rank score of each cell in each trial from the trial's pooled curve, shape (trials, c)."""
    survival = many_curves(grid, pooled)
    moves = survival_moves("logrank", survival, np.ones_like(survival[:, 1:]))
    change, chance = (each[:, grid.first] - each[:, grid.last] for each in (moves, survival))
    return np.divide(change, chance, where=pooled > 0, out=np.zeros_like(pooled))


def compare_many_pairs(
    cells: Intervals, reference: NDArray[np.integer[Any]], other: NDArray[np.integer[Any]]
) -> FloatArray:
    """Log-rank tests of many trials in which every patient had both arms; labels are exchanged within patients.

    Parameters
    ----------
    cells : Intervals, c intervals
    reference, other : ndarray of int, shape (trials, patients)
        Cell of each patient's case in the one and the other arm.

    Returns
    -------
    ndarray of float, shape (trials,)
        Z: trial by trial the statistic of ``compare_arms(..., block=patient, method="asymptotic")`` on the rows.
    """
    trials, c = reference.shape[0], len(cells)
    pooled = np.zeros((trials, c))
    for place in (reference, other):
        np.add.at(pooled, (np.arange(trials)[:, None], place), 1.0)
    silent = untold(cells)
    grid, pooled = on_gaps(cells, pooled)
    observed, variance = np.zeros(trials), np.zeros(trials)
    for rows in grid.chunks(trials, c * 2):
        score = np.zeros((pooled[rows].shape[0], c))
        score[:, ~silent] = _cell_scores(grid, pooled[rows])
        apart = np.take_along_axis(score, other[rows], axis=1) - np.take_along_axis(score, reference[rows], axis=1)
        # A case that tells nothing takes its partner with it.
        apart[silent[other[rows]] | silent[reference[rows]]] = 0.0
        observed[rows], variance[rows] = apart.sum(axis=1) / 2, (apart**2).sum(axis=1) / 4
    return z_of(observed, variance)


# --- curves ---------------------------------------------------------------------------------------------------------


def many_curves(grid: Grid, counts: FloatArray) -> FloatArray:
    """Chance of not yet numb of many groups of cases, at the ends of the gaps that can hold mass.

    Parameters
    ----------
    grid : Grid, c cells
    counts : ndarray of float, shape (trials, c)

    Returns
    -------
    ndarray of float, shape (trials, m + 1)
        From 1 before the first of the m innermost intervals of the cells to 0 after the last, moving only where an
        occupied cell begins or ends: between such ends the data cannot tell gaps apart, and their mass is one mass, as
        it is in the fit of one trial. Each trial's curve meets
        its optimality condition to a relative gap of 1e-9. A trial without cases has all its mass in the last.

    Notes
    -----
    Product-limit where every occupied cell is a single gap or open to the right; otherwise a primal-dual
    interior-point method on all trials together, and :func:`~onsetstudy.survival.curve.npmle.fit_npmle` for those
    that it does not bring to the gap.
    """
    m = grid.size
    survival = np.zeros((counts.shape[0], m + 1))
    simple_cells = (grid.last - grid.first == 1) | (grid.last == m)
    simple = ~np.any(counts[:, ~simple_cells] > 0, axis=1)
    survival[simple] = _product_limit(grid, counts[simple])
    hard = np.flatnonzero(~simple)
    if hard.size:
        mass, met = _interior_point(grid, counts[hard])
        survival[hard, :m] = np.cumsum(mass[:, ::-1], axis=1)[:, ::-1]
        for trial in hard[~met]:
            survival[trial, :m] = _one_curve(grid, counts[trial])
    survival[:, 0] = 1.0
    return _hold_still(grid, counts, survival)


def _product_limit(grid: Grid, counts: FloatArray) -> FloatArray:
    m = grid.size
    own = (grid.first[:, None] == np.arange(m)) & (grid.last - grid.first == 1)[:, None]
    events, at_risk = counts @ own, counts @ (own | (grid.first[:, None] > np.arange(m)))
    hazard = np.divide(events, at_risk, where=at_risk > 0, out=np.zeros_like(events))
    return np.concatenate((np.ones((counts.shape[0], 1)), np.cumprod(1 - hazard, axis=1)[:, :-1], 0 * events[:, :1]), 1)


def _interior_point(grid: Grid, counts: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Masses, shape (trials, m), and whether the optimality gap is met, shape (trials,)."""
    m, n = grid.size, counts.sum(axis=1)
    covers = ((np.arange(m) >= grid.first[:, None]) & (np.arange(m) < grid.last[:, None])).astype(np.float64)
    weight = counts / n[:, None]
    mass = np.full((counts.shape[0], m), 1.0 / m)
    slack = np.ones_like(mass)
    done = np.zeros(counts.shape[0], dtype=bool)
    for _ in range(STEPS):
        rows = np.flatnonzero(~done)
        p, s, w = mass[rows], slack[rows], weight[rows]
        chance = p @ covers.T
        ratio = w / chance
        gradient = ratio @ covers
        gap = gradient.max(axis=1) - 1
        # Complementarity bounds how far masses that should be 0 still are from it.
        finished = (gap <= GAP) & ((p * s).max(axis=1) <= 1e-14)
        done[rows[finished]] = True
        if done.all():
            break
        go = ~finished
        rows, p, s, gradient = rows[go], p[go], s[go], gradient[go]
        centre = 0.1 * (p * s).mean(axis=1, keepdims=True)
        system = information_of(grid, ratio[go] / chance[go])
        system[:, np.arange(m), np.arange(m)] += s / p
        move = np.linalg.solve(system, (gradient - 1 + centre / p)[..., None])[..., 0]
        slack_move = (centre - s * move) / p - s
        mass[rows] = p + _room(p, move) * move
        slack[rows] = s + _room(s, slack_move) * slack_move
    return mass / mass.sum(axis=1, keepdims=True), done


def _room(value: FloatArray, move: FloatArray) -> FloatArray:
    """Largest step up to 1 that keeps every value positive, shape (trials, 1)."""
    ratio = np.divide(-value, move, where=move < 0, out=np.full_like(value, np.inf))
    return np.asarray(np.minimum(1.0, 0.995 * ratio.min(axis=1, keepdims=True)), dtype=np.float64)


def information_of(grid: Grid, each: FloatArray) -> FloatArray:
    """Sum over cells of ``each`` in the square of gaps that the cell covers, shape (trials, m, m)."""
    m = grid.size
    corner = np.zeros((each.shape[0], m * m))
    place, member = np.unique(grid.first * m + grid.last - 1, return_inverse=True)
    together = np.zeros((each.shape[1], place.size))
    together[np.arange(each.shape[1]), member] = 1.0
    corner[:, place] = each @ together
    # Gaps between the first and the last one of a cell: sums from the corners, as products with ones.
    below = np.tri(m)
    upper = below @ corner.reshape(-1, m, m) @ below
    return np.where(below.T > 0, upper, upper.swapaxes(1, 2))


def _one_curve(grid: Grid, counts: FloatArray) -> FloatArray:
    """Chance of not yet numb before each gap, shape (m,), from the fit of a single trial."""
    curve = fit_npmle(grid.cells, weight=counts, tolerance=GAP)
    # A mass between two tests is put into the first gap that lies inside.
    place, _ = support_index(Intervals(curve.left, curve.right), grid.support)
    mass = np.zeros(grid.size)
    np.add.at(mass, place, curve.mass)
    return np.asarray(np.cumsum(mass[::-1])[::-1], dtype=np.float64)


def _hold_still(grid: Grid, counts: FloatArray, survival: FloatArray) -> FloatArray:
    """Curves that move only where an occupied cell begins or ends."""
    m = grid.size
    occupied = counts > 0
    ends = np.zeros((counts.shape[0], m + 1), dtype=bool)
    ends[:, [0, m]] = True
    for cell in range(grid.first.size):
        ends[:, grid.first[cell]] |= occupied[:, cell]
        ends[:, grid.last[cell]] |= occupied[:, cell]
    latest = np.maximum.accumulate(np.where(ends, np.arange(m + 1), 0), axis=1)
    return np.take_along_axis(survival, latest, axis=1)


def own_ends(grid: Grid, counts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Ends of the innermost interval of each trial's own cells around each gap, shapes (trials, m)."""
    occupied = counts > 0
    left = np.zeros((counts.shape[0], grid.size))
    right = np.full((counts.shape[0], grid.size), np.inf)
    for cell in range(grid.first.size):
        begins = (grid.cells.left[cell] <= grid.support.left) & occupied[:, cell, None]
        left = np.where(begins, np.maximum(left, grid.cells.left[cell]), left)
        ends = (grid.cells.right[cell] >= grid.support.right) & occupied[:, cell, None]
        right = np.where(ends, np.minimum(right, grid.cells.right[cell]), right)
    return left, right
