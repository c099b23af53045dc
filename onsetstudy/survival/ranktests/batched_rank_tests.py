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
from scipy.stats import chi2

from onsetstudy.core.arrays import FloatArray, IndexArray
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.innermost import innermost_intervals, support_index
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.ranktests.rank_scores import emphasis_of, survival_moves, untold
from onsetstudy.survival.ranktests.score_statistics import NO_SPREAD

__all__ = [
    "Grid",
    "ManyComparisons",
    "checked_tables",
    "compare_many",
    "compare_many_pairs",
    "information_of",
    "many_curves",
    "own_ends",
]


GAP = 1e-9
"""Largest accepted Kuhn-Tucker gap of a curve, relative to the number of cases."""

_CHUNK_NUMBERS = 4_000_000


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ManyComparisons:
    """Tests of many trials, arrays over trials.

    Parameters
    ----------
    observed_minus_expected : ndarray of float, shape (trials, arms - 1)
        Of the arms after the first; positive means sooner than the first.
    variance : ndarray of float, shape (trials, arms - 1, arms - 1)
    statistic : ndarray of float, shape (trials,)
        Z for two arms, chi-square for more; ``nan`` where a trial has nothing to compare.
    p_value : ndarray of float, shape (trials,)
        Normal approximation, two-sided.
    """

    observed_minus_expected: FloatArray
    variance: FloatArray
    statistic: FloatArray
    p_value: FloatArray

    @classmethod
    def of(cls, observed: FloatArray, variance: FloatArray) -> ManyComparisons:
        """The tests from what was observed less what was expected, and its variance."""
        if observed.shape[1] == 1:
            root = np.sqrt(variance[:, 0, 0])
            statistic = np.divide(observed[:, 0], root, where=root > 0, out=np.full(root.size, np.nan))
            p_value = chi2.sf(statistic**2, 1)
        else:
            inverse = np.linalg.pinv(variance, rcond=1e-10, hermitian=True)
            statistic = np.einsum("ti,tij,tj->t", observed, inverse, observed)
            df = np.linalg.matrix_rank(variance, rtol=1e-10, hermitian=True)
            statistic[df == 0] = np.nan
            p_value = chi2.sf(statistic, np.maximum(df, 1))
        return cls(observed_minus_expected=observed, variance=variance, statistic=statistic, p_value=p_value)


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


def compare_many(
    cells: Intervals, counts: ArrayLike, *, scores: str = "logrank", target_min: float | None = None
) -> ManyComparisons:
    """Weighted log-rank tests of many trials whose cases fall into the same few intervals.

    Parameters
    ----------
    cells : Intervals, c intervals
        The intervals in (left, right] that a case can have under the schedule, also those widened by missed tests.
    counts : array_like of int, shape (trials, arms, c) or (trials, strata, arms, c)
        Cases of each arm in each cell, reference arm first.
    scores : str
        As for :func:`~onsetstudy.survival.ranktests.compare.compare_arms`.
    target_min : float, optional
        Target minute of the scores ``"by_target"``.

    Returns
    -------
    ManyComparisons
        Trial by trial what ``compare_arms(..., method="asymptotic")`` gives on the rows.

    Raises
    ------
    OnsetStudyError
        If the counts do not fit the cells, or are negative.
    """
    grid, tables = checked_tables(cells, counts)
    trials, strata, arms, c = tables.shape
    observed = np.zeros((trials, arms - 1))
    variance = np.zeros((trials, arms - 1, arms - 1))
    for rows in grid.chunks(trials, c * arms):
        for stratum in range(strata):
            part_observed, part_variance = _stratum(grid, tables[rows, stratum], scores, target_min)
            observed[rows] += part_observed
            variance[rows] += part_variance
    return ManyComparisons.of(observed, variance)


def checked_tables(cells: Intervals, counts: ArrayLike) -> tuple[Grid, FloatArray]:
    """The cells in terms of gaps and the counts with strata, less the cells of cases that were never tested."""
    tables = np.asarray(counts, dtype=np.float64)
    if tables.ndim == 3:
        tables = tables[:, None]
    if tables.ndim != 4 or tables.shape[3] != len(cells) or tables.shape[2] < 2:
        raise OnsetStudyError.of_key(
            "counts",
            f"counts have the shape {np.shape(counts)} for {len(cells)} cells",
            "give (trials, arms, cells) or (trials, strata, arms, cells) with at least two arms",
            code="shape",
        )
    if not np.all((tables >= 0) & (tables == np.round(tables))):
        raise OnsetStudyError.of_key(
            "counts", "counts hold negative, broken or missing numbers", "a count is a whole number of 0 or more"
        )
    silent = untold(cells)
    cells, tables = cells.take(~silent), tables[..., ~silent]
    support = innermost_intervals(cells)
    first, inclusive = support_index(cells, support)
    return Grid(cells, support, first, inclusive + 1), tables


