"""The mixing drill: whoever mixes practises with water and expired cartridges, by volume and against the clock."""

from __future__ import annotations

import statistics
from collections.abc import Iterable
from dataclasses import dataclass

from onsetstudy.records.chair.event import Event, in_force

NEAR = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillTask:
    """Draw up ``target_ml``; then put it into the cartridge (``mixed``) or, with the same movements, throw it away."""

    target_ml: float
    mixed: bool


DRILL_TASKS = (
    DrillTask(target_ml=0.18, mixed=True),
    DrillTask(target_ml=0.18, mixed=False),
    DrillTask(target_ml=0.09, mixed=True),
    DrillTask(target_ml=0.30, mixed=False),
    DrillTask(target_ml=0.17, mixed=False),
    DrillTask(target_ml=0.18, mixed=True),
    DrillTask(target_ml=0.30, mixed=True),
    DrillTask(target_ml=0.09, mixed=False),
)
"""Each volume nearly as often mixed as thrown away, so that the two can be held against each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillResult:
    """How one person mixes.

    Parameters
    ----------
    mixer : str
        Code, no name.
    n, near : int
        Tasks done; those within a tenth of their volume.
    mean_error_ml, worst_error_ml : float
        Volume read less volume asked for: their mean, and the one farthest from nought.
    mixed_s, thrown_s : float or None
        Median seconds of either kind of task; ``None`` where none was done. Who looks on could tell the arm by their
        difference.
    """

    mixer: str
    n: int
    near: int
    mean_error_ml: float
    worst_error_ml: float
    mixed_s: float | None
    thrown_s: float | None


def drill_results(events: Iterable[Event]) -> tuple[DrillResult, ...]:
    """Results by person, from entries of the kind ``drilled``; the last try at a task counts."""
    tries: dict[str, dict[int, tuple[float, float]]] = {}
    for event in in_force(events):
        if event.kind == "drilled":
            told = event.payload
            own = tries.setdefault(str(told["mixer"]).upper(), {})
            own[int(told["task"])] = (float(told["read_ml"]), float(told["seconds"]))
    return tuple(_result(mixer, tries[mixer]) for mixer in sorted(tries))


def _result(mixer: str, own: dict[int, tuple[float, float]]) -> DrillResult:
    errors = {k: read_ml - DRILL_TASKS[k - 1].target_ml for k, (read_ml, _) in own.items()}
    near = sum(abs(e) <= NEAR * DRILL_TASKS[k - 1].target_ml + 1e-9 for k, e in errors.items())

    def median_s(mixed: bool) -> float | None:
        took = [seconds for k, (_, seconds) in own.items() if DRILL_TASKS[k - 1].mixed is mixed]
        return statistics.median(took) if took else None

    return DrillResult(
        mixer=mixer,
        n=len(own),
        near=near,
        mean_error_ml=statistics.fmean(errors.values()),
        worst_error_ml=max(errors.values(), key=abs),
        mixed_s=median_s(True),
        thrown_s=median_s(False),
    )
