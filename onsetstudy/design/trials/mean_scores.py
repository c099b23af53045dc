"""Z of the difference in means of many drawn trials: the restricted time to onset, pain, and proportions.

All are compared within practices as in the report, strata with few cases of an arm put together by the report's own
rule (:func:`~onsetstudy.inference.strata.merge_small`), and Z is the difference over the error that its interval
stands for, as at the report's interim analyses. A positive Z means that the other arm did better: it waited less,
hurt less, or succeeded more often.
"""

from __future__ import annotations

import math
from typing import Any, TypedDict, Unpack

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.inference.means import error_toward_null
from onsetstudy.inference.proportions import cases_of_mean, normal_quantile
from onsetstudy.inference.strata import LEAST_OF_AN_ARM, merge_small
from onsetstudy.survival.summaries.batched_waits import ManyWaits, many_waits
from onsetstudy.survival.summaries.rmst import estimate_rmst

ARMS = ("reference", "other")


class _How(TypedDict):
    """Options of the restricted time, for one trial and for many."""

    tau_min: float
    grace_min: float
    conf_level: float


def cell_of(*codes: tuple[IntArray | BoolArray, int]) -> tuple[IntArray, tuple[int, ...]]:
    """Number of the cell of each case, shape (trials * cases,), and the shape (trials, sizes) of the table of cells.

    Parameters
    ----------
    *codes : tuple of (ndarray, int)
        Whole numbers from 0, shape (trials, cases), and how many there may be.
    """
    trials = codes[0][0].shape[0]
    cell = np.arange(trials)[:, None]
    for code, size in codes:
        cell = cell * size + code
    return cell.ravel(), (trials, *(size for _, size in codes))


def counted(*codes: tuple[IntArray | BoolArray, int], weights: BoolArray | None = None) -> NDArray[Any]:
    """Cases in every cell (or the sum of their weights), see :func:`cell_of`."""
    cell, shape = cell_of(*codes)
    return np.bincount(cell, None if weights is None else weights.ravel(), math.prod(shape)).reshape(shape)


def _strata(stratum: IntArray) -> tuple[IntArray, int]:
    return stratum, int(stratum.max()) + 1


def merged_strata(stratum: IntArray, other: BoolArray) -> IntArray:
    """Strata of every trial, those with few cases of an arm put together, shape (trials, cases)."""
    _, k = _strata(stratum)
    counts = counted((stratum, k), (other, 2))
    few = np.any(counts < LEAST_OF_AN_ARM, axis=2) & np.any(counts > 0, axis=2)
    small = np.any(few, axis=1)
    merged = stratum.copy()
    names, arm = np.repeat(np.arange(k).astype(str), 2), np.tile(ARMS, k)
    for trial in np.flatnonzero(small):
        weight = counts[trial].ravel()
        there = weight > 0
        found = merge_small([names[there]], arm[there], ARMS, weight=weight[there])
        _, number = np.unique(found.code, return_inverse=True)
        new = np.zeros(k, dtype=np.int64)
        new[names[there].astype(int)] = number
        merged[trial] = new[stratum[trial]]
    return merged


def wait_scores(
    cells: Intervals, place: IntArray, other: BoolArray, stratum: IntArray, **how: Unpack[_How]
) -> FloatArray:
    """Z of the difference in restricted mean time to onset, shape (trials,); ``nan`` where there is none.

    Parameters
    ----------
    cells : Intervals
        Every interval that a case can have.
    place : ndarray of int, shape (trials, cases)
        Cell of each case.
    other : ndarray of bool, shape (trials, cases)
    stratum : ndarray of int, shape (trials, cases)
        Practice of each case.
    tau_min, grace_min : float
        Minutes.

    Notes
    -----
    As in the report: a trial in which the cases of a stratum do not determine the curve up to the horizon is compared
    over all its cases. The error is what the interval stands for
    (:func:`~onsetstudy.inference.means.error_toward_null`); where the cases of an arm do not vary at all it is that of
    the cautious interval.
    """
    strata = merged_strata(stratum, other)
    found = many_waits(cells, _counted(cells, place, other, strata), **how)
    z = _over(found, how["conf_level"])
    again = np.flatnonzero(np.isnan(found.difference))
    if again.size:
        one = np.zeros_like(place[again])
        whole = many_waits(cells, _counted(cells, place[again], other[again], one), **how)
        z[again], strata[again] = _over(whole, how["conf_level"]), one
        found.difference[again] = whole.difference
    for trial in np.flatnonzero(np.isnan(z) & ~np.isnan(found.difference)):
        z[trial] = _alone(cells.take(place[trial]), other[trial], strata[trial], how)
    return z


def _over(found: ManyWaits, conf_level: float) -> FloatArray:
    error = found.half_width / normal_quantile(conf_level)
    z = np.divide(-found.difference, error, out=np.full(found.difference.size, np.nan), where=error > 0)
    return np.asarray(z, dtype=np.float64)


