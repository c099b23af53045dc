"""Lists of the cases that reports stood on: kept beside archived reports, for who holds the records alone."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from onsetstudy.files.guard import Unreadable, read_json
from onsetstudy.records.derived.roster import ROWS, Listed, Roster, roster_change

__all__ = ["case_list", "codes_told", "counts_told", "find_case_list"]

WHAT = "Cases that the documents named below stood on. For who holds the records: not to be given away."
MOST_CASES = 10_000_000
LONGEST = 200


def case_list(roster: Roster, made: Mapping[str, bytes]) -> bytes:
    """Text of the list of cases of a report, which names its documents by their digests."""
    body = {
        "what": WHAT,
        "documents": _digests(made),
        "rows": dict(roster.rows),
        "cases": {code: asdict(listed) for code, listed in sorted(roster.cases.items())},
    }
    return (json.dumps(body, indent=0, sort_keys=True, ensure_ascii=False) + "\n").encode()


def find_case_list(folder: Path, name: str, documents: Mapping[str, bytes]) -> Roster | None:
    """The list that was kept with these documents; ``None`` where there is none that can be read."""
    digests = _digests(documents)
    for path in sorted(folder.glob(f"{name}.*.cases.json")):
        try:
            content = read_json(path)
        except Unreadable:
            continue
        held = content.get("documents") if isinstance(content, dict) else None
        if isinstance(held, dict) and any(held.get(file) == digest for file, digest in digests.items()):
            return _roster(content)
    return None


def _digests(documents: Mapping[str, bytes]) -> dict[str, str]:
    return {name: hashlib.sha256(content).hexdigest() for name, content in documents.items()}


def _roster(content: Mapping[str, Any]) -> Roster | None:
    rows, cases = content.get("rows"), content.get("cases")
    if not isinstance(rows, dict) or not isinstance(cases, dict) or len(cases) > MOST_CASES:
        return None
    if set(rows) != set(ROWS) or not all(type(n) is int and n >= 0 for n in rows.values()):
        return None
    if not all(_text(code) and _is_case(told) for code, told in cases.items()):
        return None
    return Roster(rows=rows, cases={code: Listed(**told) for code, told in cases.items()})


def _is_case(told: Any) -> bool:
    return isinstance(told, dict) and set(told) == {"row", "tests", "standing"} and all(map(_text, told.values()))


def _text(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= LONGEST and value.isprintable()


def counts_told(before: Roster | None, now: Roster, *, place: str) -> Iterator[str]:
    """What anybody may read of it: numbers of rows and of cases, and where the codes stand."""
    if before is None:
        yield "No list of cases was kept with the earlier report: which cases came, went or changed is not told."
        return
    change = roster_change(before, now)
    for name, a, b in change.rows:
        if a != b:
            yield f"Rows, {name}: {a} → {b} ({b - a:+d})."
    yield (
        f"Cases added: {len(change.added)}; left: {len(change.left)}; changed: {len(change.changed)}. Their codes are "
        f"in {place}, for who holds the records."
    )


def codes_told(before: Roster, now: Roster, *, was: str, became: str) -> bytes:
    """The codes of cases that came, went or changed between two reports, named by their marks."""
    change = roster_change(before, now)
    lines = [
        f"Cases from the report {was} to the report {became}. For who holds the records: not to be given away.",
        *(f"Rows, {name}: {a} → {b} ({b - a:+d})." for name, a, b in change.rows),
        f"Added: {len(change.added)}",
        *(f"  {code}" for code in change.added),
        f"Left, taken out of the records or refused: {len(change.left)}",
        *(f"  {code}" for code in change.left),
        f"Changed: {len(change.changed)}",
        *(f"  {code}: {what}" for code, what in change.changed),
    ]
    return ("\n".join(lines) + "\n").encode()
