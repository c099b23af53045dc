"""Estimates that know that the study might have stopped before: median-unbiased ones."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize

from onsetstudy.core.errors import DesignError
from onsetstudy.core.results import Interval
from onsetstudy.design.interim.crossing import crossing_chances
from onsetstudy.design.interim.results import StoppedEstimate

ORDER = "stage-wise order of outcomes"


def stagewise_p(z: float, information: ArrayLike, lower: ArrayLike, upper: ArrayLike, *, drift: float = 0.0) -> float:
    """Chance of an outcome at least as far up: above at an earlier look, or at this one at or beyond ``z``.

    Parameters
    ----------
    z : float
        At the last of the looks.
    information, lower, upper : array_like of float, shape (k,)
        All looks up to the one at which the study stopped.
    drift : float
    """
    steps, low, high = (np.array(v, dtype=np.float64) for v in (information, lower, upper))
    high[-1], low[-1] = z, -np.inf
    return crossing_chances(steps, low, high, drift=drift).above


def estimate_after_stopping(
    z: float, information: ArrayLike, lower: ArrayLike, upper: ArrayLike, *, level: float = 0.95, sided: int = 2
) -> StoppedEstimate:
    """Median-unbiased estimate, interval and p-value by the stage-wise order.

    Parameters
    ----------
    z : float
        At the look at which the study stopped, or at its last look.
    information, lower, upper : array_like of float, shape (k,)
        All looks up to that one; boundaries on the Z scale as they were applied.
    level : float
    sided : int
        Sides of the test: of one side, P is that of an outcome at least as far up.

    Raises
    ------
    DesignError
        If the score is not finite.

    References
    ----------
    .. [1] Tsiatis AA, Rosner GL, Mehta CR. Exact confidence intervals following a group sequential test. Biometrics
       1984;40:797-803.
    """
    if not math.isfinite(z):
        raise DesignError("the score at the last look is not a number")
    steps = np.asarray(information, dtype=np.float64)
    plain = z / float(np.sqrt(steps[-1]))

    def solve(chance: float) -> float:
        def excess(drift: float) -> float:
            return stagewise_p(z, steps, lower, upper, drift=drift) - chance

        reach = 1.0 / float(np.sqrt(steps[0]))
        low, high = plain, plain
        while excess(low) > 0:
            low -= reach
        while excess(high) < 0:
            high += reach
        return float(optimize.brentq(excess, low, high, xtol=1e-10))

    tail = (1 - level) / 2
    upward = stagewise_p(z, steps, lower, upper)
    return StoppedEstimate(
        estimate=solve(0.5),
        interval=Interval(low=solve(tail), high=solve(1 - tail), level=level, method=ORDER),
        p_value=upward if sided == 1 else min(1.0, 2 * min(upward, 1 - upward)),
        plain=plain,
        method=f"median-unbiased estimate, {ORDER}",
        source="Tsiatis, Rosner & Mehta 1984, Biometrics 40:797-803",
    )
