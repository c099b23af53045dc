"""What lies beside a protocol and its records."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from onsetstudy.files.ledger.lock import changes_since_lock, read_lock
from onsetstudy.files.sealed.kept_allocation import find_opening_logs, read_kept_list, read_kept_logs
from onsetstudy.files.sources.dated_tables import read_dose_limits, read_published_ranges
from onsetstudy.records.derived.allocation import KeptList
from onsetstudy.study.sets.side_files import Companions


def read_arms(
    *, allocation: str | Path | None = None, logs: Sequence[str | Path] = (), beside: Sequence[str | Path] = ()
) -> KeptList | None:
    """What tells the allocated arm: the list, else the opening logs named, else those that lie beside the records.

    ``None`` where there is nothing. The list is read only where its keeper names it.

    Raises
    ------
    RecordsError
        If what was named cannot be read.
    """
    if allocation is not None:
        return read_kept_list(allocation)
    found = list(logs) or find_opening_logs(beside)
    return read_kept_logs(found) if found else None


def read_companions(protocol: str | Path, arms: KeptList | None = None) -> Companions:
    """Lock beside the protocol file, the dated tables, and what tells the allocated arm (see :func:`read_arms`).

    Raises
    ------
    ProtocolError
        If the lock cannot be read.
    """
    return Companions(
        allocation=arms,
        lock=read_lock(protocol),
        lock_changes=changes_since_lock(protocol),
        lock_known=True,
        limits=read_dose_limits(),
        published=read_published_ranges(),
    )
