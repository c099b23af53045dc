"""A ledger held against what quotes it or is older: heads, reports, exchange files, files of a list, the lock."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import product
from pathlib import Path

from onsetstudy.core.errors import OnsetStudyError, RecordsError, ReportError
from onsetstudy.files.exchange import SUFFIX as OF_EXCHANGE
from onsetstudy.files.exchange import read_exchange
from onsetstudy.files.ledger.ledger import ledger_path, lost_ledger, protocol_path, verified_ledger
from onsetstudy.files.ledger.lock import changes_since_lock, read_lock
from onsetstudy.files.ledger.side_files import folders_beside
from onsetstudy.files.output import told_of_disk
from onsetstudy.files.sealed.allocation_list import goes_on_from
from onsetstudy.files.sealed.kept_allocation import find_opening_logs, folder_faults
from onsetstudy.files.sealed.opening_log import openings_entered, read_opening_log, unlike_ledger
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.results import read_results
from onsetstudy.protocol.ledger import LedgerEntry, head_stands, of_kind
from onsetstudy.protocol.lock_results import LockVersion
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.allocation import LOG_FAULTS
from onsetstudy.study.exchange_results import digests_as_sent
from onsetstudy.study.group.results import GroupResults
from onsetstudy.study.practice.interim_on_record import looks_told_otherwise

QUOTED = re.compile(r'(?:ledger |last entry\W+(?:<[^>]*>\W*)*|"ledger_head": ?")(\d{1,7}:[0-9a-f]{16})\b')
RESULTS = re.compile(rb'"kind": ?"(?:study|group)_results"')
GOES_ON = re.compile(rb'"continues": ?true|"what": ?"Digest of every slip ')
"""A sealed file that goes on from an earlier list, and commitments, which do not say so."""
GONE_ON = (
    ": it was changed, or is of a list that went on (allocate --after), which this ledger does not hold. Let the "
    "list's keeper hold the file against the keeper's own ledger"
)
LONGER = (
    "the slips that this ledger knows are as they were drawn. Behind them stand further ones, and nothing here tells "
    "whether the list's keeper drew them (allocate --after) or somebody else wrote them. Let the keeper hold this file "
    "against the keeper's own ledger before one of them is opened."
)
SUFFIXES = (".html", ".json", ".csv")
MOST_BYTES = 100_000_000
LIST_FILE = re.compile(r"(?:list\.(?:csv|json)|commitments\.json|passphrases\.csv|sealed-.*\.json|nonces-.*\.csv)")
"""Files that are drawn with a list, or written as its slips are opened."""
OPENED = re.compile(r"opened-.+\.csv")
NAMED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A ledger that was held against what quotes it.

    Parameters
    ----------
    faults : tuple of str
        What disagrees, as sentences.
    unheld : tuple of str
        Files of which nothing in the ledger speaks, as sentences.
    nothing : bool
        Whether that is all that was given.
    """

    faults: tuple[str, ...]
    unheld: tuple[str, ...]
    nothing: bool


