"""The screening log of a store as an open table."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from onsetstudy.files.output import rejects_csv, write_bytes
from onsetstudy.files.store import EventStore
from onsetstudy.records.chair.screening import screening_log

__all__ = ["export_screening"]


def export_screening(path: Path, folder: Path) -> Path:
    """Write ``screening.csv`` (``day``, ``reason``; a row for each who was assessed and not included), for its owner.

    Raises
    ------
    RecordsError
        If it is not a store that can be read.
    """
    with EventStore(Path(path)) as store:
        rows = screening_log(store.events())
    frame = pd.DataFrame(rows, columns=["day", "reason"], dtype=object)
    return write_bytes(Path(folder) / "screening.csv", rejects_csv(frame).encode("utf-8"), private=True)
