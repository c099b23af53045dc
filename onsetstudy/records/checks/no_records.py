"""Lines of a table that are no records: sums of the others, and a second line of headings."""

from __future__ import annotations

import numpy as np

from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.headings import normal_heading
from onsetstudy.records.model import RawTable
from onsetstudy.records.schema import TABLES

__all__ = ["NO_RECORD", "set_no_records_aside", "sums_up"]

NO_RECORD = ("totals_row", "heading_row")
"""Reasons of refused lines that are no records."""

SUMS = ("total", "totals", "grand total", "subtotal", "sum", "sums", "mean", "average", "median", "count", "n", "sd")
UNREADABLE = frozenset(
    {"not_a_number", "not_a_time", "not_a_clock_time", "not_a_date", "code", "tooth", "ambiguous_number",
     "ambiguous_date"}
)  # fmt: skip
"""Reasons for which a cell holds no value of its column at all."""


def set_no_records_aside(raw: RawTable, table: str, found: Findings) -> None:
    """Refuse each such line once, for being none; whatever else was found in it says nothing."""
    out = "take it out of the table"
    found.set_aside(_sums(raw, table), "case_id", "totals_row", "this line sums up the others and is no record", out)
    what = "this is a second line of headings, or of their units, and no record"
    found.set_aside(_headings(raw, table, found), "case_id", "heading_row", what, out)


def sums_up(text: str) -> bool:
    """Whether a cell says that its line is a sum."""
    return text.strip().rstrip(":").casefold() in SUMS


def _sums(raw: RawTable, table: str) -> list[int]:
    """Rows such as a spreadsheet's totals: a word for a sum, and of the fields that every record has most are empty."""
    always = [c.name for c in TABLES[table] if c.required == "always" and c.name != "case_id"]
    bare = np.flatnonzero((raw.frame[always].notna().sum(axis=1) * 2 < len(always)).to_numpy())
    # Few rows are so bare: cell by cell they are read sooner than the table is column by column.
    return [int(row) for row in bare if any(isinstance(c, str) and sums_up(c) for c in raw.frame.iloc[row])]


def _headings(raw: RawTable, table: str, found: Findings) -> list[int]:
    """Rows that repeat the headings, wherever they stand; and a first row in which no cell is a value of its column."""
    filled = raw.frame.notna().to_numpy()
    names = np.array(raw.frame.columns, dtype=object)
    # A heading has letters, and a row of records few of them: what cannot be one is not looked at cell by cell.
    first = raw.frame["case_id"].astype("string").str.strip()
    maybe = np.flatnonzero((first.isna() | ~first.str.contains(r"\d", na=False)).to_numpy(dtype=bool))
    again = []
    for row in maybe.tolist():
        cells = [(name, raw.frame[name].iloc[row]) for name in names[filled[row]]]
        alike = sum(normal_heading(cell) == name for name, cell in cells)
        if alike >= 2 and 2 * alike > len(cells):
            again.append(row)
    if 0 in maybe.tolist() and 0 not in again and _nothing_readable(raw, table, found):
        again.insert(0, 0)
    return again


def _nothing_readable(raw: RawTable, table: str, found: Findings) -> bool:
    """Whether of the first row's cells that ought to be numbers, times, dates, teeth or codes not one is."""
    typed = [c.name for c in TABLES[table] if c.kind != "text"]
    written = {name for name in typed if raw.frame[name].notna().iloc[0]}
    faulty = {p.where.column for row, p in found.problems if row == 0 and p.code in UNREADABLE}
    return bool(written) and written <= faulty
