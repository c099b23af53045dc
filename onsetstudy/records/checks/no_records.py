"""Lines of a table that are no records: sums of the others, and a second line of headings."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.headings import normal_heading
from onsetstudy.records.model import Records
from onsetstudy.records.schema import ALWAYS, TABLES

NO_RECORD = ("totals_row", "heading_row")
"""Reasons of refused lines that are no records."""

SUM = re.compile(
    r"((?:grand )?totals?|subtotals?|sums?|means?|averages?|medians?|count|summen?|gesamt|anzahl|mittelwert|"
    r"durchschnitt|somme|moyenne|suma|promedio|media|totale|somma|totaal|gemiddelde|[ØΣ∑])"
    r"(?: (?:of|all|cases|buffered|not buffered|plain))*(?:\s*[:=(].*)?",
    re.IGNORECASE,
)
"""What a line of sums calls itself: "Total", "Mean buffered", "Average (n = 24)"."""
SHORT = ("n", "sd")
"""What it may call itself where a code stands else: elsewhere these may be an answer or somebody's initials."""
UNREADABLE = ("not_a_number", "not_a_time", "not_a_clock_time", "not_a_date", "code", "tooth", "ambiguous_number",
              "ambiguous_date")  # fmt: skip
"""Reasons for which a cell holds no value of its column at all."""


def set_no_records_aside(found: Findings) -> None:
    """Refuse each such line once, for being none; whatever else was found in it says nothing."""
    out = "it counts as none, and may stand there"
    found.set_aside(_sums(found), "totals_row", "this line sums up the others and is no record", out)
    what = "this is a second line of headings, or of their units, and no record"
    found.set_aside(_headings(found), "heading_row", what, out)


def read(records: Records, table: str) -> int:
    """How many records of a table were read, accepted or not; lines that are none stand among the rejects."""
    none = (records.rejects["table"] == table) & records.rejects["code"].isin(NO_RECORD)
    return (records.rows_read if table == "cases" else records.readings_read) - int(none.sum())


def refused(records: Records, *tables: str) -> pd.DataFrame:
    """Refused records of some tables, by default of both."""
    rejects = records.rejects
    return rejects[rejects["table"].isin(tables or TABLES) & ~rejects["code"].isin(NO_RECORD)]


def sums_up(row: Mapping[str, str], asked: Collection[str]) -> bool:
    """Whether a row, by its columns, is one of sums: a spreadsheet's totals or means.

    Where the code of a case would stand it calls itself so, and tells no arm and no answer, or most of the fields asked
    of every record are empty. Else most are, no code stands there, and a word for a sum does elsewhere.
    """
    code = row.get("case_id", "").strip()
    told = [name for name in asked if name in row and name != "case_id" and not _names_a_sum(row[name])]
    bare = 2 * len(told) < len(asked) - 1
    if _names_a_sum(code):
        # Somebody's word for a case may be one for a sum.
        return bare or not any(row.get(name, "").strip().casefold() in CODES[name] for name in ("arm", "response"))
    short = (code or row.get("patient_id", "")).strip().rstrip(":").casefold() in SHORT
    return bare and (short or (not code and any(map(_names_a_sum, row.values()))))


def _names_a_sum(text: str) -> bool:
    return SUM.fullmatch(text.strip()) is not None


def _sums(found: Findings) -> list[int]:
    """Rows of sums."""
    always, written = ALWAYS[found.table], found.raw.frame
    maybe = written[always].notna().to_numpy().sum(axis=1) * 2 < len(always) + 1
    maybe |= found.spelled("case_id", _names_a_sum)
    # Few rows may be one: cell by cell they are read sooner than the table is column by column.
    rows = np.flatnonzero(maybe).tolist()
    return [row for row in rows if sums_up({str(c): str(v) for c, v in written.iloc[row].dropna().items()}, always)]


def _headings(found: Findings) -> list[int]:
    """Rows that repeat the headings, wherever they stand; and a first row in which no cell is a value of its column."""
    # A heading has letters, and a row of records few of them: what cannot be one is not looked at cell by cell.
    maybe = np.flatnonzero(~found.spelled("case_id", re.compile(r"\d").search)).tolist()
    again = []
    for row in maybe:
        cells = found.raw.frame.iloc[row].dropna()
        alike = sum(normal_heading(cell) == name for name, cell in cells.items())
        if alike >= 2 and 2 * alike > len(cells):
            again.append(row)
    if 0 in maybe and 0 not in again and _nothing_readable(found):
        again.insert(0, 0)
    return again


def _nothing_readable(found: Findings) -> bool:
    """Whether of the first row's cells that ought to be numbers, times, dates, teeth or codes not one is."""
    first = set(found.raw.frame.iloc[0].dropna().index)
    written = first & {c.name for c in TABLES[found.table] if c.kind != "text"}
    faulty = {p.where.column for row, p in found.problems if row == 0 and p.code in UNREADABLE}
    return bool(written) and written <= faulty
