"""Shares of failures by operator, drawn to the whole by as much as chance explains."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.watch.results import Shrunken

WEIGHT_OF_THE_WHOLE = 10.0
CLEAR_OF_NONE = 0.5
MEANS, WEIGHTS = 60, 30
NEGLIGIBLE = 1e-6


def usual_chances(failed: ArrayLike, group: ArrayLike, wanted: ArrayLike) -> FloatArray:
    """Usual chance of failure of each wanted case, from its group among earlier cases.

    A group's share is drawn to the share of all by the weight of ten cases (common practice, no source), and the share
    of all is kept off 0 and 1 by half a case on either side, so that no case is thought impossible.

    Parameters
    ----------
    failed : array_like of bool, shape (n,)
    group : array_like of str, shape (n,)
    wanted : array_like of str, shape (m,)

    Raises
    ------
    NotEstimable
        If there is no earlier case.
    """
    y, groups = np.asarray(failed, dtype=bool), np.asarray(group).astype(str)
    if y.size == 0:
        raise NotEstimable("usual_failures", "there are no earlier cases to say what is usual", code="no_baseline")
    whole = (y.sum() + CLEAR_OF_NONE) / (y.size + 2 * CLEAR_OF_NONE)
    share = {
        g: float((y[groups == g].sum() + WEIGHT_OF_THE_WHOLE * whole) / (np.sum(groups == g) + WEIGHT_OF_THE_WHOLE))
        for g in np.unique(groups)
    }
    return np.array([share.get(str(g), float(whole)) for g in np.asarray(wanted).astype(str)])


def shrink_shares(failed: ArrayLike, operator: ArrayLike, *, conf_level: float = 0.95) -> tuple[Shrunken, ...]:
    """Share of failures of each operator, in the order of their codes; never a ranking.

    Parameters
    ----------
    failed : array_like of bool, shape (n,)
    operator : array_like of str, shape (n,)
    conf_level : float

    Returns
    -------
    tuple of Shrunken
        Beta-binomial, averaged over what the counts leave plausible of its mean and spread, so that the limits hold
        that uncertainty too. Beforehand, the standard deviation between operators is taken as evenly spread (on the
        scale of the square root of the intraclass correlation, ``1 / (1 + weight)``).

    Raises
    ------
    NotEstimable
        If there is no case.

    References
    ----------
    .. [1] Gelman A. Prior distributions for variance parameters in hierarchical models. Bayesian Analysis
       2006;1:515-34 (from memory): a prior that is even in the standard deviation between groups.
    """
    y, who = np.asarray(failed, dtype=bool), np.asarray(operator).astype(str)
    if y.size == 0:
        raise NotEstimable("operator_failures", "there is no case to count", code="no_cases")
    codes, place = np.unique(who, return_inverse=True)
    n = np.bincount(place)
    x = np.bincount(place, weights=y).astype(np.int64)
    mean, weight, mass = _plausible(x, n)
    tail = (1 - conf_level) / 2
    found = []
    for k, code in enumerate(codes):
        a, b = mean * weight + x[k], (1 - mean) * weight + n[k] - x[k]
        low, high = (_mixture_quantile(a, b, mass, q) for q in (tail, 1 - tail))
        found.append(
            Shrunken(
                code=str(code),
                cases=int(n[k]),
                failures=int(x[k]),
                share=float(x[k] / n[k]),
                shrunken=float(np.sum(mass * a / (a + b))),
                low=low,
                high=high,
                level=conf_level,
            )
        )
    return tuple(found)


def _plausible(x: IntArray, n: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means and weights (in cases) of the operators' distribution, each with how plausible it is given the counts."""
    middle = (np.arange(MEANS) + 0.5) / MEANS
    alike = (np.arange(WEIGHTS) + 0.5) / WEIGHTS
    mean, root = (v.ravel() for v in np.meshgrid(stats.beta.ppf(middle, 0.5, 0.5), alike))
    weight = 1 / root**2 - 1
    a, b = (mean * weight)[:, None], ((1 - mean) * weight)[:, None]
    log = np.sum(special.betaln(x + a, n - x + b) - special.betaln(a, b), axis=1)
    mass = np.exp(log - log.max())
    kept = mass > NEGLIGIBLE
    return mean[kept], weight[kept], mass[kept] / mass[kept].sum()


def _mixture_quantile(a: FloatArray, b: FloatArray, mass: FloatArray, level: float) -> float:
    def excess(share: float) -> float:
        return float(np.sum(mass * special.betainc(a, b, share))) - level

    return float(optimize.brentq(excess, 0.0, 1.0, xtol=1e-7))
