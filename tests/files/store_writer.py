"""Enters events in a store without end, and says each that was acknowledged, until it is killed or loses its disk."""

import sys
from pathlib import Path

from onsetstudy.files.store import EventStore
from onsetstudy.records.chair.event import Event

if __name__ == "__main__":
    store = EventStore(Path(sys.argv[1]))
    start = store.last()
    for n in range(start, start + 1_000_000):
        event = Event(
            id=f"entry-{n:07d}",
            kind="seated",
            clock="clock-1",
            at_monotonic=float(n),
            at_wall="2026-04-03T14:00:00+00:00",
            device="device-1",
        )
        assert store.append([event]) == ("written",)
        print(event.id, flush=True)
