"""How many of the tests off schedule would be the first without feeling, and how odd more of them are."""

from __future__ import annotations

import math

import numpy as np

from onsetstudy.core.arrays import BoolArray, FloatArray

__all__ = ["expected_onsets", "poisson_tail"]

ROUNDS = 60


def expected_onsets(before: FloatArray, at: FloatArray, numb: BoolArray, planned: FloatArray) -> FloatArray:
    """Probability of each test to be the first without feeling, under one hazard in steps on the planned grid.

    Fitted by expectation and maximisation: an onset between two tests is shared out over the steps as the hazard of
    the last round has it. The rounds are many enough for a threshold, not for a likelihood.
    """
    edges = np.concatenate([[0.0], planned, [max(float(at.max()), float(planned[-1])) + 1.0]])
    inside = np.clip(np.minimum(at[:, None], edges[1:]) - np.maximum(before[:, None], edges[:-1]), 0.0, None)
    rate = np.full(edges.size - 1, max(1, numb.sum()) / max(inside.sum(), 1e-9))
    for _ in range(ROUNDS):
        mass = inside * rate
        total = mass.sum(axis=1, keepdims=True)
        chance = -np.expm1(-total)
        share = np.divide(mass, total, out=np.zeros_like(mass), where=total > 0)
        # Within a positive gap the time lived before onset is, on average, this part of it.
        lived = np.where(numb[:, None], chance / np.maximum(total, 1e-12) - (1 - chance), 1.0)
        lived = np.where(numb[:, None], lived / np.maximum(chance, 1e-12), lived)
        exposure = (inside * np.clip(lived, 0.0, 1.0)).sum(axis=0)
        onsets = (share * numb[:, None]).sum(axis=0)
        rate = np.divide(onsets, exposure, out=np.zeros_like(rate), where=exposure > 0)
    found: FloatArray = -np.expm1(-(inside * rate).sum(axis=1))
    return found


def poisson_tail(count: int, mean: float) -> float:
    """Probability of so many or more, summed from the count upwards so that small ones stay exact."""
    if count == 0:
        return 1.0
    if mean <= 0:
        return 0.0
    term = math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))
    total, k = 0.0, count
    while term > 0 and (k <= mean or term > total * 1e-16):
        total += term
        k += 1
        term *= mean / k
    return min(1.0, total)
