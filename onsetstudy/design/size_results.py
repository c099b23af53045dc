"""Results about the size of a study."""

from __future__ import annotations

import math

import pandas as pd

from onsetstudy.core.results import Assumption, Caution
from onsetstudy.core.serialise import result_kind


@result_kind("onset_expectation")
class OnsetExpectation:
    """What is expected of onset.

    Weibull with ``median_min`` and ``shape`` among teeth of the reference arm that become numb; ``never_reference`` and
    ``never_other`` are the shares that never do; ``tau_min`` is when testing ends.
    """

    median_min: float
    shape: float = 1.5
    never_reference: float = 0.0
    never_other: float = 0.0
    tau_min: float = 15.0

    def numb_by(self, minute: float, hazard_ratio: float) -> tuple[float, float]:
        """Proportions of the teeth of the reference arm and of the other that are numb by a minute."""
        hazard = math.log(2) * (minute / self.median_min) ** self.shape
        arms = ((self.never_reference, 1.0), (self.never_other, hazard_ratio))
        reference, other = ((1 - never) * -math.expm1(-ratio * hazard) for never, ratio in arms)
        return reference, other


@result_kind("sample_size")
class SampleSize:
    """Size, effect, power and error rate that belong together; ``solved`` says which of them was asked for.

    ``test`` names the test that ``power`` is of. ``cases`` is per arm, reference first (pairs for paired
    designs: one entry), after losses and clusters, rounded up;
    ``unrounded`` is the total that the formula gives before losses and clusters. ``events`` is of tests that count
    onsets. ``power`` is that of the formula at the unrounded size if it was given, else the solved one.
    """

    quantity: str
    test: str
    solved: str
    effect: float
    effect_text: str
    cases: tuple[int, ...]
    unrounded: float
    events: float | None
    power: float
    alpha: float
    sided: int
    ratio: tuple[float, float]
    lost_share: float
    design_effect: float
    method: str
    source: str
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()

    @property
    def total(self) -> int:
        """Cases in all arms (pairs in paired designs)."""
        return sum(self.cases)

    @property
    def analysed(self) -> int:
        """Cases (pairs) to analyse: whole ones, before losses and clusters."""
        return math.ceil(self.unrounded)


@result_kind("size_table")
class SizeTable:
    """Sizes over a grid of effects and powers, never one number alone; row by row of the effects."""

    effects: tuple[float, ...]
    powers: tuple[float, ...]
    sizes: tuple[SampleSize, ...]

    def to_frame(self) -> pd.DataFrame:
        """Totals, one row per effect and one column per power."""
        totals = [s.total for s in self.sizes]
        rows = [totals[k * len(self.powers) : (k + 1) * len(self.powers)] for k in range(len(self.effects))]
        return pd.DataFrame(rows, index=pd.Index(self.effects, name="effect"), columns=list(self.powers))


@result_kind("pace")
class Pace:
    """Quarters until enough cases are in: the middle, and the limits of the likely range at ``level``."""

    needed: int
    included_per_month: float
    quarters: int
    low: int
    high: int
    level: float
    months: float
    assumptions: str