def hold_against(
    path: Path, entries: Sequence[LedgerEntry], *, others: Sequence[Path] = (), heads: Sequence[str] = ()
) -> Held:
    """A ledger held against its lock and what is given.

    Parameters
    ----------
    path : Path
        The ledger.
    entries : sequence of LedgerEntry
    others : sequence of path
        Reports (HTML, JSON), exchange files, files of a list; or folders of them.
    heads : sequence of str
        As printed pages quote them.

    Raises
    ------
    OnsetStudyError
        If a file cannot be read.
    """
    faults = [_disagrees(head, "The head given") for head in heads if not head_stands(entries, head)]
    faults += _lock_faults(path, entries)
    drawn: dict[str, list[str]] = {}
    for entry in of_kind(entries, "list_drawn"):
        for name, digest in entry.body["files"].items():
            drawn.setdefault(name, []).append(digest)
    logs = {f"opened-{e.body['practice']}.csv" for e in openings_entered(entries)}
    longer, lists, silent, spoken = [], [], [], bool(heads)
    for file in _files(others):
        content, known = _read(file), drawn.get(file.name)
        faults += _log_faults(file, entries)
        if known and hashlib.sha256(content).hexdigest() not in known:
            if goes_on_from(file, known[-1]):
                longer.append(file.name)
            else:
                gone_on = GONE_ON if GOES_ON.search(content) else ""
                faults.append(f"{file.name} is not as it was when its list was drawn{gone_on}.")
        quoted = _quoted(content)
        elsewhere = [head for head in quoted if not head_stands(entries, head)]
        faults += _quoted_faults(file, elsewhere, entries)
        if file.suffix == ".json" and RESULTS.search(content[:2000]) and len(elsewhere) < len(quoted):
            faults += _results_faults(file, entries)
        if known or file.name in logs or file.name.endswith(".lock.json"):
            spoken = True
        elif LIST_FILE.fullmatch(file.name):
            lists.append(file.name)
        elif quoted:
            spoken = True
        else:
            silent.append(file.name)
    for folder in dict.fromkeys(file.parent for file in _files([other for other in others if other.is_dir()])):
        faults += folder_faults(folder)
    no_list = "their names are those of no list that was entered" if drawn else "no list was entered"
    whys = {
        f"held against nothing, for {no_list}.": lists,
        LONGER: longer,
        "held against nothing, for no entry of a ledger is quoted there.": silent,
    }
    unheld = tuple(f"{_some(names)}: {why}" for why, names in whys.items() if names)
    return Held(faults=tuple(faults), unheld=unheld, nothing=bool(unheld) and not spoken)


def begun_anew(protocol: Path, promised: Protocol, beside: Sequence[Path] = ()) -> Iterator[str]:
    """What tells that the ledger of a protocol is not the first of its study, in a sentence; or that it is gone.

    Its lock and opening logs may be older, and pages of the study may quote another. These are looked for beside the
    protocol, in folders there, and in those of ``beside``.

    Raises
    ------
    ProtocolError
        If the lock cannot be read, or the chain of the ledger does not hold.
    """
    path, lock = ledger_path(protocol), read_lock(protocol)
    if not (entries := verified_ledger(path)):
        if not promised.study.invented and (gone := lost_ledger(path)):
            yield gone
        return
    versions = () if lock is None else lock.versions
    folders = list(dict.fromkeys((*folders_beside(protocol), *(p.absolute() for p in beside if p.is_dir()))))
    began = dt.date.fromisoformat(entries[0].at[:10])
    # Openings have the local time, entries that of UTC.
    before = (began - dt.timedelta(days=1)).isoformat()
    told = [f"{what} {day}" for what, day in _first_days(versions, folders) if day < before]
    names = [f"{promised.study.id}-{q.label}{end}" for q in promised.quarters for end in (".html", ".json")]
    for page in (f / name for f in folders for name in names if (f / name).is_file()):
        heads = _quoted(_read(page))
        told += [f"{page.name} quotes the entry {head}" for head in heads if not head_stands(entries, head)]
    if told:
        yield (
            f"the ledger {path.name} was begun on {began}, and {'; '.join(told)}. If there was an earlier ledger, "
            "restore it from your backup: whatever quotes it disagrees with this one."
        )


def _first_days(versions: Sequence[LockVersion], folders: Sequence[Path]) -> Iterator[tuple[str, str]]:
    """The first days of the lock and of the study's opening logs."""
    if versions:
        yield "the protocol was locked on", versions[0].day
    for log, version in product(find_opening_logs(folders), versions):
        with suppress(RecordsError):  # whoever needs it says why it cannot be read
            lines, broken = read_opening_log(log, version.digest)
            if len(lines) and lines["slip"].iloc[0] not in broken:  # else it is of another study
                yield f"{log.name} shows an opening of", str(lines["opened_at"].iloc[0])[:10]


def _quoted(content: bytes) -> tuple[str, ...]:
    """Heads of ledgers that a page or a file quotes."""
    return tuple(dict.fromkeys(QUOTED.findall(content.decode("utf-8", errors="replace"))))


