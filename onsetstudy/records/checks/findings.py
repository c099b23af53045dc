"""Collects what is wrong or unusual, row by row, without touching the rows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.arrays import BoolArray, FloatArray
from onsetstudy.core.errors import Problem, Where
from onsetstudy.records.model import RawTable, Repair

REFUSALS: dict[str, str] = {
    "missing": "a required value is missing",
    "code": "a code that is not in the dictionary",
    "range": "a value outside the possible range",
    "no_result": "a formula whose result was not saved",
    "not_a_number": "a number that cannot be read",
    "ambiguous_number": "a number that may mean two things",
    "not_a_time": "a time that cannot be read",
    "not_a_clock_time": "a time of day that cannot be read",
    "clock_without_zero": "a time of day that cannot be set against the injection",
    "not_a_date": "a date that cannot be read",
    "ambiguous_date": "a date that may mean two days",
    "future_date": "a date in the future",
    "outside_study": "a date outside the study's quarters",
    "tooth": "a tooth that is not in the declared notation",
    "duplicate": "a case code used twice",
    "names_a_person": "a value that may name a patient",
    "no_code": "a patient's code without a digit, which may be a name",
    "pattern": "a code that does not fit the pattern of the protocol",
    "mixing": "mixing that contradicts the arm",
    "percent": "a percentage that looks like a fraction",
    "supplement": "a supplement that is told and denied",
    "seconds": "minutes that look like seconds",
    "scale": "scores that look like another unit",
    "no_case": "a reading without a case",
    "totals_row": "a line that sums up the others",
    "heading_row": "a second line of headings",
    "clock_or_minutes": "a time that may be of the clock or in minutes and seconds",
    "no_readings": "a case without a cold test",
    "contradiction": "readings that contradict each other",
    "after_end": "a reading after the end of observation",
    "times": "times that contradict each other",
    "case_refused": "a reading of a refused case",
    "reading_refused": "a case with a refused reading",
}
"""Readable text of every reason for which a row is refused."""

UNTOLD = ("names_a_person", "no_code", "may_be_a_name", "pattern", "capitals", "heading_row")
"""Reasons that stand without the value that was written: it may be somebody's name."""


