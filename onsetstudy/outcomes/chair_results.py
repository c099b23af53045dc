"""Results about time at the chair and what it costs."""

from __future__ import annotations

from onsetstudy.core.results import Assumption, Caution, Counts, EstimateLike
from onsetstudy.core.serialise import result_kind
from onsetstudy.inference.tabled import Tabled


@result_kind("waits_seen")
class WaitsSeen:
    """How the waits of one arm are known: seen whole, at least so long, or not at all; mixing recorded or charged."""

    arm: str
    cases: int
    whole: int
    at_least: int
    unknown: int
    mixing_charged: int


@result_kind("stage")
class Stage:
    """Median minutes of one stage of the visit in one arm over the cases that recorded it."""

    arm: str
    stage: str
    median_min: float
    cases: int


EARLIER = {"saved": "difference", "saved_before_mixing": "difference_before_mixing", "whole_visit": "visit_difference"}


@result_kind("chair_time", earlier=EARLIER)
class ChairTime(Tabled):
    """Minutes waited and mixed by arm, minutes saved per case, and what that comes to in a month and a year.

    Per-arm tuples have the reference arm first. ``difference`` is other arm minus reference arm, mixing included:
    negative is time given back. ``hours_month`` and ``hours_year`` are of the stated caseload.
    """

    waits: tuple[WaitsSeen, ...]
    spent: tuple[EstimateLike, ...]
    mixing: EstimateLike
    difference_before_mixing: EstimateLike
    difference: EstimateLike
    wait_used: tuple[EstimateLike, ...]
    visit_difference: EstimateLike
    hours_month: EstimateLike
    hours_year: EstimateLike
    cost_per_minute: EstimateLike
    net_value: EstimateLike
    break_even_min: float | None
    cases_per_month: float
    currency: str
    stages: tuple[Stage, ...]
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
