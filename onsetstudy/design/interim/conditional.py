"""Given what was seen so far: how likely is it that the study will show a difference in the end."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.errors import DesignError
from onsetstudy.design.interim.crossing import begin, crossing_chances

NODES = 41


def conditional_power(
    z: float, information: float, following: ArrayLike, lower: ArrayLike, upper: ArrayLike, *, drift: float
) -> float:
    """Chance that a later look passes the upper boundary before it falls below the lower one.

    Parameters
    ----------
    z : float
        At ``information``.
    following : array_like of float, shape (m,)
        Information of the looks to come.
    lower, upper : array_like of float, shape (m,)
        Their boundaries, Z scale.
    drift : float
        Mean of the score for each unit of information from now on.
    """
    steps = np.asarray(following, dtype=np.float64)
    if not steps.size or steps[0] <= information:
        raise DesignError("conditional power asks for a later look with more information")
    start = begin(information, z * float(np.sqrt(information)))
    return crossing_chances(steps, lower, upper, drift=drift, start=start).above


def predictive_power(z: float, information: float, following: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> float:
    """Conditional power averaged over what the score so far leaves likely of the drift (flat prior).

    References
    ----------
    .. [1] Spiegelhalter DJ, Freedman LS, Blackburn PR. Controlled Clinical Trials 1986;7:8-17 (from memory).
    """
    node, weight = np.polynomial.hermite_e.hermegauss(NODES)
    drifts = z * np.sqrt(information) / information + node / np.sqrt(information)
    powers = [conditional_power(z, information, following, lower, upper, drift=float(d)) for d in drifts]
    return float(np.average(powers, weights=weight))
