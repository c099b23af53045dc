"""Results of pooling."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pandas as pd

from onsetstudy.core.results import (
    Assumption,
    Caution,
    Counts,
    Estimate,
    EstimateLike,
    HypothesisTest,
    Interval,
    NotAvailable,
)
from onsetstudy.core.serialise import result_kind
from onsetstudy.inference.parameter import CUT

SMALL = 20
"""Cases from which on a unit of a funnel is spoken of without a caution."""


@result_kind("heterogeneity")
class Heterogeneity:
    """How much practices differ beyond chance, on the scale on which they were pooled (log for ratios).

    ``tau2`` is the variance between practices, by ``method``; its interval is that of the Q-profile. ``i2`` is the
    share of the whole variance that it makes up, 0 to 1. ``q`` is Cochran's, with ``df`` degrees of freedom.
    """

    tau2: float
    tau2_interval: Interval
    i2: float
    i2_interval: Interval
    q: float
    df: int
    p_value: float
    method: str


@result_kind("pool_member")
class Member:
    """One practice in a pooled estimate: its own result and its share of the weight (0 where it could not count)."""

    label: str
    result: EstimateLike
    weight: float


@result_kind("pool_step")
class Step:
    """The pooled estimate without one practice, or up to one quarter, named by ``label``."""

    label: str
    result: EstimateLike
    tau2: float | None = None


@result_kind("pooled")
class Pooled:
    """Practices' estimates of one quantity, pooled in two stages.

    ``average`` is of practices like these (random effects), ``common`` takes one true value for all. ``prediction`` is
    where the true value of a further practice would lie, with its degrees of freedom in its method line; ``None`` for
    fewer than three, and where everything that there can be lies in it.
    """

    quantity: str
    contrast: str | None
    unit: str
    average: EstimateLike
    common: EstimateLike
    members: tuple[Member, ...]
    n: Counts
    heterogeneity: Heterogeneity | None = None
    prediction: Interval | None = None
    without: tuple[Step, ...] = ()
    method: str = ""
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()

    @property
    def cut(self) -> str:
        """How limits of the average, the common effect or a further practice were cut, in words; empty if not."""
        spans = [e.interval for e in (self.average, self.common) if isinstance(e, Estimate)]
        spans += [] if self.prediction is None else [self.prediction]
        return CUT if any(span.method.endswith(CUT) for span in spans) else ""

    def to_frame(self) -> pd.DataFrame:
        """Average, common and every practice, with the estimate columns."""
        return pd.concat(
            [r.to_frame().astype(object) for r in (self.average, self.common, *(m.result for m in self.members))],
            ignore_index=True,
        )


@result_kind("common_odds")
class CommonOdds:
    """One odds ratio and one difference for all practices, each compared within itself.

    ``tables`` counts those that tell something: both arms, and both outcomes.
    """

    odds_ratio: EstimateLike
    difference: EstimateLike
    homogeneity: HypothesisTest | None
    tables: int


@result_kind("subgroups")
class Subgroups:
    """The hazard ratio by the levels of a grouping, and the test of whether it is the same in all."""

    grouping: str
    levels: tuple[Member, ...]
    test: HypothesisTest | NotAvailable


@result_kind("funnel_point")
class FunnelPoint:
    """Failures of one unit against what its mix of cases would give in the whole group.

    ``adjusted`` is the group's share times observed over expected. The limits are those for as many cases; ``shrunken``
    with its interval is what is plausible of the unit itself. ``flag`` is ``"outside"`` the outer limits, ``"look"``
    outside the inner ones, or empty; a point drawn beyond limits that chance alone reaches more often has none.
    """

    label: str
    cases: int
    failures: int
    expected: float
    adjusted: float
    inner: Interval
    outer: Interval
    shrunken: float
    shrunken_interval: Interval
    flag: str


def small_numbers(points: Sequence[FunnelPoint], name: Callable[[str], str] = str) -> str:
    """Which units of a funnel have few cases, under the names that a reader knows; empty for none."""
    small = [name(p.label) for p in points if p.cases < SMALL]
    return f"{', '.join(small)}: fewer than {SMALL} cases, from which little can be said." if small else ""


@result_kind("funnel")
class Funnel:
    """All units in the order of their labels; never ranked.

    ``dispersion`` multiplies the variance of the limits where units differ more than chance allows. ``edges`` are the
    limits by number of cases: ``(cases, inner low, inner high, outer low, outer high)``.
    """

    quantity: str
    centre: float
    points: tuple[FunnelPoint, ...]
    dispersion: float
    dispersed: bool
    method: str
    edges: tuple[tuple[int, float, float, float, float], ...] = ()
    caution: tuple[Caution, ...] = ()
