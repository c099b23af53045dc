"""One entry of the recorder, and which entries hold once some were corrected or withdrawn."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One entry.

    Parameters
    ----------
    id : str
        Its own name, given where it was tapped; the same entry sent twice is one.
    kind : str
        A key of :data:`onsetstudy.records.chair.event_kinds.KINDS`.
    clock : str
        Page load whose monotonic clock counted.
    at_monotonic : float
        Seconds of that clock.
    at_wall : str
        Local time by the device's own wall clock, ISO 8601 with offset.
    device : str
        Browser that it was tapped on.
    payload : mapping
        What was entered.
    case_id, corrects : str or None
        The case; the entry whose place this one takes.
    seq : int
        Place in the store; 0 before it is stored.
    """

    id: str
    kind: str
    clock: str
    at_monotonic: float
    at_wall: str
    device: str
    payload: Mapping[str, Any] = field(default_factory=dict)
    case_id: str | None = None
    corrects: str | None = None
    seq: int = 0

    @property
    def wall_s(self) -> float:
        """``at_wall`` in seconds since 1970."""
        return dt.datetime.fromisoformat(self.at_wall).timestamp()


def in_force(events: Iterable[Event]) -> list[Event]:
    """Entries that hold, in the order of the store: corrected ones as corrected, withdrawn ones left out.

    A corrected entry keeps its own time and place. The last correction of an entry counts.
    """
    ordered = sorted(events, key=lambda e: e.seq)
    last = {e.corrects: e for e in ordered if e.kind == "correction" and e.corrects is not None}
    kept = []
    for event in ordered:
        if event.kind == "correction":
            continue
        if (correction := last.get(event.id)) is None:
            kept.append(event)
        elif (instead := correction.payload.get("instead")) is not None:
            kept.append(replace(event, payload=instead))
    return kept
