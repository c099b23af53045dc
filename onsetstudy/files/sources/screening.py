"""The screening log of a store as an open table."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from onsetstudy.files.output import rejects_csv, write_bytes
from onsetstudy.files.store import EventStore
from onsetstudy.records.chair.screening import COLUMNS, screening_log
from onsetstudy.records.model import RawTable

__all__ = ["export_screening", "read_screening"]


def read_screening(path: Path) -> RawTable:
    """The open table of screening of a store; without rows where nobody was noted as not included.

    Raises
    ------
    RecordsError
        If it is not a store that can be read.
    """
    with EventStore(path) as store:
        rows = screening_log(store.events(), store.facts().get("practice_id", ""))
    frame = pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)
    return RawTable(frame=frame, source_row=pd.Series(range(2, len(frame) + 2), dtype=int), file=Path(path).name)


def export_screening(path: Path, folder: Path) -> Path:
    """Write ``screening.csv``, the open table of everybody who was assessed, for its owner.

    Raises
    ------
    RecordsError
        If it is not a store that can be read.
    """
    text = rejects_csv(read_screening(path).frame)
    return write_bytes(Path(folder) / "screening.csv", text.encode("utf-8"), private=True)
