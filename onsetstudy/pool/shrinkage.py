"""What is plausible of a unit's share of failures, given its own few cases and how the others are spread.

References
----------
.. [1] Gelman A. Prior distributions for variance parameters in hierarchical models. Bayesian Anal 2006;1:515-34 (from
   memory).
.. [2] Pinheiro JC, Bates DM. Approximations to the log-likelihood function in the nonlinear mixed-effects model.
   J Comput Graph Stat 1995;4:12-35 (nodes around the peak).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import special

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.results import Interval

SPREADS, LARGEST = 40, 2.0
REACH, STEP, COARSE = 6.5, 1 / 16, 1 / 2
"""How far nodes stand from the peak at most, and from each other, in widths of the peak."""
HALVINGS = 48
NEGLIGIBLE = 1e-6
MIDDLES, WIDER, CENTRING = 13, 1.2, 12
"""Middles at each spread, how much wider than a normal curve they stand, and steps to where they stand around."""
LEVEL = 0.95
Grid = tuple[FloatArray, FloatArray, FloatArray]
METHOD = "normal log odds between units, their middle and spread averaged"


def shrink_to_expected(failures: IntArray, cases: IntArray, expected: FloatArray) -> tuple[tuple[float, Interval], ...]:
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
    A unit's failures are binomial with log odds ``logit(expected / cases) + m + s u``, ``u`` standard normal. The
    spread ``s`` is averaged over what the counts leave plausible of it, evenly spread beforehand from 0 to 2 [1]_, and
    so is the middle ``m`` of the units, evenly spread beforehand: what is expected comes from the same few units, and
    limits that took it for known would hold nine in ten where they promise nineteen in twenty. ``u`` is integrated over
    equally spaced nodes around its own peak, for each unit, spread and middle [2]_: thousands of cases leave little
    doubt about it, and nodes that do not move would step over the peak. Unlike those of Gauss and Hermite, equal steps
    give shares of the mass below a point as well.
    """
    base = special.logit(np.clip(expected / cases, 1e-9, 1 - 1e-9))
    # Every spread with every middle that it leaves plausible, in one row; few of them are left with mass that counts.
    # Of a smooth peak, steps of half its width give the integral to all digits.
    grid = _grid(failures, cases, base)
    likely = _at_nodes(failures, cases, base, grid, COARSE).mass > NEGLIGIBLE
    spread, middle, log_weight = (part[likely] for part in grid)
    at = _at_nodes(failures, cases, base, (spread, middle, log_weight), STEP)
    weight = np.exp(at.log - at.inside[:, :, None])
    centre = float(special.logit(failures.sum() / cases.sum()))
    mean = np.sum(weight * special.expit(centre + middle[:, None] + spread[:, None] * at.node), axis=2) @ at.mass
    running = np.cumsum(weight, axis=2) - weight / 2
    ends = (_quantile(q, spread, middle, at, running) for q in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    low, high = (special.expit(centre + end) for end in ends)
    return tuple(
        (share, Interval(low=a, high=b, level=LEVEL, method=METHOD))
        for share, a, b in zip(mean.tolist(), low.tolist(), high.tolist(), strict=True)
    )


class _Nodes(NamedTuple):
    """Effects of the units at nodes around their peaks.

    ``peak`` and ``width`` of the peaks, shape (k, grid); ``node``, the effects, and ``log``, the log likelihood there
    with the density of the effect, shape (k, grid, nodes); ``inside``, the logarithm of its sum over the nodes;
    ``mass`` of each point of the grid.
    """

    peak: FloatArray
    width: FloatArray
    node: FloatArray
    log: FloatArray
    inside: FloatArray
    mass: FloatArray


def _at_nodes(failures: IntArray, cases: IntArray, base: FloatArray, grid: Grid, step: float) -> _Nodes:
    spread, middle, log_weight = grid
    peak, width = _peaks(failures, cases, base[:, None] + middle, spread)
    reach = round(REACH / step)
    node = peak[:, :, None] + width[:, :, None] * np.arange(-reach, reach + 1) * step
    odds = (base[:, None] + middle)[:, :, None] + spread[:, None] * node
    log = failures[:, None, None] * odds - cases[:, None, None] * np.logaddexp(0, odds) - node**2 / 2
    inside = special.logsumexp(log, axis=2)
    told = (inside + np.log(width)).sum(axis=0) + log_weight
    return _Nodes(peak, width, node, log, inside, np.exp(told - special.logsumexp(told)))


def _grid(failures: IntArray, cases: IntArray, base: FloatArray) -> Grid:
    """Spreads, middles and the logarithms of their weights: nodes of Gauss and Hermite around each spread's middle."""
    spread = (np.arange(SPREADS) + 0.5) * LARGEST / SPREADS
    x, n = failures[:, None].astype(np.float64), cases[:, None].astype(np.float64)
    centre = np.zeros(SPREADS)
    for _ in range(CENTRING):
        p = special.expit(base[:, None] + centre)
        told = np.maximum(n * p * (1 - p), 1e-12)
        known = told / (1 + spread**2 * told)
        centre = centre + np.clip((known * (x - n * p) / told).sum(axis=0) / known.sum(axis=0), -1.0, 1.0)
    scale = WIDER / np.sqrt(known.sum(axis=0))
    node, weight = np.polynomial.hermite_e.hermegauss(MIDDLES)
    middle = centre[:, None] + scale[:, None] * node
    log_weight = np.log(scale)[:, None] + np.log(weight) + node**2 / 2
    return np.repeat(spread, MIDDLES), middle.ravel(), log_weight.ravel()


def _peaks(failures: IntArray, cases: IntArray, base: FloatArray, spread: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Most likely effect of each unit at each spread and middle, and the width of its peak; shape (k, grid)."""
    x, n = failures[:, None].astype(np.float64), cases[:, None].astype(np.float64)
    # The slope s (x - n p) - u falls with u and is nought within these ends, so halving cannot miss the peak.
    low, high = spread * (x - n), spread * x
    for _ in range(HALVINGS):
        u = (low + high) / 2
        rising = spread * (x - n * special.expit(base + spread * u)) > u
        low, high = np.where(rising, u, low), np.where(rising, high, u)
    u = (low + high) / 2
    p = special.expit(base + spread * u)
    return u, 1.0 / np.sqrt(1.0 + spread**2 * n * p * (1 - p))


def _quantile(share: float, spread: FloatArray, middle: FloatArray, nodes: _Nodes, running: FloatArray) -> FloatArray:
    """Log odds ratio to the group below which ``share`` of what is plausible lies; one per unit.

    ``running`` is the mass below each node, shape (k, grid, nodes), straight between nodes.
    """
    last, peak, width = running.shape[2] - 1, nodes.peak, nodes.width

    def below(shift: FloatArray) -> FloatArray:
        place = np.clip(((shift[:, None] - middle) / spread - peak) / (width * STEP) + last / 2, 0, last)
        left = np.minimum(place.astype(np.intp), last - 1)
        low, high = (np.take_along_axis(running, i[:, :, None], axis=2)[:, :, 0] for i in (left, left + 1))
        return np.asarray((low + (place - left) * (high - low)) @ nodes.mass, dtype=np.float64)

    low = (middle + spread * (peak - REACH * width)).min(axis=1)
    high = (middle + spread * (peak + REACH * width)).max(axis=1)
    for _ in range(HALVINGS):
        shift = (low + high) / 2
        under = below(shift) < share
        low, high = np.where(under, shift, low), np.where(under, high, shift)
    return np.asarray((low + high) / 2, dtype=np.float64)
