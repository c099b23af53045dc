"""A test of onset that may be looked at after every block of allocation, and stopped whenever one likes.

Arms were drawn by chance within blocks. If the arm makes no difference to anybody, every order of a block's arms is
equally likely once the onsets of its cases are known. If it does, early onsets point to the sooner arm: under
proportional hazards with ratio ``theta`` around a curve ``S``, a case in (l, r] speaks for the other arm by

    f1 / f0,    f1 = S(l)^a - S(r)^a,   f0 = S(l)^(1/a) - S(r)^(1/a),   a = sqrt(theta).

The factor of a block is the product of these over its cases of the other arm, divided by the mean of that product over
all orders of its arms. It has mean 1 under no difference whatever ``S`` and ``theta`` are, as long as they come from
earlier blocks: the running product is a test martingale, and by Ville's inequality passes 1/alpha with a chance of at
most alpha, at any time, with any censoring. Here ``S`` is learned block by block, and products over several ``theta``
are averaged, half of them with a share of teeth that becomes numb in neither arm. A block of one case has one order
and tells nothing. Derived here; the form for exact ordered times is that of ter Schure J,
Perez-Ortiz MF, Ly A, Grunwald PD. The safe log rank test. 2020.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import comb

from onsetstudy.core.arrays import BoolArray, FloatArray, IndexArray, StrArray
from onsetstudy.core.errors import OnsetStudyError, Problem
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Assumption, Counts
from onsetstudy.survival.results import AnytimeTest

RATIOS = (1.25, 1.6, 2.2, 1 / 1.25, 1 / 1.6, 1 / 2.2)
"""Ratios that are averaged: sooner and later alike."""
# What is known of the curve before the first case: half a case spread over all gaps.
BEFOREHAND = 0.5
# Half of the averaged products take most of those beyond the last test as never numb in either arm.
NEVER = 0.95
# A path that has come so far stays there: no number holds much more, and less is on the careful side.
LARGEST_LOG = 700.0
KNOWN_CHANCE = Assumption(name="known allocation", detail="arms were drawn by chance within their blocks")
CALENDAR = Assumption(name="calendar order", detail="cases are taken in the order in which arms were drawn")


def anytime_test(
    times: Intervals,
    arm: ArrayLike,
    *,
    reference_arm: str,
    grid_min: ArrayLike,
    block: ArrayLike,
    stratum: ArrayLike | None = None,
    ratios: tuple[float, ...] = RATIOS,
) -> AnytimeTest:
    """Sequential test that the arm makes no difference to any case's onset.

    Parameters
    ----------
    times : Intervals, n cases
        In the order in which arms were drawn.
    arm : array_like of str, shape (n,)
        Two arms.
    reference_arm : str
    grid_min : array_like of float, shape (j,)
        Minutes between which the curve is taken as straight: the schedule of tests.
    block : array_like of str, shape (n,)
        Block of allocation of each case: within it all orders of the arms were equally likely. A block counts when its
        last case is in.
    stratum : array_like of str, shape (n,), optional
        Each has a curve of its own; blocks lie within strata.
    ratios : tuple of float
        Ratios of rates to look for, averaged.

    Returns
    -------
    AnytimeTest
        ``path`` changes with the last case of each block.

    Raises
    ------
    OnsetStudyError
        If there are not two arms, or lengths do not fit.

    Notes
    -----
    Not valid where arms were not drawn by chance. A block that was left unfinished counts with the cases that it has:
    its orders are still equally likely.
    """
    n = len(times)
    draws = Draws.of(n, arm, reference_arm, block)
    grid = _grid(grid_min)
    named = np.zeros(n) if stratum is None else np.asarray(stratum).astype(str)
    strata = np.unique(named, return_inverse=True)[1]
    power = np.sqrt(np.asarray(ratios))
    logs = np.zeros((n, 2 * len(ratios)))
    mass = np.full((int(strata.max()) + 1, grid.size), BEFOREHAND / grid.size)
    for rows in draws.blocks:
        own = mass[strata[rows[0]]][None]
        told = _told(times.left[rows][None], times.right[rows][None], grid, own, power)
        factor = _factor(told, draws.other[rows][None])[0]
        logs[rows[-1]] = np.log(factor)
        mass[strata[rows[0]]] = _learned(own, times.left[rows][None], times.right[rows][None], grid)[0]
    logs = np.cumsum(logs, axis=0)
    top = logs.max(axis=1, keepdims=True, initial=0.0)
    path = np.exp(top[:, 0].clip(max=LARGEST_LOG)) * np.exp(logs - top).mean(axis=1)
    highest = float(path.max(initial=1.0))
    return AnytimeTest(
        path=path,
        e_value=float(path[-1]),
        highest=highest,
        p_value=min(1.0, 1 / highest),
        contrast=f"{draws.names[1]} / {draws.names[0]}",
        leaning=float(np.exp(np.average(np.tile(np.log(ratios), 2), weights=np.exp(logs - top)[-1]))),
        method=f"test martingale of allocation given onset, ratios {', '.join(f'{r:.3g}' for r in ratios)} averaged",
        n=Counts.of(np.isfinite(times.right), draws.arm, draws.names),
        assumptions=(KNOWN_CHANCE, CALENDAR),
        source="derived here; for exact times ter Schure and others 2020",
    )


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Arms as they were drawn: reference arm and other, who had the other, and rows of each block.

    Blocks are in the order in which their last cases came.
    """

    names: tuple[str, str]
    arm: StrArray
    other: BoolArray
    blocks: list[IndexArray]

    @classmethod
    def of(cls, n: int, arm: ArrayLike, reference_arm: str, block: ArrayLike) -> Draws:
        """Checked draws of ``n`` cases, by blocks.

        Raises
        ------
        OnsetStudyError
            If there are not two arms, or lengths do not fit.
        """
        arms = np.asarray(arm).astype(str)
        named = np.asarray(block).astype(str)
        names = sorted(set(arms) | {reference_arm})
        problems = []
        if arms.shape != (n,) or named.shape != (n,):
            problems.append(("times, arms and blocks must be equally long", "give one of each for every case"))
        if len(names) != 2:
            problems.append((f"{len(names)} arms ({', '.join(names)}) where two are compared", "leave out the others"))
        if problems:
            raise OnsetStudyError([Problem.of_key("anytime", what, mend) for what, mend in problems])
        second = next(name for name in names if name != reference_arm)
        code = np.unique(named, return_inverse=True)[1]
        order = np.argsort(code, kind="stable")
        parts = np.split(order, np.flatnonzero(np.diff(code[order])) + 1)
        blocks = sorted(parts, key=lambda rows: int(rows[-1]))
        return cls((reference_arm, second), arms, arms == second, blocks)


