"""The ledger of a study: what happened, in order, each entry bound to the one before it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from onsetstudy.core.canonical import canonical_json, digest_if_any, digest_of_content
from onsetstudy.core.errors import Problem, ProtocolError, Where

GENESIS = "0" * 64
"""What the first entry names as the one before it."""
KINDS: dict[str, tuple[str, ...]] = {
    "protocol_locked": ("study", "version", "digest", "reason", "day"),
    "list_drawn": ("protocol", "commitment", "slips", "files"),
    "slip_opened": ("practice", "slip", "case", "opened_at", "line"),
    "slip_opened_for": ("practice", "slip", "case", "asked_by", "opened_at", "line"),
    "unblinded": ("slip", "case", "reason"),
    "file_received": ("file", "digest", "practice", "made_with", "through", "protocol", "head"),
    "look_taken": ("quarter", "by", "primary", "protocol", "records", "seen", "verdict", "retrospective", "beside"),
    "consent_withdrawn": ("case", "data", "reason"),
    "paused": ("reason",),
    "resumed": ("reason",),
    "closed": ("reason",),
}
"""Kinds of entries, each with what its body holds, and nothing else."""
FIELDS = {"at": str, "body": dict, "digest": str, "kind": str, "previous": str, "seq": int}
LONGEST_LINE = 20_000
SHORT = 16
STOPS = ("paused", "resumed", "closed")
"""Kinds by which a study stands still, goes on or ends."""
NEVER = ("arm", "arms", "arm_allocated", "allocated_arm")


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerEntry:
    """One entry.

    Parameters
    ----------
    seq : int
        From 1, without a gap.
    kind : str
        One of :data:`KINDS`.
    at : str
        Time (UTC) at which it was entered, ``2026-07-01T09:30:00+00:00``.
    body : mapping
        What happened, as plain JSON values; ``clock_back`` is added where the clock had run back.
    previous : str
        Digest of the entry before, or :data:`GENESIS`.
    digest : str
        SHA-256 of the canonical JSON of all the others.
    """

    seq: int
    kind: str
    at: str
    body: Mapping[str, Any]
    previous: str
    digest: str


def make_entry(before: Sequence[LedgerEntry], kind: str, body: Mapping[str, Any], *, at: str) -> LedgerEntry:
    """The entry that follows those that are there.

    Parameters
    ----------
    before : sequence of LedgerEntry
        The ledger so far, verified.
    kind : str
    body : mapping
        Exactly the fields that :data:`KINDS` names.
    at : str
        Time of entering, to the second.

    Raises
    ------
    ProtocolError
        If the kind is not known, or the body has other fields, or holds an arm.
    """
    if (wanted := KINDS.get(kind)) is None or set(body) != set(wanted):
        raise ProtocolError(f"an entry of the kind {kind} holds {', '.join(wanted or ('nothing that is known',))}")
    if found := _forbidden(body):
        raise ProtocolError(f"the ledger never holds an arm, and this entry holds {found}")
    told = dict(body)
    if before and at < before[-1].at:
        told["clock_back"] = True
    entry = LedgerEntry(seq=len(before) + 1, kind=kind, at=at, body=told, previous=head_of(before), digest="")
    return replace(entry, digest=digest_of_content(_bound(entry)))


def _forbidden(body: object) -> str:
    """An arm of a case anywhere below; the verdict of a look, which names directions, holds none."""
    if isinstance(body, Mapping):
        return next((k if k in NEVER else f for k, v in body.items() if k in NEVER or (f := _forbidden(v))), "")
    if isinstance(body, list | tuple):
        return next((f for v in body if (f := _forbidden(v))), "")
    return ""


def _bound(entry: LedgerEntry) -> dict[str, Any]:
    """What the digest of an entry is of."""
    return {name: getattr(entry, name) for name in FIELDS if name != "digest"}


def head_of(entries: Sequence[LedgerEntry]) -> str:
    """Digest of the last entry: whoever knows it knows whether anything before it was changed or cut off."""
    return entries[-1].digest if entries else GENESIS


def short_head(entries: Sequence[LedgerEntry]) -> str:
    """Number and beginning of the head, as documents print it: ``12:0f3a…``; empty without an entry."""
    return f"{entries[-1].seq}:{entries[-1].digest[:SHORT]}" if entries else ""


def entry_line(entry: LedgerEntry) -> str:
    """An entry as a line of the file."""
    return canonical_json({name: getattr(entry, name) for name in FIELDS}) + "\n"


def read_entries(text: str, *, file: str = "") -> tuple[LedgerEntry, ...]:
    """Entries of a ledger's text, in order, not yet verified.

    Raises
    ------
    ProtocolError
        If a line is no entry, or the last line was cut off.
    """
    if not text:
        return ()
    if not text.endswith("\n"):
        raise _refused(file, text.count("\n") + 1, "the last line was cut off")
    return tuple(_entry(line, file, row) for row, line in enumerate(text[:-1].split("\n"), start=1))


def _entry(line: str, file: str, row: int) -> LedgerEntry:
    if len(line) > LONGEST_LINE:
        raise _refused(file, row, "the line is too long for an entry")
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        raise _refused(file, row, "the line cannot be read") from None
    types = {name: type(part) for name, part in found.items()} if isinstance(found, dict) else None
    if types != FIELDS or found["kind"] not in KINDS:
        raise _refused(file, row, "the line is no entry that this version knows")
    return LedgerEntry(**found)


def verify_entries(entries: Sequence[LedgerEntry]) -> tuple[str, ...]:
    """What does not hold in the chain, as sentences; empty if it holds.

    Notes
    -----
    A chain that was computed anew from its beginning holds. Only a head that somebody else knows tells it from the
    one that was there: the heads on printed documents and in files that were sent.
    """
    faults, previous = [], GENESIS
    for number, entry in enumerate(entries, start=1):
        wanted = set(KINDS[entry.kind])
        if entry.seq != number:
            faults.append(f"Entry {number} is numbered {entry.seq}: an entry was taken out or put in.")
        elif entry.previous != previous:
            faults.append(f"Entry {number} does not follow the one before it: something before it was changed.")
        elif entry.digest != digest_if_any(_bound(entry)):
            faults.append(f"Entry {number} was changed: its digest does not fit.")
        elif set(entry.body) - {"clock_back"} != wanted:
            faults.append(f"Entry {number} does not hold what an entry of its kind holds.")
        previous = entry.digest
    return tuple(faults)


def _refused(file: str, row: int, what: str) -> ProtocolError:
    mend = "restore the ledger from your backup; a ledger that was cut disagrees with the documents that quote it"
    return ProtocolError(Problem(what=what, where=Where(file=file, row=row), mend=mend, code="ledger"))


def sentence(entry: LedgerEntry) -> str:
    """An entry in words."""
    back = " The clock had run back." if entry.body.get("clock_back") else ""
    try:
        told = _told(entry.kind, entry.body)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError):
        told = f"an entry of the kind {entry.kind} whose content cannot be told."
    return f"{entry.seq}. {entry.at[:19].replace('T', ' ')} UTC: {told}{back}"


def _told(kind: str, body: Mapping[str, Any]) -> str:
    if kind == "look_taken":
        return _look_told(body)
    if kind == "consent_withdrawn":
        kept = "its data up to then stay" if body["data"] == "kept" else "its rows are left out and counted"
        why = f" Reason: {body['reason']}" if body["reason"] else ""
        return f"Consent withdrawn for case {body['case']}; {kept}.{why}"
    if kind == "file_received":
        head = f"; head of its ledger {body['head']}" if body["head"] else ""
        through = body["through"] or "no quarter"
        return (
            f"File {body['file']} received of {body['practice']}, made by {body['made_with']}, counted through "
            f"{through}; SHA-256 {body['digest']}{head}."
        )
    return {
        "protocol_locked": "Protocol of {study} locked, version {version} of {day}: {reason}. SHA-256 {digest}.",
        "list_drawn": "List of {slips} slips drawn; commitment {commitment}.",
        "slip_opened": "Slip {slip} of {practice} opened for case {case}, by the clock at {opened_at}.",
        "slip_opened_for": "Slip {slip} opened by the list's keeper for case {case} of {practice}, as {asked_by} "
        "asked, by the clock at {opened_at}.",
        "unblinded": "Emergency unblinding of case {case}, slip {slip}: {reason}",
        "paused": "Study paused: {reason}",
        "resumed": "Study resumed: {reason}",
        "closed": "Study closed: {reason}",
    }[kind].format(**body)


def _look_told(body: Mapping[str, Any]) -> str:
    seen, verdict = body["seen"], body["verdict"]
    boundary = verdict["boundary"]
    # A look that only describes has none: infinity, which JSON holds as a text.
    against = "without a boundary" if isinstance(boundary, str) else f"against a boundary of {boundary:.2f}"
    gated = seen.get("kind") == "gated_look"
    z = "gated, as the cold tests could not bear an answer" if gated else f"z {float(seen['z']):+.2f}"
    if body["beside"]:
        return f"Look at {body['quarter']} over changed data, beside entry {body['beside']} which stands: {z}."
    told = f"{z}; its alpha counts as spent, {against}" if gated else f"{z} {against}"
    late = " Retrospective: this quarter was first looked at before there was a ledger, or not at its time."
    return f"Look at {body['quarter']} taken ({body['by']}): {told}.{late if body['retrospective'] else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawn:
    """What codes of the ledger whose consent was taken back met in the records that were read.

    Parameters
    ----------
    left_out : int
        Cases whose rows were left out, refused ones too.
    unmatched : tuple of str
        Codes, as they were entered, that no row has.
    """

    left_out: int
    unmatched: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Whether a study is under way: its last entry of :data:`STOPS`, and the reason of that."""

    kind: str = "resumed"
    reason: str = ""

    @property
    def halt(self) -> str:
        """That no further case begins, and why; empty while the study is under way."""
        return "" if self.kind == "resumed" else f"the study is {self.kind}: {self.reason.rstrip('.')}"

    def turn_fault(self, kind: str) -> str:
        """Why it cannot be paused, go on or be closed; empty if it can, and for any other kind."""
        if kind not in STOPS or (kind != self.kind and self.kind != "closed"):
            return ""
        return f"the study is {'under way' if self.kind == 'resumed' else self.kind} already"