@dataclass(slots=True, eq=False)
class Findings:
    """One table while it is being checked: what was written, what it was read as, problems, queries and repairs.

    ``typed`` has a row for each row of ``raw``; ``refused`` flags the rows; ``first`` holds the code of the first
    reason of each.
    """

    table: str
    raw: RawTable
    typed: pd.DataFrame = field(default_factory=pd.DataFrame)
    refused: BoolArray = field(init=False)
    first: NDArray[np.object_] = field(init=False)
    problems: list[tuple[int, Problem]] = field(default_factory=list)
    queries: list[tuple[int, Problem]] = field(default_factory=list)
    repairs: Counter[tuple[str, str, str]] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.refused = np.zeros(len(self.raw.frame), dtype=bool)
        self.first = np.full(len(self.raw.frame), "", dtype=object)

    def numbers(self, column: str) -> FloatArray:
        """Numbers of a typed column, not-a-number where missing."""
        return self.typed[column].to_numpy(dtype=np.float64)

    def words(self, column: str) -> NDArray[np.object_]:
        """Codes or texts of a typed column, empty where missing."""
        values = self.typed[column].to_numpy(dtype=object)
        return np.where(pd.isna(values), "", values)

    def spelled(self, column: str, passes: Callable[[str], object]) -> BoolArray:
        """Rows whose cell, as it was written, passes a test that is asked once of each spelling; no empty one does."""
        if column not in self.raw.frame:
            return np.zeros(len(self.raw.frame), dtype=bool)
        position, spellings = pd.factorize(self.raw.frame[column])
        return np.array([*(bool(passes(str(cell))) for cell in spellings), False])[position]

    def cell(self, row: int, column: str) -> str | None:
        """What was written in a cell."""
        value: Any = self.raw.frame[column].iloc[row] if column in self.raw.frame else None
        return None if value is None or value != value else str(value)

    def line(self, row: int) -> int:
        """Where a row stands, as the spreadsheet numbers it."""
        return int(self.raw.source_row.iloc[row])

    def _problem(self, row: int, column: str, code: str, what: str, mend: str) -> Problem:
        where = Where(file=self.raw.file, sheet=self.raw.sheet, row=self.line(row), column=column)
        value = None if code in UNTOLD else self.cell(row, column)
        return Problem(what=what, where=where, mend=mend, value=value, code=code)

    def refuse(self, row: int, column: str, code: str, what: str, mend: str) -> None:
        """Refuse a row, and say why."""
        self.problems.append((row, self._problem(row, column, code, what, mend)))
        self.mark(row, code)

    def mark(self, row: int, code: str) -> None:
        """Refuse a row for a reason that is told elsewhere."""
        self.refused[row] = True
        if not self.first[row]:
            self.first[row] = code

    def set_aside(self, rows: Iterable[int], code: str, what: str, mend: str) -> None:
        """Refuse rows that are no records for this reason alone: whatever else is wrong with them says nothing."""
        if not (chosen := set(rows)):
            return
        self.problems = [(row, problem) for row, problem in self.problems if row not in chosen]
        self.queries = [(row, problem) for row, problem in self.queries if row not in chosen]
        for row in sorted(chosen):
            self.first[row] = ""
            self.refuse(row, "case_id", code, what, mend)

    def refuse_where(self, mask: BoolArray, column: str, code: str, what: str, mend: str, **told: Any) -> None:
        """Refuse the rows of a mask; names in braces in ``what`` are filled in as in :meth:`query`."""
        for row, shown in self._told(mask, column, what, told):
            self.refuse(row, column, code, shown, mend)

    def refuse_first(self, rows: Iterable[Any], column: str, code: str, what: str, mend: str) -> None:
        """Refuse rows that share one fault, and tell it once, at the first, with how many are alike."""
        first, *others = map(int, rows)
        alike = f" ({len(others)} more reading{'s' if len(others) > 1 else ''} alike)" if others else ""
        self.refuse(first, column, code, what + alike, mend)
        for row in others:
            self.mark(row, code)

    def query(self, mask: BoolArray, column: str, code: str, what: str, mend: str, **told: Any) -> None:
        """List the rows of a mask for a second look.

        ``{value}`` in ``what`` is what was written; other names are arrays of ``told``, each with a value a row.
        """
        for row, shown in self._told(mask, column, what, told):
            self.queries.append((row, self._problem(row, column, code, shown, mend)))

    def _told(self, mask: BoolArray, column: str, what: str, told: Mapping[str, Any]) -> Iterator[tuple[int, str]]:
        for row in np.flatnonzero(mask).tolist():
            yield row, what.format(value=self.cell(row, column), **{name: values[row] for name, values in told.items()})

    def unread(self, column: str) -> BoolArray:
        """Rows that were refused so far for their cell of a column."""
        rows = [row for row, problem in self.problems if problem.where.column == column]
        return np.isin(np.arange(len(self.refused)), rows)

    def repaired(self, column: str, repairs: Counter[tuple[str, str]]) -> None:
        """Count what was read although written unusually."""
        self.repairs.update({(column, *repair): count for repair, count in repairs.items()})

    def reasons(self) -> dict[int, str]:
        """All sentences of each refused row."""
        found: dict[int, list[str]] = {}
        for row, problem in self.problems:
            found.setdefault(row, []).append(f"column {problem.where.column}: {problem.what}. {problem.mend}.")
        return {row: " ".join(sentences) for row, sentences in found.items()}

    def repair_list(self) -> list[Repair]:
        """Repairs in a stable order."""
        told = sorted(self.repairs.items())
        return [Repair(code=code, text=text, column=column, count=count) for (column, code, text), count in told]
