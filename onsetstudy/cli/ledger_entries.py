"""What doors enter in the ledger, and what they read from it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from onsetstudy.core.errors import OnsetStudyError

if TYPE_CHECKING:
    from onsetstudy.protocol.ledger import LedgerEntry, Withdrawn
    from onsetstudy.protocol.lock_results import ProtocolLock
    from onsetstudy.protocol.model import Protocol
    from onsetstudy.study.exchange_results import Exchange
    from onsetstudy.study.group.results import GroupResults
    from onsetstudy.study.practice.results import StudyResults

__all__ = [
    "enter_event",
    "enter_files",
    "enter_lock",
    "enter_opening",
    "enter_openings_for",
    "head_beside",
    "keeps_ledger",
    "moment",
    "plain_code",
    "plain_reason",
    "practices_sent_before",
    "refuse_cut_coordinator_log",
    "refuse_cut_log",
    "with_ledger",
]

Found = TypeVar("Found", "StudyResults", "GroupResults")
Proposed = tuple[str, Mapping[str, Any]]


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
    from onsetstudy.records.checks.privacy import reason_fault

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
    from onsetstudy.core.errors import DesignError
    from onsetstudy.records.checks.privacy import looks_like_a_person, may_be_a_name

    told = code.strip()
    if looks_like_a_person(told) or may_be_a_name(told):
        raise DesignError(
            f"the code of {whose} may be a name, and it is kept for ever. Give codes, not names: with a digit, such as "
            "P01-A, or of at most four letters; nothing was opened or entered"
        )
    return told


def keeps_ledger(protocol: Path, promised: Protocol) -> bool:
    """Whether a report enters what it saw: a study with a ledger does, an invented one without it begins none."""
    from onsetstudy.files.ledger.ledger import ledger_path

    return ledger_path(protocol).exists() or not promised.study.invented


def enter_lock(protocol: Path, lock: ProtocolLock) -> None:
    """Enter every version of the lock that the ledger does not hold yet."""
    from onsetstudy.files.ledger.ledger import enter, ledger_path
    from onsetstudy.protocol.ledger import of_kind

    def missing(entries: tuple[LedgerEntry, ...]) -> list[Proposed]:
        held = {e.body["digest"] for e in of_kind(entries, "protocol_locked")}
        return [
            (
                "protocol_locked",
                {
                    "study": lock.study_id,
                    "version": v.number,
                    "digest": v.digest,
                    "reason": v.reason,
                    "day": v.day,
                },
            )
            for v in lock.versions
            if v.digest not in held
        ]

    enter(ledger_path(protocol), missing, at=moment())


def refuse_cut_log(sealed: Path, protocol: Path | None) -> None:
    """Stop before a slip is opened where the log lacks openings that the ledger holds.

    Raises
    ------
    OnsetStudyError
        With the slips that are missing.
    """
    from onsetstudy.files.ledger.ledger import ledger_path, practice_ledger_path, verified_ledger
    from onsetstudy.files.sealed.opening_log import log_path, read_opening_log, read_sealed
    from onsetstudy.protocol.ledger import of_kind

    log = log_path(sealed)
    if not sealed.exists():
        return
    practice = str(read_sealed(sealed)["practice"])
    lines = set(read_opening_log(log)[0]["chain"].astype(str)) if log.exists() else set()
    entries = verified_ledger(practice_ledger_path(sealed) if protocol is None else ledger_path(protocol))
    opened = [e for e in of_kind(entries, "slip_opened") if e.body["practice"] == practice]
    if lost := [e.body["slip"] for e in opened if e.body["line"] not in lines]:
        raise OnsetStudyError(
            f"the ledger holds openings that the log {log.name} does not show: {', '.join(lost[:5])}. The log was cut, "
            "deleted or written anew; restore it from your backup. Nothing was opened"
        )


def enter_opening(sealed: Path, protocol: Path | None = None) -> None:
    """Enter every opening of the log that the ledger does not hold: one that a power cut kept out comes in too."""
    from onsetstudy.files.ledger.ledger import enter, ledger_path, practice_ledger_path
    from onsetstudy.files.sealed.opening_log import log_path, read_opening_log, read_sealed
    from onsetstudy.protocol.ledger import of_kind

    log, _ = read_opening_log(log_path(sealed))
    practice = str(read_sealed(sealed)["practice"])

    def missing(entries: tuple[LedgerEntry, ...]) -> list[Proposed]:
        held = {(e.body["slip"], e.body["line"]) for e in of_kind(entries, "slip_opened")}
        return [
            (
                "slip_opened",
                {
                    "practice": practice,
                    "slip": row["slip"],
                    "case": row["case_id"],
                    "opened_at": row["opened_at"],
                    "line": row["chain"],
                },
            )
            for row in log.astype(str).to_dict("records")
            if (row["slip"], row["chain"]) not in held
        ]

    enter(practice_ledger_path(sealed) if protocol is None else ledger_path(protocol), missing, at=moment())


def refuse_cut_coordinator_log(log: Path, practice: str, protocol: Path) -> None:
    """Stop before the keeper opens a slip where the log lacks openings that the ledger holds.

    Raises
    ------
    OnsetStudyError
        With the slips that are missing.
    """
    from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
    from onsetstudy.files.sealed.opening_log import read_opening_log
    from onsetstudy.protocol.ledger import of_kind

    lines = set(read_opening_log(log)[0]["chain"].astype(str)) if log.exists() else set()
    held = of_kind(verified_ledger(ledger_path(protocol)), "slip_opened_for")
    if lost := [e.body["slip"] for e in held if e.body["practice"] == practice and e.body["line"] not in lines]:
        raise OnsetStudyError(
            f"the ledger holds openings that the log {log.name} does not show: {', '.join(lost[:5])}. Restore the log "
            "from your backup, or name the folder that it is in. Nothing was opened"
        )


def enter_openings_for(log: Path, practice: str, protocol: Path) -> None:
    """Enter every opening of the keeper's log that the ledger does not hold: who asked and when, never the arm."""
    from onsetstudy.files.ledger.ledger import enter, ledger_path
    from onsetstudy.files.sealed.coordinator import ASKED_JOIN
    from onsetstudy.files.sealed.opening_log import read_opening_log
    from onsetstudy.protocol.ledger import of_kind

    lines = read_opening_log(log)[0].astype(str).to_dict("records")

    def missing(entries: tuple[LedgerEntry, ...]) -> list[Proposed]:
        held = {e.body["line"] for e in of_kind(entries, "slip_opened_for")}
        return [
            (
                "slip_opened_for",
                {
                    "practice": practice,
                    "slip": row["slip"],
                    "case": row["case_id"],
                    "asked_by": row["opened_by"].split(ASKED_JOIN)[0],
                    "opened_at": row["opened_at"],
                    "line": row["chain"],
                },
            )
            for row in lines
            if row["chain"] not in held
        ]

    enter(ledger_path(protocol), missing, at=moment())


