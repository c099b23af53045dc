"""What the records room takes and gives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from onsetstudy.core.errors import Problem


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RawTable:
    """A table exactly as it was written.

    Parameters
    ----------
    frame : DataFrame of str
        Untouched text, one column per heading as written; empty cells are missing (``None``).
        The index is not used.
    source_row : Series or ndarray of int, shape (n,)
        Row of each record as the spreadsheet numbers it (the heading is row 1).
    file : str
        Name of the file, without folders.
    sheet : str or None
        Sheet of a workbook.
    heading_row : int
        Row of the headings.
    places : tuple of mapping
        Of each record, by column, the row and heading of what was written elsewhere than under its heading in
        ``source_row``; empty where nothing was.
    date_epoch : str
        ``"1900"`` or ``"1904"``: how the workbook counts serial dates.
    merged : mapping of str to int
        Cells of a column, by its heading as written, that took their value from a cell that they are merged with.
    timed : bool
        Whether a clock ran: its minutes are minutes, however few.
    """

    frame: pd.DataFrame
    source_row: pd.Series
    file: str
    sheet: str | None = None
    heading_row: int = 1
    places: tuple[Mapping[str, tuple[int, str]], ...] = ()
    date_epoch: str = "1900"
    merged: Mapping[str, int] = field(default_factory=dict)
    timed: bool = False


SUPPLEMENT = {
    "case_id": object,
    "source_row": float,
    "rescue_volume_ml": float,
    "rescue_agent": object,
    "rescue_percent": float,
    "rescue_vasoconstrictor": object,
    "rescue_dilution": float,
}
"""Columns of a supplement that stands beside its case, and their types."""


def supplements_beside(told: Any = ()) -> pd.DataFrame:
    """Supplements as rows or columns, typed also where none of them tells a number."""
    return pd.DataFrame(told, columns=list(SUPPLEMENT)).astype(SUPPLEMENT)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class OpenTables:
    """Open tables beside cases and cold tests; ``None`` where there was no such file.

    Parameters
    ----------
    injections, adverse_events, screening : DataFrame of str or None
        One row an injection, an event, a person screened; columns of ``records.checks.open_tables.OPEN_TABLES``.
    supplements : DataFrame
        Supplements that no row of a case can tell, of several solutions or of a part of which the volume is not known:
        one row an injection, typed; columns of :data:`SUPPLEMENT`. ``source_row`` is missing where no row was written.
    clocks : DataFrame or None
        One row a case of the recorder's store: ``case_id``, ``apart_s`` (s, float, by how much a page's clock ran from
        the computer's), ``wall_apart_s`` (s, float, by how much its time of day was) and ``widened`` (bool, whether its
        interval was).
    """

    injections: pd.DataFrame | None = None
    adverse_events: pd.DataFrame | None = None
    screening: pd.DataFrame | None = None
    supplements: pd.DataFrame = field(default_factory=supplements_beside)
    clocks: pd.DataFrame | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """A way of writing that was read without doubt, and how often: ``decimal comma read as a point``."""

    code: str
    text: str
    column: str
    count: int


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Records:
    """Checked records of one or more practices.

    Parameters
    ----------
    cases : DataFrame
        One row per accepted injection, every column of the data dictionary (missing where not recorded),
        typed: minutes, mL, mg and scores as float64, codes as str, ``case_date`` as datetime64,
        clock times as minutes after the midnight before the case; plus ``source_row`` (int) and ``quarter`` (str).
        Sorted by ``case_id``, index 0..n-1.
    readings : DataFrame
        One row per accepted cold test: ``case_id, minute, tooth_role, response, source_row``, sorted by case, minute
        and tooth role, index 0..m-1.
    rejects : DataFrame
        Every refused row as it was written, with ``file, sheet, source_row, reasons``.
    problems : tuple of Problem
        Why rows were refused.
    queries : tuple of Problem
        What is unusual but kept.
    repairs : tuple of Repair
        What was read although it was written unusually.
    rows_read : int
        Case rows read, accepted or not.
    readings_read : int
        Reading rows read, accepted or not.
    digest : str
        SHA-256 of the accepted content, independent of row order.
    open_tables : OpenTables
        Open tables beside the two, as they were written.
    """

    cases: pd.DataFrame
    readings: pd.DataFrame
    rejects: pd.DataFrame
    problems: tuple[Problem, ...]
    queries: tuple[Problem, ...]
    repairs: tuple[Repair, ...]
    rows_read: int
    readings_read: int
    digest: str
    open_tables: OpenTables = OpenTables()
