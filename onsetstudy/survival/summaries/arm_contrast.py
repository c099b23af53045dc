"""Estimates of one quantity in all arms, put together: what they share is said once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.results import Assumption, Caution, Estimate, Interval
from onsetstudy.inference.proportions import Limits
from onsetstudy.survival.results import ArmContrast, Bounds
from onsetstudy.survival.summaries.standardisation import ArmedCases

__all__ = ["Compared"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What the numbers of one comparison have in common.

    Parameters
    ----------
    cases : ArmedCases
    events : ndarray of bool, shape (n,)
        Cases that count as seen.
    unit : str
        Of the arms and their differences; a quantity whose name ends with ``ratio`` has the unit ``ratio``.
    cautions : mapping of arm to tuple of Caution
        Stand beside every number that the arm is in.
    """

    cases: ArmedCases
    events: NDArray[np.bool_]
    unit: str
    method: str
    conf_level: float
    assumptions: tuple[Assumption, ...]
    cautions: Mapping[str, tuple[Caution, ...]]
    source: str

    def _beside(self, arms: Sequence[str]) -> tuple[Caution, ...]:
        return (*self.cases.caution, *(c for arm in arms for c in self.cautions[arm]))

    def estimate(
        self, quantity: str, contrast: str, value: float, limits: Limits, how: str, error: float | None, *arms: str
    ) -> Estimate:
        """A number of one arm or of a contrast of arms; ``how`` says how its limits were found."""
        return Estimate(
            quantity=quantity,
            contrast=contrast,
            estimate=value,
            std_error=error,
            interval=Interval(low=limits[0], high=limits[1], level=self.conf_level, method=how),
            unit="ratio" if quantity.endswith("ratio") else self.unit,
            method=self.method,
            n=self.cases.counts(self.events, *arms),
            assumptions=self.assumptions,
            caution=self._beside(arms),
            source=self.source,
        )

    def together(
        self,
        arms: Sequence[Estimate],
        differences: Sequence[Estimate],
        ratio: Estimate | None,
        bounds: Sequence[Bounds] = (),
    ) -> ArmContrast:
        """All of them, in the order of the arms."""
        return ArmContrast(
            arms=tuple(arms),
            difference=differences[0],
            more=tuple(differences[1:]),
            ratio=ratio,
            method=self.method,
            n=self.cases.counts(self.events),
            bounds=tuple(bounds),
            assumptions=self.assumptions,
            caution=self._beside(self.cases.arms),
            source=self.source,
        )
