"""What lies beside a protocol and its records."""

from __future__ import annotations

from pathlib import Path

from onsetstudy.files.allocation import read_kept_list
from onsetstudy.files.lock import changes_since_lock, read_lock
from onsetstudy.files.tables import read_dose_limits, read_published_ranges
from onsetstudy.study.companions import Companions

__all__ = ["read_companions"]


def read_companions(protocol: str | Path, *, allocation: str | Path | None = None) -> Companions:
    """Lock beside the protocol file, the package's dated tables, and the list of slips if one is given.

    Raises
    ------
    ProtocolError
        If the lock cannot be read.
    RecordsError
        If the list of slips cannot be read.
    """
    return Companions(
        allocation=None if allocation is None else read_kept_list(allocation),
        lock=read_lock(protocol),
        lock_changes=changes_since_lock(protocol),
        lock_known=True,
        limits=read_dose_limits(),
        published=read_published_ranges(),
    )
