"""Locks of protocols: a file beside the protocol with every version and its whole content."""

from __future__ import annotations

import datetime as dt
import json
import re
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from onsetstudy.core.canonical import digest_if_any
from onsetstudy.core.errors import ProtocolError
from onsetstudy.core.serialise import to_dict
from onsetstudy.core.type_check import mismatches
from onsetstudy.files.guard import problem_in, read_json, understood
from onsetstudy.files.output import write_bytes
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.check import normalised_content
from onsetstudy.protocol.governance import unanswered
from onsetstudy.protocol.lock import Changes, amend, changed_keys, first_lock
from onsetstudy.protocol.lock_results import ProtocolLock
from onsetstudy.protocol.model import Protocol

NO_LOCK = "this is not the lock of a protocol"


def lock_path(protocol: Path) -> Path:
    """Where the lock of a protocol file is: ``mine.toml`` has ``mine.lock.json`` beside it."""
    return protocol.with_suffix(".lock.json")


def read_lock(protocol: str | Path) -> ProtocolLock | None:
    """The lock of a protocol file; ``None`` if it was never locked.

    Raises
    ------
    ProtocolError
        If the lock cannot be read, or its content does not fit its digest.
    """
    found = _read(lock_path(Path(protocol)))
    return None if found is None else found[0]


def changes_since_lock(protocol: str | Path) -> Changes:
    """Keys in which a protocol file differs from its version locked last."""
    found = _read(lock_path(Path(protocol)))
    return () if found is None else changed_keys(found[1], _content(Path(protocol)))


def lock_protocol_file(protocol: str | Path, *, day: dt.date, reason: str = "") -> tuple[ProtocolLock, Path]:
    """Lock a protocol for the first time, or amend it; returns all versions and the file written.

    Raises
    ------
    ProtocolError
        If the protocol cannot be kept, or an amendment changes nothing or has no reason.
    """
    path = Path(protocol)
    promised = read_protocol(path)
    _refuse_open(promised, path.name)
    if (found := _read(lock_path(path))) is None:
        lock = first_lock(promised, day=day)
    else:
        lock = amend(found[0], promised, changes=changed_keys(found[1], _content(path)), reason=reason, day=day)
    body = {"lock": to_dict(lock), "content": _content(path)}
    text = json.dumps(body, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
    return lock, write_bytes(lock_path(path), text.encode("utf-8"))


def _refuse_open(promised: Protocol, file: str) -> None:
    """A randomised study of real patients is not locked before what protects them is settled."""
    if not promised.study.randomised or promised.study.invented:
        return
    governance = dict(promised.governance.texts) if promised.governance else {}
    conduct = dict(promised.conduct.texts) if promised.conduct else {}
    if found := unanswered(governance, conduct, adoption=promised.adoption is not None, file=file):
        raise ProtocolError(list(found))


def _content(path: Path) -> dict[str, Any]:
    return normalised_content(tomllib.loads(path.read_text(encoding="utf-8-sig")))


def _read(path: Path) -> tuple[ProtocolLock, dict[str, Any]] | None:
    if not path.exists():
        return None
    body = read_json(path, refuse=lambda what: _refused(path, [f"{NO_LOCK}: {what}"]))
    if not isinstance(body, dict) or set(body) != {"lock", "content"} or not isinstance(body["content"], dict):
        raise _refused(path, [f"{NO_LOCK}: it holds other parts than the versions and the content"])
    if (lock := understood(body["lock"], ProtocolLock)) is None:
        raise _refused(path, [f"{NO_LOCK}: its versions cannot be read"])
    faults = [f"{NO_LOCK}: {fault}" for fault in mismatches(lock)] or list(_version_faults(lock))
    if not faults and digest_if_any(body["content"]) != lock.latest.digest:
        faults = ["the content of the lock does not fit its digest: it was changed by hand"]
    if faults:
        raise _refused(path, faults)
    return lock, dict(body["content"])


def _version_faults(lock: ProtocolLock) -> Iterator[str]:
    """What cannot be in versions of a protocol that were locked one after the other."""
    if not lock.versions:
        yield f"{NO_LOCK}: it has no version"
    last = ""
    for number, version in enumerate(lock.versions, start=1):
        at = f"version {number} of the lock"
        if version.number != number:
            yield f"{at} has another number: a version was taken out or put in"
        if not re.fullmatch(r"[0-9a-f]{64}", version.digest):
            yield f"{at} has no SHA-256 digest"
        if not _is_day(version.day):
            yield f"{at} has no day such as 2026-01-31"
        elif version.day < last:
            yield f"{at} lies before the one before it"
        else:
            last = version.day
        if not version.reason.strip():
            yield f"{at} has no reason"


def _is_day(text: str) -> bool:
    try:
        return dt.date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _refused(path: Path, whats: Iterable[str]) -> ProtocolError:
    mend = "restore the file from your backup; deleting it would make the study look as if it had never been locked"
    return ProtocolError([problem_in(path, what, mend, "lock") for what in whats])
