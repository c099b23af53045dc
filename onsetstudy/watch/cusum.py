"""Risk-adjusted cumulative sums of failures, with limits for a stated run length.

Steiner SH, Cook RJ, Farewell VT, Treasure T. Monitoring surgical performance using risk-adjusted cumulative sum charts.
Biostatistics 2000;1:441-52. Average run lengths from the chain of Brook D, Evans DA. Biometrika 1972;59:539-49 (from
memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, optimize, stats

from onsetstudy.core.arrays import BoolArray, FloatArray
from onsetstudy.core.errors import DesignError
from onsetstudy.watch.results import Chart, RunLength, Signal
from onsetstudy.watch.shrinkage import CLEAR_OF_NONE

STATES = 400
LEVELS = 24
GUARD = 0.9


def cusum_weights(failed: ArrayLike, usual: ArrayLike, odds_ratio: float) -> FloatArray:
    """Log likelihood ratio of each case for odds of failure R times the usual: ``y ln R - ln(1 - p + Rp)``.

    Parameters
    ----------
    failed : array_like of bool, shape (n,)
    usual : array_like of float, shape (n,)
        Usual chance of failure of each case, between 0 and 1.
    odds_ratio : float
        Above 1 looks for a change for the worse, below 1 for the better.

    Raises
    ------
    DesignError
        If a chance is not between 0 and 1, or the ratio is 1 or not positive.
    """
    p, y = np.asarray(usual, dtype=np.float64), np.asarray(failed, dtype=np.float64)
    if not odds_ratio > 0 or odds_ratio == 1:
        raise DesignError(f"an odds ratio of {odds_ratio:g} is no change to look for")
    if not np.all((p > 0) & (p < 1)):
        raise DesignError("the usual chance of failure must lie between 0 and 1 for every case")
    return np.asarray(y * math.log(odds_ratio) - np.log1p(p * (odds_ratio - 1)), dtype=np.float64)


def _kinds(usual: ArrayLike, odds_ratio: float, true_ratio: float) -> tuple[FloatArray, ...]:
    """Shares of kinds of cases, their true chances of failure, and steps of the chart without a failure and with one.

    Cases of one usual chance are a kind; many chances are put together by quantiles.
    """
    values = np.asarray(usual, dtype=np.float64)
    level, count = np.unique(values, return_counts=True)
    if level.size > LEVELS:
        edges = np.quantile(values, np.linspace(0, 1, LEVELS + 1))
        group = np.clip(np.searchsorted(edges, values, side="right") - 1, 0, LEVELS - 1)
        count = np.bincount(group, minlength=LEVELS)
        level = np.bincount(group, weights=values, minlength=LEVELS)[count > 0] / count[count > 0]
        count = count[count > 0]
    odds = true_ratio * level / (1 - level)
    good, bad = (cusum_weights(np.full(level.size, f), level, odds_ratio) for f in (False, True))
    return count / count.sum(), odds / (1 + odds), good, bad


def average_run_length(limit: float, usual: ArrayLike, odds_ratio: float, *, true_ratio: float = 1.0) -> float:
    """Cases up to a signal on average, when cases come at random from those with the chances ``usual``.

    Parameters
    ----------
    limit : float
        The chart signals at or above it.
    usual : array_like of float, shape (n,)
    odds_ratio : float
        What the chart is tuned to.
    true_ratio : float
        What is true; 1: nothing has changed.

    Notes
    -----
    The chart's values between 0 and the limit are cut into states; a step that ends between two states is shared
    between them in proportion. No step goes farther than the largest weight, so that the chain is a narrow band of its
    matrix and is solved as one.
    """
    share, chance, good, bad = _kinds(usual, odds_ratio, true_ratio)
    steps = np.concatenate((bad, good))
    weight = np.concatenate((share * chance, share * (1 - chance)))
    width = limit / STATES
    rows = np.arange(STATES)
    place = np.maximum(rows + steps[:, None] / width, 0.0)
    low = np.floor(np.minimum(place, STATES)).astype(np.intp)
    part = np.where(low < STATES, place - low, 0.0)
    below, above = (min(STATES - 1, math.ceil(x / width) + 1) for x in (max(0.0, -steps.min()), max(0.0, steps.max())))
    # Row by row of the band: entry (i, j) of the matrix stands at (above + i - j, j).
    band = np.zeros((below + above + 1, STATES))
    band[above] = 1.0
    for to, p in ((low, weight[:, None] * (1 - part)), (low + 1, weight[:, None] * part)):
        inside = (to < STATES) & (place < STATES - 1e-9)
        at = (above + np.broadcast_to(rows, to.shape) - to)[inside] * STATES + to[inside]
        band -= np.bincount(at, weights=p[inside], minlength=band.size).reshape(band.shape)
    return float(linalg.solve_banded((below, above), band, np.ones(STATES), check_finite=False)[0])


def baseline_guard(failures: int, cases: int, odds_ratio: float, *, usual: float) -> float:
    """Odds of the true usual share over the one that the chart takes, on the side on which false alarms come.

    Parameters
    ----------
    failures, cases : int
        Of the cases that say what is usual.
    odds_ratio : float
        What the chart is tuned to.
    usual : float
        Share of failures that the chart takes as usual for these cases, which need not be the one that was counted.

    Returns
    -------
    float
        The true odds are beyond it with a chance of one minus :data:`GUARD` only.

    References
    ----------
    .. [1] Gandy A, Kvaloy JT. Guaranteed conditional performance of control charts via bootstrap methods. Scandinavian
       Journal of Statistics 2013;40:647-68 (from memory): the limit holds for what is likely to be true, not for the
       estimate. Here by the distribution of the share given the counts (Jeffreys) in place of the bootstrap.
    """
    level = GUARD if odds_ratio > 1 else 1 - GUARD
    bound = float(stats.beta.ppf(level, failures + CLEAR_OF_NONE, cases - failures + CLEAR_OF_NONE))
    return bound / (1 - bound) / (usual / (1 - usual))


def limit_for(run_length: float, usual: ArrayLike, odds_ratio: float, *, guard: float = 1.0) -> float:
    """Limit at which one false alarm comes in ``run_length`` cases on average.

    Parameters
    ----------
    run_length : float
    usual : array_like of float, shape (n,)
    odds_ratio : float
    guard : float
        Odds of the true usual chances over ``usual`` for which the run length shall hold; 1: they are known.

    Raises
    ------
    DesignError
        If no limit gives so short a run: a single failure would have to signal.
    """
    values = np.asarray(usual, dtype=np.float64)

    def excess(limit: float) -> float:
        return math.log(average_run_length(limit, values, odds_ratio, true_ratio=guard)) - math.log(run_length)

    low, high = 1e-3, 1.0
    if excess(low) >= 0:
        raise DesignError(f"even a chart without patience signals less often than once in {run_length:g} cases")
    while excess(high) < 0:
        high *= 1.5
        if high > 50:
            raise DesignError(f"no limit gives one false alarm in {run_length:g} cases")
    return float(optimize.brentq(excess, low, high, xtol=1e-4))


def chart_failures(
    failed: ArrayLike,
    usual: ArrayLike,
    *,
    failure: str,
    odds_ratio: float,
    run_length: int,
    guard: float = 1.0,
) -> Chart:
    """Chart of cases in the order of treatment.

    Parameters
    ----------
    failed : array_like of bool, shape (n,)
    usual : array_like of float, shape (n,)
        Usual chance of failure of each case.
    failure : str
        What counts as failure, for readers.
    odds_ratio : float
        Change of the odds to notice: above 1 for the worse, below 1 for the better.
    run_length : int
        Cases between false alarms.
    guard : float
        See ``baseline_guard``; 1: the usual chances are known.

    Returns
    -------
    Chart
        After a signal the chart begins again at 0.
    """
    y, p = np.asarray(failed, dtype=bool), np.asarray(usual, dtype=np.float64)
    limit = limit_for(run_length, p, odds_ratio, guard=guard)
    lengths = RunLength(
        limit=limit,
        average=average_run_length(limit, p, odds_ratio, true_ratio=guard),
        when_changed=average_run_length(limit, p, odds_ratio, true_ratio=odds_ratio),
    )
    path, signals = _run(y, p, cusum_weights(y, p, odds_ratio), limit)
    return Chart(
        failure=failure,
        direction="worse" if odds_ratio > 1 else "better",
        odds_ratio=odds_ratio,
        path=path,
        limit=limit,
        run_length=lengths,
        signals=signals,
    )


def _run(y: BoolArray, p: FloatArray, step: FloatArray, limit: float) -> tuple[FloatArray, tuple[Signal, ...]]:
    path = np.empty(y.size)
    value, start = 0.0, 0
    signals = []
    for i, s in enumerate(step):
        value += float(s)
        if value <= 0:
            value, start = 0.0, i + 1
        path[i] = value
        if value >= limit:
            rows = slice(start, i + 1)
            signals.append(
                Signal(case=i + 1, cases=i + 1 - start, failures=int(y[rows].sum()), expected=float(p[rows].sum()))
            )
            value, start = 0.0, i + 1
    return path, tuple(signals)