def _log_faults(file: Path, entries: Sequence[LedgerEntry]) -> Iterator[str]:
    """What an opening log was changed in, and where it and the ledger do not tell the same openings; what to do."""
    if not OPENED.fullmatch(file.name):
        return
    log, broken = read_opening_log(file)
    lost, alone = unlike_ledger(log, entries, practice=file.stem.removeprefix("opened-"))
    told = ("was changed at {}", "does not show the openings of {} as they were entered",
            "shows the openings of {}, which the ledger does not hold")  # fmt: skip
    for mend, words, slips in zip(LOG_FAULTS.values(), told, (broken, lost, alone), strict=True):
        if slips:
            yield f"{file.name} {words.format(_some(slips))}: {mend}."


def _some(names: Sequence[str]) -> str:
    """The first names of a list, and how many more."""
    left = len(names) - NAMED
    return ", ".join(names[:NAMED]) + (f" and {left} more" if left > 0 else "")


def _results_faults(file: Path, entries: Sequence[LedgerEntry]) -> Iterator[str]:
    try:
        found = read_results(file)
    except ReportError:
        yield f"{file.name} is no report as it was made: it was edited or cut."
        return
    by = "group" if isinstance(found, GroupResults) else "practice"
    for quarter in looks_told_otherwise(found.looks, entries, by=by):
        yield f"{file.name} tells the look of {quarter} otherwise than the ledger holds it."


def _quoted_faults(file: Path, elsewhere: Sequence[str], entries: Sequence[LedgerEntry]) -> Iterator[str]:
    """What is wrong with heads that are not of this ledger: of a file that was received, they are of its practice's."""
    received = [e.body for e in of_kind(entries, "file_received")] if file.name.endswith(OF_EXCHANGE) else []
    for head in elsewhere:
        digests = {body["digest"] for body in received if body["head"] == head}
        if not digests:
            yield _disagrees(head, file.name)
        elif digests.isdisjoint(_digests_of(file)):
            yield (
                f"{file.name} is not the file that was received with the head {head} of its practice's ledger: it was "
                "changed, or is another."
            )


def _digests_of(file: Path) -> tuple[str, ...]:
    """Digests of an exchange file under which it may have been entered; of one that cannot be read, none."""
    try:
        return digests_as_sent(read_exchange(file))
    except RecordsError:
        return ()


def _disagrees(head: str, where: str) -> str:
    return (
        f"{where} quotes the entry {head}, which is not in this ledger: the ledger was cut or written anew, or is "
        "another."
    )


def _lock_faults(path: Path, entries: Sequence[LedgerEntry]) -> Iterator[str]:
    protocol = protocol_path(path)
    lock = read_lock(protocol)
    if lock is not None and protocol.exists():
        read_protocol(protocol)  # what was mistyped is told first
        if differ := [f"{key} ({before} → {after})" for key, before, after in changes_since_lock(protocol)]:
            yield (
                f"{protocol.name} differs from its version that was locked last in {_some(differ)}: restore it, or "
                "amend it with its reason (lock --reason)."
            )
    versions = () if lock is None else lock.versions
    bodies = [e.body for e in of_kind(entries, "protocol_locked")]
    entered = [body["digest"] for body in bodies]
    told = [(body["digest"], body["version"], body["day"], body["reason"]) for body in bodies]
    for version in versions:
        if version.digest not in entered:
            yield f"Version {version.number} of the lock is not in the ledger."
        elif (version.digest, version.number, version.day, version.reason) not in told:
            yield f"Version {version.number} of the lock has another day or reason than the ledger: it was changed."
    held = {version.digest for version in versions}
    if lost := [d for d in entered if d not in held]:
        yield f"{len(lost)} locked versions of the ledger are not in the lock: the lock was deleted or made anew."


def _files(others: Sequence[Path]) -> Iterator[Path]:
    for other in others:
        yield from sorted(p for p in other.rglob("*") if p.suffix in SUFFIXES) if other.is_dir() else [other]


def _read(file: Path) -> bytes:
    with told_of_disk(f"{file} cannot be read"):
        if file.stat().st_size > MOST_BYTES:
            raise OnsetStudyError(f"{file.name} is too large to be held against a ledger")
        return file.read_bytes()
