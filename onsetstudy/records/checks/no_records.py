"""Lines of a table that are no records: sums of the others, and a second line of headings."""

from __future__ import annotations

import re

import numpy as np

from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.headings import normal_heading
from onsetstudy.records.model import Records
from onsetstudy.records.schema import TABLES

NO_RECORD = ("totals_row", "heading_row")
"""Reasons of refused lines that are no records."""

SUMS = ("total", "totals", "grand total", "subtotal", "sum", "sums", "mean", "average", "median", "count", "n", "sd")
UNREADABLE = ("not_a_number", "not_a_time", "not_a_clock_time", "not_a_date", "code", "tooth", "ambiguous_number",
              "ambiguous_date")  # fmt: skip
"""Reasons for which a cell holds no value of its column at all."""


def set_no_records_aside(found: Findings) -> None:
    """Refuse each such line once, for being none; whatever else was found in it says nothing."""
    out = "take it out of the table"
    found.set_aside(_sums(found), "totals_row", "this line sums up the others and is no record", out)
    what = "this is a second line of headings, or of their units, and no record"
    found.set_aside(_headings(found), "heading_row", what, out)


def no_records(records: Records, table: str) -> int:
    """How many lines of a table that were read are no records; they stand among the rejects."""
    rejects = records.rejects
    return int(((rejects["table"] == table) & rejects["code"].isin(NO_RECORD)).sum())


def sums_up(text: str) -> bool:
    """Whether a cell says that its line is a sum."""
    return text.strip().rstrip(":").casefold() in SUMS


def _sums(found: Findings) -> list[int]:
    """Rows such as a spreadsheet's totals: a word for a sum, and of the fields that every record has most are empty."""
    always = [c.name for c in TABLES[found.table] if c.required == "always" and c.name != "case_id"]
    written = found.raw.frame
    bare = np.flatnonzero(written[always].notna().to_numpy().sum(axis=1) * 2 < len(always))
    # Few rows are so bare: cell by cell they are read sooner than the table is column by column.
    return [int(row) for row in bare if any(isinstance(c, str) and sums_up(c) for c in written.iloc[row])]


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
