"""What is plausible of a unit's share of failures, given its own few cases and how the others are spread.

References
----------
.. [1] Gelman A. Prior distributions for variance parameters in hierarchical models. Bayesian Anal 2006;1:515-34 (from
   memory).
.. [2] Pinheiro JC, Bates DM. Approximations to the log-likelihood function in the nonlinear mixed-effects model.
   J Comput Graph Stat 1995;4:12-35 (nodes around the peak).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.results import Interval

__all__ = ["shrink_to_expected"]

SPREADS, LARGEST = 40, 2.0
REACH, STEP = 8.0, 1 / 16
"""How far nodes stand from the peak at most, and from each other, in widths of the peak."""
HALVINGS = 48
LEVEL = 0.95
METHOD = "normal log odds between units, spread averaged"


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
    ``s`` is averaged over what the counts leave plausible of it, evenly spread beforehand from 0 to 2 [1]_, so that
    the limits hold that uncertainty too. ``u`` is integrated over equally spaced nodes around its own peak, for each
    unit and spread [2]_: thousands of cases leave little doubt about it, and nodes that do not move would step over
    the peak. Unlike those of Gauss and Hermite, equal steps give shares of the mass below a point as well.
    """
    base = special.logit(np.clip(expected / cases, 1e-9, 1 - 1e-9))
    spread = (np.arange(SPREADS) + 0.5) * LARGEST / SPREADS
    middle, width = _peaks(failures, cases, base, spread)
    step = np.arange(-round(REACH / STEP), round(REACH / STEP) + 1) * STEP
    # Shape (k, spreads, nodes): log likelihood of each unit at each, with the density of its effect.
    node = middle[:, :, None] + width[:, :, None] * step
    odds = base[:, None, None] + spread[:, None] * node
    log = failures[:, None, None] * odds - cases[:, None, None] * np.logaddexp(0, odds) - node**2 / 2
    inside = special.logsumexp(log, axis=2)
    plausible = (inside + np.log(width)).sum(axis=0)
    mass = np.exp(plausible - special.logsumexp(plausible))
    weight = np.exp(log - inside[:, :, None])
    centre = float(special.logit(failures.sum() / cases.sum()))
    mean = np.sum(weight * special.expit(centre + spread[:, None] * node), axis=2) @ mass
    below = _Below(spread, mass, middle, width, np.cumsum(weight, axis=2) - weight / 2)
    low, high = (special.expit(centre + below.quantile(q)) for q in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    return tuple(
        (share, Interval(low=a, high=b, level=LEVEL, method=METHOD))
        for share, a, b in zip(mean.tolist(), low.tolist(), high.tolist(), strict=True)
    )


def _peaks(
    failures: NDArray[np.int64], cases: NDArray[np.int64], base: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Most likely effect of each unit at each spread, and the width of its peak; shape (k, spreads)."""
    x, n = failures[:, None].astype(np.float64), cases[:, None].astype(np.float64)
    # The slope s (x - n p) - u falls with u and is nought within these ends, so halving cannot miss the peak.
    low, high = spread * (x - n), spread * x
    for _ in range(HALVINGS):
        u = (low + high) / 2
        rising = spread * (x - n * special.expit(base[:, None] + spread * u)) > u
        low, high = np.where(rising, u, low), np.where(rising, high, u)
    u = (low + high) / 2
    p = special.expit(base[:, None] + spread * u)
    return u, 1.0 / np.sqrt(1.0 + spread**2 * n * p * (1 - p))


@dataclass(frozen=True, slots=True, eq=False)
class _Below:
    """Mass below each node, shape (k, spreads, nodes), of what is plausible of the units' log odds."""

    spread: FloatArray
    mass: FloatArray
    middle: FloatArray
    width: FloatArray
    running: FloatArray

    def at(self, shift: FloatArray) -> FloatArray:
        """Mass below ``shift``, one log odds ratio to the group for each unit; straight between nodes."""
        last = self.running.shape[2] - 1
        place = np.clip((shift[:, None] / self.spread - self.middle) / (self.width * STEP) + last / 2, 0, last)
        left = np.minimum(place.astype(np.intp), last - 1)
        low, high = (np.take_along_axis(self.running, i[:, :, None], axis=2)[:, :, 0] for i in (left, left + 1))
        return np.asarray((low + (place - left) * (high - low)) @ self.mass, dtype=np.float64)

    def quantile(self, share: float) -> FloatArray:
        """Log odds ratio to the group below which ``share`` of the mass lies; one per unit."""
        low = (self.spread * (self.middle - REACH * self.width)).min(axis=1)
        high = (self.spread * (self.middle + REACH * self.width)).max(axis=1)
        for _ in range(HALVINGS):
            shift = (low + high) / 2
            under = self.at(shift) < share
            low, high = np.where(under, shift, low), np.where(under, high, shift)
        return np.asarray((low + high) / 2, dtype=np.float64)
