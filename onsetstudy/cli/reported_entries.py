"""What reports enter in the ledger: the looks that they tell, and the files of practices that they stand on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from onsetstudy.cli.ledger_entries import entered, keeps_ledger, moment
from onsetstudy.core.results import Caution
from onsetstudy.files.ledger.ledger import Proposed, enter, ledger_path, verified_ledger
from onsetstudy.protocol.ledger import LedgerEntry, Withdrawn, events_told, of_kind, short_head, shorter_ledgers
from onsetstudy.study.exchange_results import Exchange, digests_as_sent
from onsetstudy.study.group.results import GroupResults
from onsetstudy.study.practice.interim_on_record import as_taken, new_looks
from onsetstudy.study.practice.results import StudyResults

Found = TypeVar("Found", StudyResults, GroupResults)


def enter_files(protocol: Path, read: Sequence[tuple[str, Exchange]]) -> tuple[str, ...]:
    """Enter the files of practices that were not entered before; what their ledgers' heads give away, as sentences."""

    def missing(entries: tuple[LedgerEntry, ...]) -> list[Proposed]:
        held = {e.body["digest"] for e in of_kind(entries, "file_received")}
        return [
            ("file_received", _received(name, found)) for name, found in read if held.isdisjoint(digests_as_sent(found))
        ]

    return shorter_ledgers(enter(ledger_path(protocol), missing, at=moment()))


def _received(name: str, found: Exchange) -> dict[str, Any]:
    return {
        "file": name,
        "digest": digests_as_sent(found)[0],
        "practice": found.practice,
        "made_with": found.made_with,
        "through": found.quarters[-1],
        "protocol": found.protocol_digest,
        "head": found.ledger_head,
    }


def practices_sent_before(protocol: Path, read: Sequence[tuple[str, Exchange]]) -> tuple[str, ...]:
    """Practices of which the ledger holds another file than those that are read now."""
    now = {digest for _, found in read for digest in digests_as_sent(found)}
    held = entered(protocol, "file_received")
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
        found.with_looks(as_taken(looks, found.protocol, entries, by=by, quarter=quarter)),
        caution=(*found.caution, *told),
        provenance=replace(found.provenance, ledger_head=short_head(entries)),
    )