def _grid(grid_min: ArrayLike) -> FloatArray:
    grid = np.asarray(grid_min, dtype=np.float64)
    if grid.ndim != 1 or not grid.size or grid[0] <= 0 or np.any(np.diff(grid) <= 0):
        raise OnsetStudyError("the grid of minutes must increase from above 0")
    return np.concatenate(([0.0], grid))


def _factor(told: FloatArray, other: BoolArray) -> FloatArray:
    """Factor of a block of each study, shape (studies, ratios), from what its cases told, (studies, cases, ratios)."""
    cases = told.shape[1]
    seen = np.where(other[..., None], told, 1.0).prod(axis=1)
    count = other.sum(axis=1)
    # Mean over all orders: elementary symmetric sums of what the cases told, over the number of orders.
    sums = np.zeros((told.shape[0], cases + 1, told.shape[2]))
    sums[:, 0] = 1.0
    for i in range(cases):
        sums[:, 1 : i + 2] = sums[:, 1 : i + 2] + sums[:, : i + 1] * told[:, i, None]
    mean = np.take_along_axis(sums, count[:, None, None], axis=1)[:, 0] / comb(cases, count)[:, None]
    return np.asarray(seen / mean, dtype=np.float64)


def _learned(mass: FloatArray, left: FloatArray, right: FloatArray, grid: FloatArray) -> FloatArray:
    """The curve's masses once a block has joined: each case's unit goes to the gaps it covers, by the curve so far."""
    share = mass / mass.sum(axis=1, keepdims=True)
    more = mass.copy()
    for i in range(left.shape[1]):
        inside = share * _covered(left[:, i], right[:, i], grid)
        total = inside.sum(axis=1, keepdims=True)
        more += np.divide(inside, total, where=total > 0, out=np.zeros_like(inside))
    return more