def enter_event(ledger: Path, kind: str, body: Mapping[str, Any]) -> LedgerEntry:
    """Enter one event and return its entry."""
    from onsetstudy.files.ledger.ledger import enter, ledger_path

    return enter(ledger_path(ledger), lambda _: [(kind, body)], at=moment())[-1]


def enter_files(protocol: Path, read: Sequence[tuple[str, Exchange]]) -> tuple[str, ...]:
    """Enter the files of practices that were not entered before; what their ledgers' heads give away, as sentences."""
    from onsetstudy.files.ledger.ledger import enter, ledger_path
    from onsetstudy.protocol.ledger import of_kind, shorter_ledgers

    bodies = [
        {
            "file": name,
            "digest": _digests_of(found)[0],
            "practice": found.practice,
            "made_with": found.made_with,
            "through": found.quarters[-1],
            "protocol": found.protocol_digest,
            "head": found.ledger_head,
        }
        for name, found in read
    ]

    def missing(entries: tuple[LedgerEntry, ...]) -> list[Proposed]:
        held = {e.body["digest"] for e in of_kind(entries, "file_received")}
        fresh = [not held.intersection(_digests_of(found)) for _, found in read]
        return [("file_received", body) for body, new in zip(bodies, fresh, strict=True) if new]

    return shorter_ledgers(enter(ledger_path(protocol), missing, at=moment()))


def _digests_of(found: Exchange) -> tuple[str, str]:
    """Digest of a file as it was sent, and the one under which earlier versions entered files without doubts."""
    from onsetstudy.core.canonical import canonical_json, digest_of_text
    from onsetstudy.study.exchange_results import as_sent

    content = as_sent(found)
    told = {"doubts": None, **content}
    return digest_of_text(canonical_json(content)), digest_of_text(canonical_json(told))


def practices_sent_before(protocol: Path, read: Sequence[tuple[str, Exchange]]) -> tuple[str, ...]:
    """Practices of which the ledger holds another file than those that are read now."""
    from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
    from onsetstudy.protocol.ledger import of_kind

    now = {digest for _, found in read for digest in _digests_of(found)}
    held = of_kind(verified_ledger(ledger_path(protocol)), "file_received")
    return tuple(sorted({str(e.body["practice"]) for e in held if e.body["digest"] not in now}))


def with_ledger(found: Found, protocol: Path, *, by: str, withdrawn: Withdrawn | None = None) -> Found:
    """Results whose looks are those of the ledger, new ones entered, with the head to print.

    The looks are entered before a page is written: what a page tells is always on record, and the same page made
    again adds nothing. ``withdrawn`` says which rows were really left out, where rows were read.
    """
    from onsetstudy.core.results import Caution
    from onsetstudy.files.ledger.ledger import enter, ledger_path, verified_ledger
    from onsetstudy.protocol.ledger import events_told, short_head
    from onsetstudy.study.practice.interim_on_record import as_taken, new_looks

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
    events = events_told(entries, withdrawn)
    taken = as_taken(looks, found.protocol, entries, by=by, quarter=quarter)
    told: tuple[Caution, ...] = tuple(Caution(code="on_record", text=text) for text in events)
    return replace(
        found,
        looks=taken,
        caution=(*found.caution, *told),
        provenance=replace(found.provenance, ledger_head=short_head(entries)),
    )


def head_beside(protocol: Path) -> str:
    """Short head of the ledger beside a protocol, empty where there is none."""
    from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
    from onsetstudy.protocol.ledger import short_head

    return short_head(verified_ledger(ledger_path(protocol)))
