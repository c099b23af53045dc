"""Looks as they were taken: read from the ledger, never judged anew."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from onsetstudy.core.errors import OnsetStudyError, ProtocolError
from onsetstudy.core.results import Caution
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.interim.results import GatedLook, LookPlan, LookSeen, LookVerdict
from onsetstudy.protocol.ledger import LedgerEntry, of_kind
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.practice.interim import judge_seen
from onsetstudy.study.results import LooksTaken

T = TypeVar("T")
SAME = 1e-6
"""Relative difference below which processors may differ and data do not."""


def as_taken(
    found: LooksTaken | None, protocol: Protocol, entries: Sequence[LedgerEntry], *, by: str, quarter: str
) -> LooksTaken | None:
    """The looks with those that the ledger holds as they were taken; later ones are judged behind them.

    Parameters
    ----------
    found : LooksTaken or None
        Computed from the records or files as they are today.
    protocol : Protocol
    entries : sequence of LedgerEntry
        The ledger.
    by : str
        ``practice`` or ``group``: whose looks these are.
    quarter : str
        Quarter of the report: later looks are not told.

    Returns
    -------
    LooksTaken or None
        With a caution for every look that today's records would give otherwise, and for every look that was not
        entered at its time.
    """
    if found is None:
        return None
    held = {label: e for label, e in _first_looks(entries, by).items() if label <= quarter}
    if not held:
        return found
    today = {s.label: s for s in found.seen}
    seen = today | {label: _seen(entry) for label, entry in held.items()}
    judged = judge_seen(protocol, found.plan, [seen[label] for label in sorted(seen)], found.caution)
    assert judged is not None
    verdicts = tuple(_verdict(held[v.label], found.plan) if v.label in held else v for v in judged.verdicts)
    cautions = [
        Caution(code="look_changed", text=_changed_text(entry, today.get(label)))
        for label, entry in sorted(held.items())
        if not _same(_seen(entry), today.get(label))
    ]
    late = [label for label, entry in sorted(held.items()) if entry.body["retrospective"]]
    if late:
        text = f"Entered in the ledger after their time, and so marked retrospective: {', '.join(late)}."
        cautions.append(Caution(code="look_retrospective", text=text))
    return dataclasses.replace(judged, verdicts=verdicts, caution=(*judged.caution, *cautions))


def _first_looks(entries: Sequence[LedgerEntry], by: str) -> dict[str, LedgerEntry]:
    """Looks by their quarter, as they were entered first."""
    taken = [e for e in of_kind(entries, "look_taken") if e.body["by"] == by and not e.body["beside"]]
    first = {e.body["quarter"]: e for e in reversed(taken)}
    return dict(sorted(first.items()))


def _seen(entry: LedgerEntry) -> LookSeen:
    return _back(entry, "seen", LookSeen)


def _verdict(entry: LedgerEntry, plan: LookPlan) -> LookVerdict:
    """The verdict as it was entered; below a binding boundary of futility, before that had a word, by today's."""
    taken = _back(entry, "verdict", LookVerdict)
    ends = taken.code == "unlikely" and plan.futility == "binding"
    return dataclasses.replace(taken, code="futile") if ends else taken


def _back(entry: LedgerEntry, field: str, kind: type[T]) -> T:
    """A part of a look as it was entered.

    Raises
    ------
    ProtocolError
        If somebody wrote an entry that is none; its chain may hold all the same.
    """
    try:
        found = from_dict(entry.body[field])
    except (OnsetStudyError, KeyError, TypeError, ValueError, AttributeError):
        found = None
    if not isinstance(found, kind):
        raise ProtocolError(f"entry {entry.seq} of the ledger holds no look that can be read; restore your backup")
    return found


def _same(one: LookSeen, other: LookSeen | None) -> bool:
    if other is None or type(one) is not type(other) or (one.information is None) != (other.information is None):
        return False
    pairs = ((one.z, other.z), (one.counted, other.counted), (one.information or 0.0, other.information or 0.0))
    return all(math.isclose(a, b, rel_tol=SAME, abs_tol=SAME) for a, b in pairs)


def looks_told_otherwise(told: LooksTaken | None, entries: Sequence[LedgerEntry], *, by: str) -> tuple[str, ...]:
    """Quarters whose look a report tells otherwise than the ledger holds it."""
    held = {label: _seen(entry) for label, entry in _first_looks(entries, by).items()}
    seen = () if told is None else told.seen
    return tuple(s.label for s in seen if s.label in held and not _same(held[s.label], s))


def _changed_text(entry: LedgerEntry, today: LookSeen | None) -> str:
    label, then = entry.body["quarter"], _seen(entry)
    now = "give no z statistic" if today is None else f"give {_z_told(today)}, over {today.counted:g} counted"
    return (
        f"{label} was taken with {_z_told(then)}, over {then.counted:g} counted, and stands so (entry "
        f"{entry.seq} of the ledger). The records were changed since: they {now}."
    )


def _z_told(look: LookSeen) -> str:
    return "cold tests that cannot bear an answer" if isinstance(look, GatedLook) else f"z {look.z:+.2f}"


def new_looks(
    found: LooksTaken | None, protocol: Protocol, entries: Sequence[LedgerEntry], *, by: str, records: str, quarter: str
) -> list[tuple[str, Mapping[str, Any]]]:
    """Entries that a report adds to the ledger: looks not taken before, and looks over changed data beside theirs.

    Parameters
    ----------
    found : LooksTaken or None
        Computed from the records as they are today.
    protocol : Protocol
    entries : sequence of LedgerEntry
    by : str
    records : str
        Digest of the records or files.
    quarter : str
        Quarter of the report: earlier ones that are not in the ledger are entered as retrospective.

    Returns
    -------
    list of (kind, body)
        Empty if the same report was made before: reading a study again changes nothing.
    """
    judged = as_taken(found, protocol, entries, by=by, quarter=quarter)
    if found is None or judged is None:
        return []
    held = _first_looks(entries, by)
    entered = [e for e in of_kind(entries, "look_taken") if e.body["by"] == by]
    verdicts = {v.label: v for v in judged.verdicts}
    new: list[tuple[str, Mapping[str, Any]]] = []
    for look in found.seen:
        first = held.get(look.label)
        if any(_same(_seen(e), look) for e in entered if e.body["quarter"] == look.label):
            continue
        body = {
            "quarter": look.label,
            "by": by,
            "primary": found.primary,
            "protocol": protocol.digest,
            "records": records,
            "seen": to_dict(look),
            "verdict": to_dict(verdicts[look.label]),
            "retrospective": first is None and look.label != quarter,
            "beside": first.seq if first is not None else 0,
        }
        new.append(("look_taken", body))
    return new
