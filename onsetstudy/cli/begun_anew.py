"""What tells that the ledger beside a protocol is not the first of its study."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from onsetstudy.cli import openings, say
from onsetstudy.core.errors import RecordsError
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.files.ledger.ledger_check import quoted_heads
from onsetstudy.files.ledger.lock import read_lock
from onsetstudy.files.sealed.kept_allocation import find_opening_logs
from onsetstudy.files.sealed.opening_log import read_opening_log
from onsetstudy.protocol.ledger import head_stands
from onsetstudy.protocol.lock_results import LockVersion
from onsetstudy.protocol.model import Protocol


def say_begun_anew(protocol: Path, promised: Protocol, *beside: Path) -> None:
    """That the ledger is gone; or what is older than it, or quotes another: lock, opening logs, pages of the study.

    Logs and pages are looked for beside the protocol, in folders there, and in those of ``beside``.
    """
    path, lock = ledger_path(protocol), read_lock(protocol)
    if not (entries := verified_ledger(path)):
        say.please_look(*filter(None, [openings.lost(path)] if not promised.study.invented else []))
        return
    home, versions = protocol.absolute().parent, () if lock is None else lock.versions
    folders = list(dict.fromkeys(p.absolute() for p in (home, *home.iterdir(), *beside) if p.is_dir()))
    began = dt.date.fromisoformat(entries[0].at[:10])
    # Openings have the local time, entries that of UTC.
    before = (began - dt.timedelta(days=1)).isoformat()
    told = [f"{what} {day}" for what, day in _days(versions, folders) if day < before]
    names = [f"{promised.study.id}-{q.label}{end}" for q in promised.quarters for end in (".html", ".json")]
    for page in (f / name for f in folders for name in names if (f / name).is_file()):
        heads = quoted_heads(page.read_bytes())
        told += [f"{page.name} quotes the entry {head}" for head in heads if not head_stands(entries, head)]
    if told:
        say.please_look(
            f"the ledger {path.name} was begun on {began}, and {'; '.join(told)}. If there was an earlier ledger, "
            "restore it from your backup: whatever quotes it disagrees with this one."
        )


def _days(versions: Sequence[LockVersion], folders: Sequence[Path]) -> Iterator[tuple[str, str]]:
    """The first days of the lock and of the study's opening logs."""
    for first in versions[:1]:
        yield "the protocol was locked on", first.day
    for log in find_opening_logs(folders):
        for version in versions:
            with suppress(RecordsError):  # whoever needs it says why it cannot be read
                lines, broken = read_opening_log(log, version.digest)
                if len(lines) and lines["slip"].iloc[0] not in broken:  # else it is of another study
                    yield f"{log.name} shows an opening of", str(lines["opened_at"].iloc[0])[:10]
