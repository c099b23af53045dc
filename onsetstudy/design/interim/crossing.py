"""Chances that a sum of independent normal increments crosses boundaries, look by look, by numerical integration.

The score ``U`` at information ``V`` is normal with mean ``theta V`` and variance ``V``, with independent increments;
``Z = U / sqrt(V)``. The density of the score among studies that go on is carried from look to look on Gauss-Legendre
nodes (Armitage P, McPherson CK, Rowe BC. Journal of the Royal Statistical Society A 1969;132:235-44; Jennison C,
Turnbull BW. Group Sequential Methods with Applications to Clinical Trials, 2000, chapter 19).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import DesignError

# The density is followed this many standard deviations beyond its mean where a boundary leaves it open.
REACH = 8.5
LEAST_NODES, MOST_NODES = 64, 6000
PANEL = 16
NODE, WEIGHT = np.polynomial.legendre.leggauss(PANEL)
# Nodes for every standard deviation of the step to the next look: Gauss-Legendre is then exact to about 1e-12.
NODES_A_STEP = 6.0
EXACT = 1e-12
"""How closely boundaries are solved for."""
NEWTON_STEPS = 30


@dataclass(frozen=True, slots=True, eq=False)
class Carried:
    """Studies that go on: nodes of the score, their weight times density, and the information at which they stand."""

    score: FloatArray
    mass: FloatArray
    information: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Crossing:
    """Chances of stopping at each look above the upper and below the lower boundary, arrays of shape (k,)."""

    upper: FloatArray
    lower: FloatArray

    @property
    def above(self) -> float:
        """Chance of ever stopping above."""
        return float(self.upper.sum())

    @property
    def below(self) -> float:
        """Chance of ever stopping below."""
        return float(self.lower.sum())


def _nodes(low: float, high: float, count: int) -> tuple[FloatArray, FloatArray]:
    """At least ``count`` Gauss-Legendre nodes and weights between two scores, in panels of equal width."""
    panels = max(4, -(-count // PANEL))
    half = (high - low) / panels / 2
    middle = low + half * (2 * np.arange(panels) + 1)
    return (middle[:, None] + half * NODE).ravel(), np.concatenate([half * WEIGHT] * panels)


def begin(information: float = 0.0, score: float = 0.0) -> Carried:
    """All studies at one score: the beginning, or a study as it stands."""
    return Carried(np.array([score]), np.array([1.0]), information)


def _step(carried: Carried, information: float) -> float:
    step = information - carried.information
    if step <= 0:
        raise DesignError(
            f"information must grow from look to look, from {carried.information:g} not to {information:g}"
        )
    return step


def tail_chances(
    carried: Carried, information: float, *, lower: float, upper: float, drift: float = 0.0
) -> tuple[float, float]:
    """Chances that the next look, at ``information``, lies above ``upper`` and below ``lower`` (on the Z scale)."""
    step = _step(carried, information)
    mean, spread, root = carried.score + drift * step, np.sqrt(step), np.sqrt(information)
    above = special.ndtr((mean - upper * root) / spread)
    below = special.ndtr((lower * root - mean) / spread)
    return float(carried.mass @ above), float(carried.mass @ below)


def carry(
    carried: Carried,
    information: float,
    *,
    lower: float,
    upper: float,
    drift: float = 0.0,
    following: float | None = None,
) -> Carried:
    """Studies that go on after a look between ``lower`` and ``upper`` (Z scale).

    ``following`` is the information of the look after it: the closer that is, the more nodes are needed.
    """
    step = information - carried.information
    root, spread = np.sqrt(information), np.sqrt(step)
    middle, width = float(carried.mass @ carried.score / max(carried.mass.sum(), 1e-300)) + drift * step, REACH * root
    low = max(lower * root, middle - width)
    high = min(upper * root, middle + width)
    if not high > low:
        return Carried(np.array([middle]), np.array([0.0]), information)
    finest = spread if following is None else min(spread, np.sqrt(max(following - information, 1e-12)))
    count = int(min(max(NODES_A_STEP * (high - low) / finest, LEAST_NODES), MOST_NODES))
    score, weight = _nodes(low, high, count)
    apart = (score / spread)[:, None] - ((carried.score + drift * step) / spread)[None, :]
    apart *= apart
    density = np.exp(-0.5 * apart) @ carried.mass / (spread * np.sqrt(2 * np.pi))
    return Carried(score, weight * density, information)


def crossing_chances(
    information: ArrayLike, lower: ArrayLike, upper: ArrayLike, *, drift: float = 0.0, start: Carried | None = None
) -> Crossing:
    """Chances of stopping at each look.

    Parameters
    ----------
    information : sequence of float, k looks
        Growing, above 0 (above that of ``start``).
    lower, upper : sequence of float
        Boundaries on the Z scale; ``-inf`` and ``inf`` where there is none.
    drift : float
        Mean of the score for each unit of information.
    start : Carried or None
        Where the study stands; by default at its beginning.

    Raises
    ------
    DesignError
        If the information does not grow.
    """
    steps, floor, top = (np.asarray(v, dtype=np.float64) for v in (information, lower, upper))
    carried = start or begin()
    above, below = np.zeros(steps.size), np.zeros(steps.size)
    for k in range(steps.size):
        level, low, high = float(steps[k]), float(floor[k]), float(top[k])
        above[k], below[k] = tail_chances(carried, level, lower=low, upper=high, drift=drift)
        if k + 1 < steps.size:
            carried = carry(carried, level, lower=low, upper=high, drift=drift, following=float(steps[k + 1]))
    return Crossing(upper=above, lower=below)


def solve_upper(carried: Carried, information: float, chance: float, *, drift: float = 0.0) -> float:
    """Upper boundary (Z scale) that the next look passes with a chance; ``inf`` where the chance is none."""
    if chance <= 0:
        return float("inf")
    if chance >= float(carried.mass.sum()):
        return float("-inf")
    step = _step(carried, information)
    mean, spread, root = carried.score + drift * step, np.sqrt(step), np.sqrt(information)
    # The chance of a normal score with the same mean and variance is near; from there the logarithm is concave in the
    # boundary, so that Newton's steps lead to it.
    total = float(carried.mass.sum())
    middle = float(carried.mass @ mean) / total
    width = np.sqrt(float(carried.mass @ (mean - middle) ** 2) / total + step)
    upper = float(middle - width * special.ndtri(chance / total)) / root
    for _ in range(NEWTON_STEPS):
        apart = (mean - upper * root) / spread
        found, density = carried.mass @ special.ndtr(apart), carried.mass @ np.exp(-0.5 * apart**2)
        if not (found > 0 and density > 0):
            break
        move = float(np.log(found / chance) * found / density * np.sqrt(2 * np.pi) * spread / root)
        upper += move
        if abs(move) <= EXACT * max(1.0, abs(upper)):
            return float(upper)
    return _search_upper(carried, information, chance, drift)


def _search_upper(carried: Carried, information: float, chance: float, drift: float) -> float:
    """The same between bounds, where the chance is so small that steps lead nowhere."""
    # Z scores between which every chance that a double holds is to be found.
    root, step = np.sqrt(information), information - carried.information
    mean, reach = carried.score + drift * step, 39 * np.sqrt(step)
    low, high = float(mean.min() / root - reach / root), float(mean.max() / root + reach / root)

    def excess(upper: float) -> float:
        found = tail_chances(carried, information, lower=-np.inf, upper=upper, drift=drift)[0]
        return float(np.log(max(found, 1e-300)) - np.log(chance))

    return float(optimize.brentq(excess, low, high, xtol=EXACT, rtol=EXACT))


def solve_lower(carried: Carried, information: float, chance: float, *, drift: float = 0.0) -> float:
    """Lower boundary (Z scale) that the next look falls below with a chance; ``-inf`` where the chance is none."""
    turned = Carried(-carried.score, carried.mass, carried.information)
    return -solve_upper(turned, information, chance, drift=-drift)