def _counted(cells: Intervals, place: IntArray, other: BoolArray, stratum: IntArray) -> FloatArray:
    return np.asarray(counted(_strata(stratum), (other, 2), (place, len(cells))), dtype=np.float64)


def _alone(times: Intervals, other: BoolArray, stratum: IntArray, how: _How) -> float:
    """One trial by the report's own verb, where an arm has no spread."""
    try:
        answer = estimate_rmst(
            times, np.where(other, *ARMS[::-1]), reference_arm=ARMS[0], stratum=stratum.astype(str), **how,
        ).difference  # fmt: skip
    except NotEstimable:
        return float("nan")
    error = error_toward_null(answer)
    return -answer.estimate / error if error > 0 else float("nan")


def pain_scores(score: FloatArray, other: BoolArray, stratum: IntArray, *, conf_level: float = 0.95) -> FloatArray:
    """Z of the difference in mean scores by Welch's interval, shape (trials,); ``nan`` where there is none.

    Parameters
    ----------
    score : ndarray of float, shape (trials, cases)
    other : ndarray of bool, shape (trials, cases)
    stratum : ndarray of int, shape (trials, cases)
        Practice of each case.
    """
    code, shape = cell_of(_strata(merged_strata(stratum, other)), (other, 2))
    n = np.bincount(code, minlength=math.prod(shape))
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(code, weights=score.ravel(), minlength=n.size) / n
        squares = np.bincount(code, weights=(score.ravel() - mean[code]) ** 2, minlength=n.size)
        mean, n = mean.reshape(shape), n.reshape(shape)
        error2 = squares.reshape(shape) / (n - 1) / n
        size = n.sum(axis=2)
        share = size / size.sum(axis=1, keepdims=True)
        # A code that no case has is no stratum; one with a single case of an arm leaves its error unknown.
        apart = np.where(size > 0, share * (mean[..., 1] - mean[..., 0]), 0.0).sum(axis=1)
        used = np.where(size[..., None] > 0, share[..., None] ** 2 * error2, 0.0)
        variance = used.sum(axis=(1, 2))
        parts = np.where(size[..., None] > 0, used**2 / (n - 1), 0.0)
        freedom = variance**2 / parts.sum(axis=(1, 2))
        error = np.sqrt(variance) * stats.t.isf((1 - conf_level) / 2, freedom) / normal_quantile(conf_level)
        z = np.where(error > 0, -apart / error, np.nan)
    return np.asarray(z, dtype=np.float64)


def share_scores(
    succeeded: BoolArray,
    other: BoolArray,
    stratum: IntArray,
    *,
    decided: BoolArray | None = None,
    conf_level: float = 0.95,
) -> FloatArray:
    """Z of the difference in a proportion, shape (trials,); ``nan`` where there is none.

    Parameters
    ----------
    succeeded, other : ndarray of bool, shape (trials, cases)
    stratum : ndarray of int, shape (trials, cases)
        Practice of each case.
    decided : ndarray of bool, shape (trials, cases), optional
        Cases of which the outcome is known; default: all.

    Notes
    -----
    As :func:`~onsetstudy.survival.summaries.success.success_by` has it of cases that are all decided: Wilson's limits
    of the mean of strata, arms combined by recovery of variances, and the error that the limit toward no difference
    stands for.
    Cases that are not decided weigh in the mix of strata and nowhere else; the report shares them out by the curve of
    their arm, which tells hardly more of a share than the decided ones do.
    """
    codes = _strata(merged_strata(stratum, other)), (other, 2)
    known = np.ones_like(succeeded) if decided is None else decided
    everybody = counted(*codes)
    n, count = counted(*codes, weights=known), counted(*codes, weights=succeeded & known)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = count / n
        size = everybody.sum(axis=2)
        share = size / size.sum(axis=1, keepdims=True)
        there = size > 0
        # A code that no case has is no stratum: one case that weighs nothing.
        value, n = (np.where(there[..., None], x, 1.0).swapaxes(1, 2) for x in (value, n))
        mean = (share[:, None] * value).sum(axis=-1)
        cases = cases_of_mean(share[:, None], value, n)
        low, high = proportion_confint(mean * cases, cases, alpha=1 - conf_level, method="wilson")
        down, up = (mean - low) ** 2, (high - mean) ** 2
        apart = mean[:, 1] - mean[:, 0]
        below, above = np.sqrt(down[:, 1] + up[:, 0]), np.sqrt(up[:, 1] + down[:, 0])
        half = np.where(apart > 0, below, np.where(apart < 0, above, (below + above) / 2))
        z = np.where(half > 0, apart * normal_quantile(conf_level) / half, np.nan)
    return np.asarray(z, dtype=np.float64)
