"""What lies beside the records: list or log of slips, lock of the protocol, tables of limits, published results."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from onsetstudy.doses.limits import LimitsTable
from onsetstudy.outcomes.published_results import PublishedTable
from onsetstudy.protocol.lock import lock_standing
from onsetstudy.protocol.lock_results import LockStanding, ProtocolLock
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.allocation import KeptList


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Companions:
    """Everything an analysis may use beside protocol and records; what is ``None`` is left out of the report.

    Parameters
    ----------
    allocation : KeptList or None
        List or opening log: arms are compared as allocated, whatever was injected, and the records are held against
        it.
    lock : ProtocolLock or None
        ``None``: the protocol was never locked.
    lock_changes : tuple of (key, before, after)
        Where the protocol differs from the version locked last.
    lock_known : bool
        Whether anybody looked for a lock; if not, the report does not speak of it.
    limits : LimitsTable or None
        Dose limits.
    published : PublishedTable or None
        Published results.
    slips_recorded : frozenset of str or None
        Slips named by any row that was read, where rows were left out since; ``None``: those of the records given.
    slips_log : KeptList or None
        Log that tells which slips were opened, where arms are not taken from it; by default that of ``allocation``.
    """

    allocation: KeptList | None = None
    lock: ProtocolLock | None = None
    lock_changes: tuple[tuple[str, str, str], ...] = ()
    lock_known: bool = False
    limits: LimitsTable | None = None
    published: PublishedTable | None = None
    slips_recorded: frozenset[str] | None = None
    slips_log: KeptList | None = None

    def standing(self, protocol: Protocol, first_case: dt.date | None) -> LockStanding | None:
        """Where the protocol stands against its lock and the first case; ``None`` if nobody looked for a lock."""
        if not self.lock_known:
            return None
        return lock_standing(protocol, self.lock, first_case=first_case, changes=self.lock_changes)
