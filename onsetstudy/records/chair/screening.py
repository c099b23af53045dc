"""The screening log: how many were assessed and not included, and why. Codes alone; who it was is in no entry."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from onsetstudy.records.chair.event import Event, in_force
from onsetstudy.records.chair.event_clock import Moment, local_time
from onsetstudy.records.checks.open_tables import OPEN_TABLES

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


NOT_ELIGIBLE = {
    "cannot_consent": "no_consent_possible",
    "age": "age",
    "health": "medical",
    "tooth": "tooth_or_pulp",
    "injection": "procedure",
    "no_time": "other",
    "other": "other",
}
"""What the open table of screening calls a reason; whoever declined was eligible, and has none."""
COLUMNS = OPEN_TABLES["screening"]


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


def screening_table(held: Sequence[Event], moments: Mapping[str, Moment], practice_id: str) -> pd.DataFrame:
    """The open table of screening from entries in force; without rows where nobody was noted as not included.

    Everybody included is a row with the code of the case, everybody else one with the reason. The day by the
    computer's clock, as that of the cases, and no time of day. Rows are numbered by day, and within one by outcome, so
    that their order does not tell who came when.
    """
    day = {e.id: local_time(e, moments[e.id]).date().isoformat() for e in held}
    opened = {str(e.case_id): day[e.id] for e in held if e.kind == "case_opened"}
    told = [(first, "included", "", case_id) for case_id, first in opened.items()]
    for event in held:
        if event.kind == "screened":
            code = str(event.payload["reason"])
            outcome = "declined" if code == "declined" else "not_eligible"
            told.append((day[event.id], outcome, NOT_ELIGIBLE.get(code, ""), ""))
    rows = [(f"S{number:04d}", practice_id, *row) for number, row in enumerate(sorted(told), start=1)]
    return pd.DataFrame(rows if len(told) > len(opened) else [], columns=list(COLUMNS), dtype=object)
