"""Whether two tables have the headings of the data dictionary, and which of them is wrong if not."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping

import pandas as pd

from onsetstudy.core.errors import Problem, Where
from onsetstudy.records.model import RawTable
from onsetstudy.records.schema import ALWAYS, TABLES

UNHEADED = "(no_heading)"
LEAVE_UNREAD = "take the column out, or leave it unread with --drop-unknown (in Python: drop_unknown=True)"
NO_CASE = "there is no case in this table", "enter one row for every injection"
TITLES = 10
"""Lines in which headings are looked for, where row 1 has none."""


def normal_heading(heading: object) -> str:
    """A heading as the dictionary writes it: small letters, one underscore for blanks and hyphens."""
    return re.sub(r"[\s\-]+", "_", str(heading).replace("\ufeff", "").strip().lower())


def entries_under(heading: str, frame: pd.DataFrame) -> frozenset[str]:
    """What the column of a heading, however it is spelt, says in a table as it was written, without blanks around."""
    column = next((name for name in frame.columns if normal_heading(name) == heading), None)
    return frozenset() if column is None else frozenset(frame[column].dropna().astype(str).str.strip())


def heading_problems(raws: Mapping[str, RawTable], *, drop_unknown: bool, whole: bool = True) -> list[Problem]:
    """Everything for which the tables ``cases`` and ``cold_tests`` cannot be read at all; empty if they can.

    ``whole`` asks for a case at all: a part of larger records may have none.
    """
    return _wrong_tables(raws, whole) or [p for name, raw in raws.items() for p in _structure(raw, name, drop_unknown)]


def unread_columns(raws: Mapping[str, RawTable]) -> list[Problem]:
    """Columns that the dictionary does not know and that were left unread: one may be a misspelt heading."""
    told = []
    for name, raw in raws.items():
        known = [c.name for c in TABLES[name]]
        written = {str(heading): normal_heading(heading) for heading in raw.frame.columns}
        missing = [k for k in known if k not in written.values()]
        for shown, heading in written.items():
            if heading not in known:
                near = _near(heading, missing)
                mend = f"did you mean {near}? It is not read under this heading" if near else ""
                told.append(_in_heading(raw, "this column was left unread", mend, "unread_column", shown))
    return told


def _near(heading: str, known: list[str]) -> str:
    """The heading that was probably meant; empty if none is alike."""
    return next(iter(difflib.get_close_matches(heading, known, n=1, cutoff=0.75)), "")


def _in_heading(raw: RawTable, what: str, mend: str, code: str, column: str | None = None) -> Problem:
    where = Where(file=raw.file, sheet=raw.sheet, row=raw.heading_row, column=column)
    return Problem(what=what, where=where, mend=mend, value=column, code=code)


def _wrong_tables(raws: Mapping[str, RawTable], whole: bool) -> list[Problem]:
    """Tables that were taken for each other, headings that are not in row 1, or no case at all."""
    problems = []
    for (name, raw), other in zip(raws.items(), [*raws][::-1], strict=True):
        where, known = Where(file=raw.file, sheet=raw.sheet), {c.name for c in TABLES[name]}
        written = {normal_heading(heading) for heading in raw.frame.columns}
        own, others = (set(ALWAYS[each]) - {"case_id"} for each in (name, other))
        if others <= written and not own & written:
            what = f"these are the headings of the table {other}, where {name} should stand"
            problems.append(Problem(what=what, where=where, mend="exchange the two tables", code="exchanged"))
        elif not known & written:
            what = "there is no heading of the data dictionary in row 1"
            mend = f"write the headings into row 1 and the first record into row 2; needed: {', '.join(ALWAYS[name])}"
            if (row := _headings_below(raw, known)) is not None:
                mend = f"the headings stand in row {row}: take out what stands above them"
            problems.append(Problem(what=what, where=where, mend=mend, code="no_headings"))
        elif whole and name == "cases" and own <= written and not raw.frame.notna().any(axis=None):
            what, mend = NO_CASE
            problems.append(Problem(what=what, where=where, mend=mend, code="nothing_left"))
    return problems


def _headings_below(raw: RawTable, known: set[str]) -> int | None:
    """Row of the sheet, among the first few, in which most cells are headings of the dictionary."""
    for place in range(min(TITLES, len(raw.frame))):
        cells = [normal_heading(cell) for cell in raw.frame.iloc[place].dropna()]
        if cells and 2 * sum(cell in known for cell in cells) > len(cells):
            return int(raw.source_row.iloc[place])
    return None


def _structure(raw: RawTable, table: str, drop_unknown: bool) -> list[Problem]:
    """Headings that are missing, unknown or there twice."""
    known = [c.name for c in TABLES[table]]
    written = [str(h) for h in raw.frame.columns]
    headings = [normal_heading(h) for h in written]
    problems = []
    for heading in dict.fromkeys(headings):
        if headings.count(heading) > 1 and heading != UNHEADED:
            what = f"the heading {heading} stands {headings.count(heading)} times"
            problems.append(_in_heading(raw, what, "keep one of them", "twice", heading))
    for shown, heading in zip(written, headings, strict=True):
        if heading in known or drop_unknown:
            continue
        if heading == UNHEADED:
            what, mend = "a column with entries has no heading", "write its heading, or clear the column"
        else:
            what = "this column is not in the data dictionary; it may name a patient, so the table was not read"
            near = _near(heading, known)
            mend = f"did you mean {near}?" if near else LEAVE_UNREAD
        problems.append(_in_heading(raw, what, mend, "unknown_column", shown))
    return problems + [
        _in_heading(raw, f"the column {column.name} is missing", f"add it: {column.meaning}", "missing_column")
        for column in TABLES[table]
        if column.required == "always" and column.name not in headings
    ]
