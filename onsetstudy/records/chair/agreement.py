"""Whether people who test call the same thing felt: two assessors on one recorded sequence, in practice."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

from onsetstudy.inference.proportions import wilson_limits
from onsetstudy.records.chair.event_log import Event, in_force

__all__ = ["Agreement", "assessor_agreement"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """``alike`` of ``n`` moments that both answered; ``low``, ``high`` are Wilson's 95 % limits of the proportion."""

    first: str
    second: str
    alike: int
    n: int
    low: float
    high: float


def assessor_agreement(events: Iterable[Event]) -> tuple[Agreement, ...]:
    """Agreement of every two assessors, from entries of the kind ``trained``; the last answer to a moment counts.

    Agreement by chance is not taken off: two who always say *felt* agree wholly, which is why a sequence holds both.
    """
    answers: dict[str, dict[float, str]] = {}
    for event in in_force(events):
        if event.kind == "trained":
            told = event.payload
            answers.setdefault(str(told["assessor"]), {})[float(told["moment"])] = str(told["response"])
    found = []
    for first, second in itertools.combinations(sorted(answers), 2):
        both = answers[first].keys() & answers[second].keys()
        if not both:
            continue
        alike = sum(answers[first][m] == answers[second][m] for m in both)
        low, high = wilson_limits(alike, len(both))
        found.append(Agreement(first=first, second=second, alike=alike, n=len(both), low=low, high=high))
    return tuple(found)
