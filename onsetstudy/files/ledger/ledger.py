"""The ledger on disk: JSON lines beside the protocol, written under a lock and whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import ProtocolError
from onsetstudy.files.guard import Unreadable, problem_in, read_text
from onsetstudy.files.ledger.lock import lock_path
from onsetstudy.files.output import alone, write_bytes
from onsetstudy.files.sources.protocol_toml import refuse_folder
from onsetstudy.protocol.ledger import LedgerEntry, entry_line, make_entry, read_entries, verify_entries

SUFFIX = ".ledger.jsonl"
LARGEST_MB = 48

Proposed = tuple[str, Mapping[str, Any]]


def ledger_path(protocol: Path) -> Path:
    """Where the ledger of a protocol file is: ``mine.toml`` has ``mine.ledger.jsonl`` beside it; a ledger is itself.

    Raises
    ------
    ProtocolError
        If a folder is given.
    """
    refuse_folder(protocol)
    return protocol if protocol.name.endswith(SUFFIX) else protocol.with_suffix(SUFFIX)


def protocol_path(ledger: Path) -> Path:
    """Where the protocol of a ledger is, if it is that of a study: beside it."""
    return ledger.with_name(ledger.name.removesuffix(SUFFIX) + ".toml")


def practice_ledger_path(sealed: Path) -> Path:
    """Where openings of a sealed file are entered: ``sealed-P01.json`` has ``P01.ledger.jsonl`` beside it."""
    return sealed.with_name(sealed.stem.removeprefix("sealed-") + SUFFIX)


def lost_ledger(path: Path) -> str:
    """That a lock stands and the ledger that began with it does not, and what to do; empty where that is not so."""
    protocol = protocol_path(path)
    lock = lock_path(protocol)
    if path.exists() or not lock.exists():
        return ""
    return (
        f"{lock.name} stands, and the ledger {path.name} beside it is gone. Restore it from your backup. If you have "
        f"none, onsetstudy lock {protocol.name} begins another, and pages that quote the lost one disagree with it."
    )


def read_ledger(path: Path) -> tuple[LedgerEntry, ...]:
    """Entries of a ledger, whether or not their chain holds; none where there is no file.

    Raises
    ------
    ProtocolError
        If the file is not a ledger.
    """
    if not path.exists():
        return ()
    try:
        return read_entries(read_text(path, largest_mb=LARGEST_MB, may_be_empty=True), file=path.name)
    except Unreadable as error:
        raise ProtocolError(error.problems) from None


def verified_ledger(path: Path) -> tuple[LedgerEntry, ...]:
    """Entries of a ledger whose chain holds.

    Raises
    ------
    ProtocolError
        If it does not.
    """
    entries = read_ledger(path)
    if faults := verify_entries(entries):
        mend = "restore the ledger from your backup; nothing is entered on top of a broken ledger"
        raise ProtocolError([problem_in(path, fault, mend, "ledger") for fault in faults])
    return entries


def enter(
    path: Path, propose: Callable[[tuple[LedgerEntry, ...]], Sequence[Proposed]], *, at: str
) -> tuple[LedgerEntry, ...]:
    """Enter what is proposed behind what is there; returns the whole ledger.

    Parameters
    ----------
    path : Path
    propose : callable
        Given the ledger as it is under the lock, says which entries (kind, body) are missing from it; so that a door
        that was killed and is opened again enters nothing twice. None: the file is not touched.
    at : str
        Time, to the second.

    Raises
    ------
    ProtocolError
        If the chain does not hold, or an entry is none.
    OnsetStudyError
        If the file cannot be written.
    """
    with alone(path):
        entries = list(verified_ledger(path))
        there = len(entries)
        for kind, body in propose(tuple(entries)):
            entries.append(make_entry(entries, kind, body, at=at))
        if len(entries) > there:
            # Codes of cases stand in it: for its owner alone.
            write_bytes(path, "".join(map(entry_line, entries)).encode("utf-8"), private=True)
    return tuple(entries)
