"""What doors enter in the ledger, and what they read from it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from onsetstudy.core.canonical import canonical_json, digest_of_text
from onsetstudy.core.errors import DesignError, OnsetStudyError
from onsetstudy.core.results import Caution
from onsetstudy.files.ledger.ledger import Proposed, enter, ledger_path, verified_ledger
from onsetstudy.protocol.ledger import LedgerEntry, Withdrawn, events_told, of_kind, short_head, shorter_ledgers
from onsetstudy.protocol.lock_results import ProtocolLock
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.privacy import looks_like_a_person, may_be_a_name, reason_fault
from onsetstudy.study.exchange_results import Exchange, as_sent
from onsetstudy.study.group.results import GroupResults
from onsetstudy.study.practice.interim_on_record import as_taken, new_looks
from onsetstudy.study.practice.results import StudyResults

__all__ = [
    "enter_event",
    "enter_files",
    "enter_lock",
    "enter_missing",
    "head_beside",
    "keeps_ledger",
    "moment",
    "plain_code",
    "plain_reason",
    "practices_sent_before",
    "with_ledger",
]

Found = TypeVar("Found", StudyResults, GroupResults)


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
) -> None:
    """Enter those of the bodies that the ledger does not hold: what a power cut kept out comes in too.

    ``same`` gives the part of a body by which it is known again.
    """

    def missing(entries: tuple[LedgerEntry, ...]) -> list[Proposed]:
        held = {same(e.body) for e in of_kind(entries, kind)}
        return [(kind, body) for body in bodies if same(body) not in held]

    enter(ledger, missing, at=moment())


def enter_lock(protocol: Path, lock: ProtocolLock) -> None:
    """Enter every version of the lock that the ledger does not hold yet."""
    bodies = [
        {"study": lock.study_id, "version": v.number, "digest": v.digest, "reason": v.reason, "day": v.day}
        for v in lock.versions
    ]
    enter_missing(ledger_path(protocol), "protocol_locked", bodies, lambda body: body["digest"])


def enter_event(ledger: Path, kind: str, body: Mapping[str, Any]) -> LedgerEntry:
    """Enter one event and return its entry."""
    return enter(ledger_path(ledger), lambda _: [(kind, body)], at=moment())[-1]


def enter_files(protocol: Path, read: Sequence[tuple[str, Exchange]]) -> tuple[str, ...]:
    """Enter the files of practices that were not entered before; what their ledgers' heads give away, as sentences."""

    def missing(entries: tuple[LedgerEntry, ...]) -> list[Proposed]:
        held = {e.body["digest"] for e in of_kind(entries, "file_received")}
        return [
            ("file_received", _received(name, found)) for name, found in read if held.isdisjoint(_digests_of(found))
        ]

    return shorter_ledgers(enter(ledger_path(protocol), missing, at=moment()))


def _received(name: str, found: Exchange) -> dict[str, Any]:
    return {
        "file": name,
        "digest": _digests_of(found)[0],
        "practice": found.practice,
        "made_with": found.made_with,
        "through": found.quarters[-1],
        "protocol": found.protocol_digest,
        "head": found.ledger_head,
    }


def _digests_of(found: Exchange) -> tuple[str, str]:
    """Digest of a file as it was sent, and the one under which earlier versions entered files without doubts."""
    content = as_sent(found)
    told = {"doubts": None, **content}
    return digest_of_text(canonical_json(content)), digest_of_text(canonical_json(told))


def practices_sent_before(protocol: Path, read: Sequence[tuple[str, Exchange]]) -> tuple[str, ...]:
    """Practices of which the ledger holds another file than those that are read now."""
    now = {digest for _, found in read for digest in _digests_of(found)}
    held = of_kind(verified_ledger(ledger_path(protocol)), "file_received")
    return tuple(sorted({str(e.body["practice"]) for e in held if e.body["digest"] not in now}))


def with_ledger(found: Found, protocol: Path, *, by: str, withdrawn: Withdrawn | None = None) -> Found:
    """Results whose looks are those of the ledger, new ones entered, with the head to print.

    The looks are entered before a page is written: what a page tells is always on record, and the same page made
    again adds nothing. ``withdrawn`` says which rows were really left out, where rows were read.
    """
    if not keeps_ledger(protocol, found.protocol):
        return found
    path = ledger_path(protocol)
    looks, quarter, records = found.looks, found.quarter, found.provenance.records_digest
    if looks is None:
        entries = verified_ledger(path)
    else:
        entries = enter(
            path,
            lambda held: new_looks(looks, found.protocol, held, by=by, records=records, quarter=quarter),
            at=moment(),
        )
    told: list[Caution] = [Caution(code="on_record", text=text) for text in events_told(entries, withdrawn)]
    return replace(
        found,
        looks=as_taken(looks, found.protocol, entries, by=by, quarter=quarter),
        caution=(*found.caution, *told),
        provenance=replace(found.provenance, ledger_head=short_head(entries)),
    )


def head_beside(protocol: Path) -> str:
    """Short head of the ledger beside a protocol, empty where there is none."""
    return short_head(verified_ledger(ledger_path(protocol)))