def _stratum(grid: Grid, tables: FloatArray, scores: str, target_min: float | None) -> tuple[FloatArray, FloatArray]:
    """Observed minus expected and covariance of one stratum of every trial."""
    trials, arms, _ = tables.shape
    pooled = tables.sum(axis=1)
    score = _cell_scores(grid, pooled, scores, target_min)
    per_arm = tables.sum(axis=2)
    n = per_arm.sum(axis=1)
    mean = np.divide((pooled * score).sum(axis=1), n, where=n > 0, out=np.zeros(trials))
    squares = (pooled * (score - mean[:, None]) ** 2).sum(axis=1)
    squares[squares <= NO_SPREAD * n] = 0.0
    spread = np.divide(squares, n * (n - 1), where=n > 1, out=np.zeros(trials))
    observed = (tables * score[:, None, :]).sum(axis=2) - per_arm * mean[:, None]
    share = (per_arm * n[:, None])[:, :, None] * np.eye(arms) - per_arm[:, :, None] * per_arm[:, None, :]
    # A stratum with cases of one arm only has a sum of 0 but for rounding.
    told = (share[:, 1:, 1:].any(axis=(1, 2)) & (spread > 0)).astype(np.float64)
    return observed[:, 1:] * told[:, None], (spread[:, None, None] * share)[:, 1:, 1:]


def _cell_scores(grid: Grid, pooled: FloatArray, scores: str, target_min: float | None) -> FloatArray:
    """Score of each cell in each trial from the trial's pooled curve, shape (trials, c)."""
    survival = many_curves(grid, pooled)
    left, right = own_ends(grid, pooled) if scores == "by_target" else (grid.support.left, grid.support.right)
    emphasis = emphasis_of(scores, survival, left, right, target_min)
    moves = survival_moves(scores, survival, emphasis)
    chance = survival[:, grid.first] - survival[:, grid.last]
    return np.divide(
        moves[:, grid.first] - moves[:, grid.last],
        chance,
        where=pooled > 0,
        out=np.zeros((pooled.shape[0], grid.first.size)),
    )


def compare_many_pairs(
    cells: Intervals,
    reference: NDArray[np.integer[Any]],
    other: NDArray[np.integer[Any]],
    *,
    scores: str = "logrank",
    target_min: float | None = None,
) -> ManyComparisons:
    """Tests of many trials in which every patient had both arms; labels are exchanged within patients.

    Parameters
    ----------
    cells : Intervals, c intervals
    reference, other : ndarray of int, shape (trials, patients)
        Cell of each patient's case in the one and the other arm.
    scores, target_min
        As for :func:`compare_many`.

    Returns
    -------
    ManyComparisons
        Trial by trial what ``compare_arms(..., block=patient, method="asymptotic")`` gives on the rows.
    """
    trials, c = reference.shape[0], len(cells)
    row = np.arange(trials)[:, None]
    tables = np.zeros((trials, 2, c))
    for arm, place in enumerate((reference, other)):
        np.add.at(tables[:, arm], (np.broadcast_to(row, place.shape), place), 1.0)
    silent = untold(cells)
    grid, counted = checked_tables(cells, tables)
    observed, variance = np.zeros((trials, 1)), np.zeros((trials, 1, 1))
    for rows in grid.chunks(trials, c * 2):
        score = np.zeros((counted[rows].shape[0], c))
        score[:, ~silent] = _cell_scores(grid, counted[rows, 0].sum(axis=1), scores, target_min)
        apart = np.take_along_axis(score, other[rows], axis=1) - np.take_along_axis(score, reference[rows], axis=1)
        # A case that tells nothing takes its partner with it.
        apart[silent[other[rows]] | silent[reference[rows]]] = 0.0
        observed[rows, 0] = apart.sum(axis=1) / 2
        variance[rows, 0, 0] = (apart**2).sum(axis=1) / 4
    return ManyComparisons.of(observed, variance)


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


def _interior_point(grid: Grid, counts: FloatArray, steps: int = 60) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Masses, shape (trials, m), and whether the optimality gap is met, shape (trials,)."""
    m, n = grid.size, counts.sum(axis=1)
    covers = ((np.arange(m) >= grid.first[:, None]) & (np.arange(m) < grid.last[:, None])).astype(np.float64)
    weight = counts / n[:, None]
    mass = np.full((counts.shape[0], m), 1.0 / m)
    slack = np.ones_like(mass)
    done = np.zeros(counts.shape[0], dtype=bool)
    for _ in range(steps):
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
    upper = np.cumsum(np.cumsum(corner.reshape(-1, m, m), axis=1)[:, :, ::-1], axis=2)[:, :, ::-1]
    row, column = np.triu_indices(m)
    full = np.zeros_like(upper)
    full[:, row, column] = upper[:, row, column]
    full[:, column, row] = upper[:, row, column]
    return full


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
