"""How far adjusted limits reach at least: draws of few cases, or of cases that hardly differ, do not spread enough.

Takes the limits of a bootstrap and the difference as it is, whose limits know of few cases; gives the wider ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from onsetstudy.adjustment.positivity import worth
from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.results import Interval

FEW_CASES, FEW_OTHERS = 30, 5
"""An arm of fewer cases, or with fewer that differ from its commonest value, is not left to draws (a compromise)."""


def draws_too_narrow(values: ArrayLike, other: NDArray[np.bool_]) -> bool:
    """Whether an arm has too few cases, or too few unlike its commonest value, for draws of it to spread enough.

    Parameters
    ----------
    values : array_like, shape (n,) or (n, k)
        What came of the cases.
    other : ndarray of bool, shape (n,)
    """
    found = np.asarray(values)
    for rows in (~other, other):
        _, many = np.unique(found[rows], axis=0, return_counts=True)
        cases = int(rows.sum())
        if cases < FEW_CASES or cases - int(many.max(initial=0)) < FEW_OTHERS:
            return True
    return False


@dataclass(frozen=True, slots=True)
class LeastReach:
    """How far limits reach at least: by as much as those of the difference as it is, or by ``scale`` times that.

    ``edge`` is the largest difference that there can be.
    """

    scale: float
    edge: float = math.inf

    @classmethod
    def of(cls, other: NDArray[np.bool_], matrix: FloatArray, edge: float = math.inf) -> LeastReach:
        """From what the cases are worth as they are, and among cases alike."""
        whole, alike = worth(other, np.empty((other.size, 0))), worth(other, matrix)
        return cls(scale=math.sqrt(whole / alike), edge=edge)

    def widened(self, value: float, drawn: tuple[float, float], crude: float, limits: Interval) -> tuple[float, float]:
        """Limits of a value, no nearer to it than those of the crude difference are to that."""
        low = min(drawn[0], value - self.scale * (crude - limits.low))
        high = max(drawn[1], value + self.scale * (limits.high - crude))
        return max(-self.edge, low), min(self.edge, high)
