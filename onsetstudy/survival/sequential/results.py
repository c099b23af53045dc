"""Results that hold whenever one looks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.intervals import frozen_array
from onsetstudy.core.results import Assumption, Caution, Counts
from onsetstudy.core.serialise import result_kind

__all__ = ["AnytimeTest", "ConfidenceSequence"]


@result_kind("anytime_test", eq=False)
class AnytimeTest:
    """Evidence against "the arm makes no difference", case by case.

    ``path`` is the e-value after each case, shape (n,): if there is no difference it passes ``1 / alpha`` ever, at any
    time, with a chance of at most ``alpha``. ``p_value`` is one over the highest value so far (at most 1).
    """

    path: NDArray[np.float64]
    e_value: float
    highest: float
    p_value: float
    contrast: str
    ratios: tuple[float, ...]
    leaning: float
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "path", frozen_array(self.path))

    def crossed_at(self, alpha: float) -> int | None:
        """First case (from 1) after which the e-value had passed ``1 / alpha``; ``None`` if it never has."""
        over = np.flatnonzero(self.path >= 1 / alpha)
        return int(over[0]) + 1 if over.size else None


@result_kind("confidence_sequence", eq=False)
class ConfidenceSequence:
    """Limits of a difference after each case, shapes (n,): they hold at all cases at once with chance ``level``."""

    low: NDArray[np.float64]
    high: NDArray[np.float64]
    level: float
    contrast: str
    quantity: str
    unit: str
    undecided: int
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "low", frozen_array(self.low))
        object.__setattr__(self, "high", frozen_array(self.high))
