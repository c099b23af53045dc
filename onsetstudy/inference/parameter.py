"""What is estimated, said once: a verb says what it asks, and gets the estimate or its absence in the same words."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NotRequired, TypedDict, Unpack

from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, Interval, NotAvailable

CUT = "cut at what is possible"


class Told(TypedDict):
    """What all results of one fit say of it: how it was made, from which cases, on what it rests, and by whom."""

    method: str
    n: Counts
    assumptions: NotRequired[tuple[Assumption, ...]]
    source: NotRequired[str]


class Beside(TypedDict, total=False):
    """What an estimate may have beside its value and limits."""

    std_error: float | None
    p_value: float | None
    assumptions: tuple[Assumption, ...]
    caution: tuple[Caution, ...]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """A quantity of a contrast (or an arm), its unit, the cases that it is estimated from, and the level of its limits.

    What an estimate and the result that stands in its place have in common.
    """

    quantity: str
    contrast: str | None
    unit: str
    n: Counts
    conf_level: float = 0.95

    def estimate(
        self, value: float, limits: tuple[float, float], *, by: str, method: str, **beside: Unpack[Beside]
    ) -> Estimate:
        """The estimate; ``by`` says how its limits were found, ``method`` how it was itself."""
        low, high = limits
        return Estimate(
            quantity=self.quantity,
            contrast=self.contrast,
            estimate=value,
            interval=Interval(low=float(low), high=float(high), level=self.conf_level, method=by),
            unit=self.unit,
            method=method,
            n=self.n,
            **beside,
        )

    def absent(self, reason: str, *, code: str, method: str, bound: Interval | None = None) -> NotAvailable:
        """What stands in the place of an estimate (or a test), with the reason and the one-sided bound, if any."""
        return NotAvailable(
            quantity=self.quantity,
            contrast=self.contrast,
            code=code,
            reason=reason,
            unit=self.unit,
            method=method,
            n=self.n,
            bound=bound,
        )


def cut_at_possible(span: Interval, most: float | None) -> Interval:
    """An interval of a difference, cut at the largest that there can be; as it is where nothing bounds it."""
    if most is None or not math.isfinite(span.low + span.high) or (span.low >= -most and span.high <= most):
        return span
    return replace(span, low=max(span.low, -most), high=min(span.high, most), method=f"{span.method}, {CUT}")
