"""What doors enter in the ledger, and what they read from it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import DesignError, OnsetStudyError
from onsetstudy.files.ledger.ledger import Proposed, enter, ledger_path, verified_ledger
from onsetstudy.protocol.ledger import LedgerEntry, Standing, of_kind, short_head, standing_of
from onsetstudy.protocol.lock_results import ProtocolLock
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.privacy import looks_like_a_person, may_be_a_name, reason_fault


def moment() -> str:
    """Now, in UTC, so that a change to summer time is not a clock that runs back."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


def plain_reason(reason: str) -> str:
    """A reason in one line that names nobody.

    Raises
    ------
    OnsetStudyError
        If it is empty or may name a person.
    """
    told = " ".join(reason.split())
    if not told:
        raise OnsetStudyError("the reason is empty, and the ledger keeps it. Say why in a sentence")
    if fault := reason_fault(told):
        raise OnsetStudyError(f"the reason is kept for ever, and {fault}")
    return told if told.endswith((".", "!", "?")) else f"{told}."


def plain_code(code: str, whose: str) -> str:
    """The code of a person or case at a door, which may not be a name.

    Raises
    ------
    DesignError
        If it may be: more than four letters without a digit, or a word and a year.
    """
    told = code.strip()
    if looks_like_a_person(told) or may_be_a_name(told):
        raise DesignError(
            f"the code of {whose} may be a name, and it is kept for ever. Give codes, not names: with a digit, such as "
            "P01-A, or of at most four letters; nothing was opened or entered"
        )
    return told


def keeps_ledger(protocol: Path, promised: Protocol) -> bool:
    """Whether a report enters what it saw: a study with a ledger does, an invented one without it begins none."""
    return ledger_path(protocol).exists() or not promised.study.invented


def enter_missing(
    ledger: Path, kind: str, bodies: Sequence[Mapping[str, Any]], same: Callable[[Mapping[str, Any]], object]
) -> bool:
    """Enter those of the bodies that the ledger does not hold, and tell whether there are any.

    What a power cut kept out comes in too.

    ``same`` gives the part of a body by which it is known again.
    """
    missing: list[Proposed] = []

    def proposed(entries: tuple[LedgerEntry, ...]) -> list[Proposed]:
        held = {same(e.body) for e in of_kind(entries, kind)}
        missing.extend((kind, body) for body in bodies if same(body) not in held)
        return missing

    enter(ledger, proposed, at=moment())
    return bool(missing)


def enter_lock(protocol: Path, lock: ProtocolLock) -> None:
    """Enter every version of the lock that the ledger does not hold yet."""
    bodies = [
        {"study": lock.study_id, "version": v.number, "digest": v.digest, "reason": v.reason, "day": v.day}
        for v in lock.versions
    ]
    enter_missing(ledger_path(protocol), "protocol_locked", bodies, lambda body: body["digest"])


def enter_event(ledger: Path, kind: str, body: Mapping[str, Any]) -> LedgerEntry:
    """Enter one event and return its entry.

    Raises
    ------
    OnsetStudyError
        If a study that is paused would be paused again, one under way go on, or one that is closed do either.
    """

    def proposed(entries: tuple[LedgerEntry, ...]) -> list[Proposed]:
        if fault := standing_of(entries).turn_fault(kind):
            raise OnsetStudyError(f"{fault}; nothing was entered")
        return [(kind, body)]

    return enter(ledger_path(ledger), proposed, at=moment())[-1]


def standing(protocol: Path) -> Standing:
    """How the study of a protocol stands, by the ledger beside it."""
    return standing_of(verified_ledger(ledger_path(protocol)))


def entered(protocol: Path, kind: str) -> tuple[LedgerEntry, ...]:
    """Entries of a kind in the ledger beside a protocol, whose chain has to hold."""
    return of_kind(verified_ledger(ledger_path(protocol)), kind)


def head_beside(protocol: Path) -> str:
    """Short head of the ledger beside a protocol, empty where there is none."""
    return short_head(verified_ledger(ledger_path(protocol)))
