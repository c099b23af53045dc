"""Which cases a report stood on, by their codes and digests: for who holds the records, and nobody else."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from onsetstudy.core.canonical import canonical_value
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.records.checks.no_records import read, refused
from onsetstudy.records.derived.flow import exclusion_reasons
from onsetstudy.records.model import Records

ANALYSED = "analysed"
ROWS = ("cases read", "cases accepted", "cold tests read", "cold tests accepted", "rows refused")
"""What of the records is counted in rows."""
NOT_CONTENT = ("case_id", "source_row", "notes", "quarter")
"""Columns that are no part of what was found in a case."""
SHORT = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One accepted case: beginnings of the digests of its row and of its cold tests, and what became of it.

    ``standing`` is ``analysed`` or the code of the reason for which it was left out.
    """

    row: str
    tests: str
    standing: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Roster:
    """Every accepted case of a report by its code; of refused rows the number, for their codes may be names."""

    rows: Mapping[str, int] = field(hash=False)
    cases: Mapping[str, Listed] = field(hash=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class RosterChange:
    """How one roster became another: codes that came, that went, and what is other in those that stayed."""

    added: tuple[str, ...]
    left: tuple[str, ...]
    changed: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, int, int], ...]


def case_roster(records: Records, protocol: Protocol, *, through: Quarter) -> Roster:
    """The roster of checked records, as a report through a quarter stands on them."""
    standing = exclusion_reasons(records, protocol, through=through)
    rows = dict(zip(records.cases["case_id"].astype(str), _texts(records.cases), strict=True))
    tests: dict[str, list[str]] = {code: [] for code in rows}
    for code, text in zip(records.readings["case_id"].astype(str), _texts(records.readings), strict=True):
        tests.setdefault(code, []).append(text)
    cases, cold_tests, lost = read(records, "cases"), read(records, "cold_tests"), len(refused(records))
    counts = (cases, len(rows), cold_tests, len(records.readings), lost)
    return Roster(
        rows=dict(zip(ROWS, counts, strict=True)),
        cases={
            code: Listed(row=_digest(rows[code]), tests=_digest(*sorted(tests[code])), standing=str(reason) or ANALYSED)
            for code, reason in zip(rows, standing, strict=True)
        },
    )


def roster_change(before: Roster, now: Roster) -> RosterChange:
    """What changed from one roster to the next; codes are compared without capitals, as everywhere."""
    was = {code.casefold(): listed for code, listed in before.cases.items()}
    today = {code.casefold(): listed for code, listed in now.cases.items()}
    both = [(code, was[code.casefold()], listed) for code, listed in now.cases.items() if code.casefold() in was]
    told = ((code, _difference(a, b)) for code, a, b in both)
    return RosterChange(
        added=tuple(sorted(code for code in now.cases if code.casefold() not in was)),
        left=tuple(sorted(code for code in before.cases if code.casefold() not in today)),
        changed=tuple(sorted((code, text) for code, text in told if text)),
        rows=tuple((name, before.rows.get(name, 0), now.rows.get(name, 0)) for name in ROWS),
    )


def _difference(was: Listed, now: Listed) -> str:
    parts = [name for name, a, b in (("its row", was.row, now.row), ("its cold tests", was.tests, now.tests)) if a != b]
    if was.standing != now.standing:
        parts.append(f"{was.standing} → {now.standing}")
    return ", ".join(parts)


def _texts(frame: pd.DataFrame) -> list[str]:
    """One canonical text for every row; what is missing leaves no trace, so that new columns change nothing."""
    lines: list[list[str]] = [[] for _ in range(len(frame))]
    for name in sorted(set(map(str, frame.columns)) - set(NOT_CONTENT)):
        column: pd.Series[Any] = frame[name]
        for line, missing, value in zip(lines, column.isna().tolist(), column.tolist(), strict=True):
            if not missing:
                line.append(f"{name}={canonical_value(value)}")
    return ["\x1f".join(line) for line in lines]


def _digest(*texts: str) -> str:
    return hashlib.sha256("\n".join(texts).encode("utf-8")).hexdigest()[:SHORT]