def standing_of(entries: Sequence[LedgerEntry]) -> Standing:
    """How a study stands by its ledger."""
    last = next((e for e in reversed(entries) if e.kind in STOPS), None)
    return Standing() if last is None else Standing(kind=last.kind, reason=str(last.body["reason"]))


def withdrawals(entries: Sequence[LedgerEntry]) -> dict[str, str]:
    """Each code whose consent was taken back, as first entered, and whether its data are ``kept`` or ``removed``.

    Capitals do not tell two codes apart; who asked once that the data be removed is not asked again.
    """
    written: dict[str, str] = {}
    found: dict[str, str] = {}
    for entry in of_kind(entries, "consent_withdrawn"):
        code = written.setdefault(str(entry.body["case"]).casefold(), str(entry.body["case"]))
        if found.get(code) != "removed":
            found[code] = str(entry.body["data"])
    return found


def events_told(entries: Sequence[LedgerEntry], withdrawn: Withdrawn | None = None) -> tuple[str, ...]:
    """What a report tells of the conduct of the study: unblinding, consent taken back, pauses, the closing.

    Parameters
    ----------
    entries : sequence of LedgerEntry
    withdrawn : Withdrawn or None
        What was really left out; ``None`` where no row was read, as by the group.
    """
    opened = of_kind(entries, "unblinded")
    gone = withdrawals(entries)
    told = []
    if opened:
        told.append(f"Emergency unblinding: {_cases(len({str(e.body['case']).casefold() for e in opened}))}.")
    if gone:
        told.append(_withdrawn_told(gone, withdrawn))
    stopped = [e for e in entries if e.kind in STOPS]
    told += [f"{e.at[:10]}, {_told(e.kind, e.body)}" for e in stopped]
    return tuple(told)