def _told(left: FloatArray, right: FloatArray, grid: FloatArray, mass: FloatArray, power: FloatArray) -> FloatArray:
    """How much each case speaks for the other arm, f1 / f0, shape (studies, cases, 2 ratios)."""
    share = mass / mass.sum(axis=1, keepdims=True)
    survival = np.concatenate((np.ones((mass.shape[0], 1)), 1 - np.cumsum(share, axis=1)), axis=1).clip(0.0, 1.0)
    start, stop = (_at(minute, grid, survival)[..., None] for minute in (left, right))
    exact, late = (left == right)[..., None], np.isinf(right)[..., None]
    never = (NEVER * survival[:, -2])[:, None, None]
    return np.concatenate(
        [_spoken(start, stop, exact, late, power, most) for most in (np.zeros_like(never), never)], axis=2
    )


def _covered(left: FloatArray, right: FloatArray, grid: FloatArray) -> FloatArray:
    """Part of each gap that lies in (left, right], shape (studies, gaps)."""
    ends = np.concatenate((grid[1:], [np.inf]))
    low = np.maximum(left[:, None], grid[None, :])
    high = np.minimum(right[:, None], ends[None, :])
    width = np.where(np.isfinite(ends), ends - grid, 1.0)
    part = np.clip(np.where(np.isfinite(high), high, low + 1.0) - low, 0.0, None) / width
    # Beyond the grid there is one gap without end: whoever reaches into it may lie anywhere in it.
    part[:, -1] = (right > grid[-1]).astype(np.float64)
    exact = left == right
    if exact.any():
        place = np.searchsorted(grid, right[exact], side="left") - 1
        part[exact] = 0.0
        part[exact, np.clip(place, 0, grid.size - 1)] = 1.0
    return np.asarray(np.clip(part, 0.0, 1.0), dtype=np.float64)


def _at(minute: FloatArray, grid: FloatArray, survival: FloatArray) -> FloatArray:
    """Curve of each study at minutes, (studies, cases), straight within gaps; constant beyond, and 0 at infinity."""
    place = np.clip(np.searchsorted(grid, minute, side="right") - 1, 0, grid.size - 1)
    start, stop = (np.take_along_axis(survival, place + step, axis=1) for step in (0, 1))
    ends = np.concatenate((grid[1:], [np.inf]))
    width = ends[place] - grid[place]
    part = np.where(np.isfinite(width), (np.minimum(minute, 1e300) - grid[place]) / width, 0.0)
    value = start + part * (stop - start)
    return np.asarray(np.where(np.isinf(minute), 0.0, value), dtype=np.float64)


def _spoken(
    start: FloatArray, stop: FloatArray, exact: BoolArray, late: BoolArray, power: FloatArray, never: FloatArray
) -> FloatArray:
    """f1 / f0 of cases between two heights of the curve, when a share ``never`` becomes numb in neither arm."""
    before, after = (((height - never) / (1 - never)).clip(0.0, 1.0) for height in (start, stop))
    end = np.where(late, never / (1 - never), 0.0)
    f1 = before**power - after**power + end
    f0 = before ** (1 / power) - after ** (1 / power) + end
    middle = np.maximum(before, 1e-12)
    f1 = np.where(exact, power * middle ** (power - 1), f1)
    f0 = np.where(exact, middle ** (1 / power - 1) / power, f0)
    told = (f1 > 0) & (f0 > 0)
    return np.asarray(np.divide(f1, f0, where=told, out=np.ones_like(f1)), dtype=np.float64)
