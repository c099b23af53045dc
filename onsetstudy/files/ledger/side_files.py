"""What lies beside a protocol and its records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.files.ledger.lock import changes_since_lock, read_lock
from onsetstudy.files.sealed.kept_allocation import find_opening_logs, read_kept_list, read_kept_logs
from onsetstudy.files.sealed.opening_log import unlike_ledger
from onsetstudy.files.sources.dated_tables import read_dose_limits, read_published_ranges
from onsetstudy.protocol.ledger import withdrawals
from onsetstudy.records.derived.allocation import KeptList
from onsetstudy.study.sets.side_files import Companions


def folders_beside(protocol: Path) -> list[Path]:
    """The folder of a protocol, and the folders in it: where what belongs to the study is looked for."""
    home = protocol.absolute().parent
    return [home, *sorted(p for p in home.iterdir() if p.is_dir() and not p.name.startswith("."))]


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


def against_ledger(arms: KeptList | None, protocol: str | Path) -> KeptList | None:
    """What tells the allocated arm, with what the ledger beside the protocol holds of its slips and their patients.

    Raises
    ------
    ProtocolError
        If the chain of the ledger does not hold.
    """
    if arms is None or arms.log is None:
        return arms
    entries = verified_ledger(ledger_path(Path(protocol)))
    lost, alone = unlike_ledger(arms.log, entries)
    unlike = {code: slips for code, slips in (("not_in_log", lost), ("not_in_ledger", alone)) if slips}
    withdrawn = frozenset(code.casefold() for code in withdrawals(entries))
    return replace(arms, log_faults={**arms.log_faults, **unlike}, withdrawn=withdrawn)


def read_companions(protocol: str | Path, arms: KeptList | None = None) -> Companions:
    """Lock beside the protocol file, the dated tables, and what tells the allocated arm (see :func:`read_arms`).

    Raises
    ------
    ProtocolError
        If the lock cannot be read, or the chain of the ledger does not hold.
    """
    return Companions(
        allocation=against_ledger(arms, protocol),
        lock=read_lock(protocol),
        lock_changes=changes_since_lock(protocol),
        lock_known=True,
        limits=read_dose_limits(),
        published=read_published_ranges(),
    )