def _withdrawn_told(gone: Mapping[str, str], withdrawn: Withdrawn | None) -> str:
    """What was asked, and beside it what was done: an entry with a mistyped code leaves nobody out."""
    removed = sum(data == "removed" for data in gone.values())
    told = f"Consent taken back: {_cases(len(gone))} entered, {removed} of them with all data to be removed"
    if withdrawn is None:
        return f"{told}; rows are left out where they are read."
    told += f"; the rows of {_cases(withdrawn.left_out)} were left out."
    if withdrawn.unmatched:
        codes = ", ".join(withdrawn.unmatched)
        told += (
            f" No row that was read has the code {codes}: nothing was left out for it; look whether it was mistyped."
        )
    return told


def _cases(n: int) -> str:
    return "1 case" if n == 1 else f"{n} cases"


def head_stands(entries: Sequence[LedgerEntry], head: str) -> bool:
    """Whether a short head that was printed or sent is that of this ledger as it was then."""
    number, _, start = head.strip().partition(":")
    if not number.isdecimal() or not 1 <= int(number) <= len(entries) or len(start) != SHORT:
        return False
    return entries[int(number) - 1].digest.startswith(start.lower())


def shorter_ledgers(entries: Sequence[LedgerEntry]) -> tuple[str, ...]:
    """Practices whose ledger was longer when they sent an earlier file: it was cut or begun anew, as sentences."""
    longest: dict[str, int] = {}
    told = []
    for entry in of_kind(entries, "file_received"):
        number, practice = str(entry.body["head"]).partition(":")[0], entry.body["practice"]
        length = int(number) if number.isdecimal() else 0
        if length < longest.get(practice, 0):
            told.append(
                f"{practice}: its ledger had {longest[practice]} entries when it sent an earlier file, and {length} "
                f"with {entry.body['file']}. It was cut or begun anew; ask why."
            )
        longest[practice] = max(length, longest.get(practice, 0))
    return tuple(told)


def of_kind(entries: Iterable[LedgerEntry], kind: str) -> tuple[LedgerEntry, ...]:
    """Entries of one kind."""
    return tuple(entry for entry in entries if entry.kind == kind)
