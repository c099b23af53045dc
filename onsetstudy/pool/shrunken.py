"""What is plausible of a unit's share of failures, given its own few cases and how the others are spread."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from onsetstudy.core.results import Interval

__all__ = ["shrink_to_expected"]

FloatArray = NDArray[np.float64]
NODES, SPREADS, LARGEST = 80, 40, 2.0
LEVEL = 0.95


def shrink_to_expected(
    failures: NDArray[np.int64], cases: NDArray[np.int64], expected: FloatArray
) -> tuple[tuple[float, Interval], ...]:
    """Share of failures of each unit were its mix of cases that of the group, drawn to the group, with limits.

    Parameters
    ----------
    failures, cases : ndarray of int, shape (k,)
    expected : ndarray of float, shape (k,)
        Above 0 and below the number of cases.

    Returns
    -------
    tuple of (share, Interval)
        Posterior mean and quantiles.

    Notes
    -----
    A unit's failures are binomial with log odds ``logit(expected / cases) + s u``, ``u`` standard normal. The spread
    ``s`` is averaged over what the counts leave plausible of it, evenly spread beforehand from 0 to 2 (Gelman 2006,
    Bayesian Analysis 1:515-34, from memory), so that the limits hold that uncertainty too.
    """
    base = special.logit(np.clip(expected / cases, 1e-9, 1 - 1e-9))
    nodes, log_weight = _quadrature()
    spreads = (np.arange(SPREADS) + 0.5) * LARGEST / SPREADS
    # Shape (k, spreads, nodes): log odds and log likelihood of each unit at each.
    shift = spreads[:, None] * nodes[None, :]
    odds = base[:, None, None] + shift
    log = failures[:, None, None] * odds - cases[:, None, None] * np.logaddexp(0, odds) + log_weight
    marginal = special.logsumexp(log, axis=2)
    plausible = marginal.sum(axis=0)
    mass = np.exp(plausible - special.logsumexp(plausible))
    posterior = np.exp(log - marginal[:, :, None]) * mass[None, :, None]
    centre = special.logit(failures.sum() / cases.sum())
    share = special.expit(centre + shift).ravel()
    order = np.argsort(share)
    ordered = share[order]
    tail = (1 - LEVEL) / 2
    found = []
    for unit in posterior:
        weight = unit.ravel()
        running = np.cumsum(weight[order])
        low, high = (float(np.interp(q, running, ordered)) for q in (tail, 1 - tail))
        interval = Interval(low=low, high=high, level=LEVEL, method="normal log odds between units, spread averaged")
        found.append((float(weight @ share), interval))
    return tuple(found)


@cache
def _quadrature() -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    return nodes, np.log(weights / weights.sum())
