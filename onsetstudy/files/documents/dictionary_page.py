"""The data dictionary as a page.

``python -m onsetstudy.files.documents.dictionary_page`` writes ``docs/data-dictionary.md``.
"""

from __future__ import annotations

from pathlib import Path

from onsetstudy.files.output import write_bytes
from onsetstudy.records.schema import TABLES, Column

__all__ = ["dictionary_page", "main"]

PAGE = Path(__file__).resolve().parents[3] / "docs" / "data-dictionary.md"
KINDS = {
    "text": "text",
    "code": "one of the codes",
    "number": "number",
    "minute": "minutes as 4.5 or 4:30",
    "clock": "time of day as 14:05",
    "date": "date as 2026-04-03",
    "tooth": "tooth in the protocol's notation",
    "pain": "score on the protocol's pain scale",
    "anxiety": "score on the protocol's anxiety scale",
}
TITLES = {
    "cases": "`cases`: one row per injection",
    "cold_tests": "`cold_tests`: one row per cold test",
}
OPENING = """# Data dictionary

Two tables: two CSV files `cases.csv` and `cold_tests.csv`, or two sheets `cases` and `cold_tests` of one workbook.
Made from `onsetstudy/records/schema.py`; the checks and the entry workbook come from the same place.

A value outside the **range** is refused with its row; a value outside what is **usual** is kept and listed for a second
look. Codes and ranges follow the usual vocabulary of the trade; ranges without a source are common practice, no source.
A column that is not listed here is refused, because it may name a patient. No names, birth dates or record numbers.

What is written unusually but without doubt is read, and said: decimal commas, capitals in codes, a spreadsheet's
numbers for dates and times, semicolon or tab between columns. A comma is a decimal comma unless the range admits
thousands (`2,133` min, `100,000` of 1:n). What may mean two things is refused: `03/04/2026`, `1.800,5`.

A cold test that cannot be read refuses its case: leaving the test out could make an onset of two tests that were
not consecutive. A test that was not done is simply left out; it widens the interval.
"""


def _line(column: Column) -> str:
    needed = {"always": "**always**", "buffered": "when buffered"}.get(column.required, "")
    span = "" if column.low is None or column.high is None else f"{column.low:g} to {column.high:g}"
    ends = [f"from {column.query_low:g}"] if column.query_low is not None else []
    ends += [f"to {column.query_high:g}"] if column.query_high is not None else []
    codes = ", ".join(f"`{code}`" for code in column.codes)
    allowed = codes or " ; ".join(part for part in (span, f"usual {' '.join(ends)}" if ends else "") if part)
    example = f"`{column.example}`" if column.example else ""
    cells = (f"`{column.name}`", needed, column.meaning, KINDS[column.kind], column.unit, allowed, example)
    return "| " + " | ".join(cells) + " |"


def dictionary_page() -> str:
    """Markdown of the page."""
    parts = [OPENING]
    for table, columns in TABLES.items():
        parts.append(f"\n## {TITLES[table]}\n")
        parts.append("| column | needed | what it is | written as | unit | range or codes | example |")
        parts.append("| --- | --- | --- | --- | --- | --- | --- |")
        parts += [_line(column) for column in columns]
    return "\n".join(parts) + "\n"


def main() -> None:
    """Write the page."""
    write_bytes(PAGE, dictionary_page().encode("utf-8"))


if __name__ == "__main__":
    main()
