"""The screening log: how many were assessed and not included, and why. Codes alone; who it was is in no entry."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from onsetstudy.records.chair.event_log import Event, in_force

__all__ = ["SCREENED", "Screening", "screening_log", "screening_of"]

SCREENED = {
    "declined": "Did not want to take part",
    "cannot_consent": "Could not consent",
    "age": "Age",
    "health": "Health or medicines",
    "tooth": "No tooth that can be tested",
    "injection": "Another injection or anaesthetic is needed",
    "no_time": "No time in the surgery",
    "other": "Another reason",
}
"""Why somebody who was assessed is not included, in words. No free text: nothing here tells who it was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """``assessed`` are those included (cases opened) and those who were not, by ``reasons`` (code, number)."""

    assessed: int
    included: int
    reasons: tuple[tuple[str, int], ...]


def screening_of(events: Iterable[Event]) -> Screening:
    """Counts of the screening log, reasons in the order of :data:`SCREENED`; those that did not occur are left out."""
    held = in_force(events)
    counts = Counter(str(e.payload["reason"]) for e in held if e.kind == "screened")
    included = len({e.case_id for e in held if e.kind == "case_opened"})
    reasons = tuple((code, counts[code]) for code in SCREENED if counts[code])
    return Screening(assessed=included + counts.total(), included=included, reasons=reasons)


def screening_log(events: Iterable[Event]) -> list[dict[str, str]]:
    """Rows of the log: the day on which somebody was assessed and not included, and why. No time of day, no code."""
    rows = [
        {"day": e.at_wall[:10], "reason": str(e.payload["reason"])} for e in in_force(events) if e.kind == "screened"
    ]
    return sorted(rows, key=lambda row: (row["day"], row["reason"]))
