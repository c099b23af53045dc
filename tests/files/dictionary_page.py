"""The data dictionary as a page.

``python -m tests.files.dictionary_page`` writes ``docs/data-dictionary.md``.
"""

from __future__ import annotations

from pathlib import Path

from onsetstudy.records.checks.open_tables import CODED, KEYS, NEEDED, OPEN_TABLES
from onsetstudy.records.checks.parse import NOT_APPLICABLE, NOT_KNOWN
from onsetstudy.records.schema import TABLES, Column

PAGE = Path(__file__).resolve().parents[2] / "docs" / "data-dictionary.md"
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
TITLES = {"cases": "`cases`: one row per injection", "cold_tests": "`cold_tests`: one row per cold test"}
OPENING = """# Data dictionary

Two tables: two CSV files `cases.csv` and `cold_tests.csv`, or two sheets `cases` and `cold_tests` of one workbook.
Made from `onsetstudy/records/schema.py`; the checks and the entry workbook come from the same place.

A value outside the **range** is refused with its row; a value outside what is **usual** is kept and listed for a second
look. Codes and ranges follow the usual vocabulary of the trade; ranges without a source are common practice, no source.
A column that is not listed here is refused, because it may name a patient. No names, birth dates or record numbers.

What is written unusually but without doubt is read, and said: decimal commas, capitals in codes, a spreadsheet's
numbers for dates and times, semicolon or tab between columns. A comma is a decimal comma unless the range admits
thousands (`2,133` min, `100,000` of 1:n). What may mean two things is refused: `03/04/2026`, `1.800,5`. Times of day
go on past midnight for three hours. Where a spreadsheet wrote the times of a case's tests as fractions of a day
(`0.3826`), they are read against the injection; several tests of a tooth that cannot be set against it are refused. In
a workbook the value of merged cells of one column is read for each of their rows, and a formula without a stored
result is refused: open the workbook in the spreadsheet program and save it again.

In a column that is not compulsory a word for nothing is an empty cell, and said:
{nothing}; and for what is not known:
{unknown}.
About a supplement or an adverse event the latter are refused, because an empty cell means there that there was none.
A line that sums up the others (`Total`, `Mean` or the like, and most
compulsory cells empty) and a second line of headings or of units under the first are no records: each is named once,
stands among the rejects, and counts as no case. The headings themselves stand in row 1.

A cold test that cannot be read refuses its case: leaving the test out could make an onset of two tests that were
not consecutive. So does a test whose code no case has, or that has none, as far as its place and its code tell
whose it is; where more than a tenth of the cold tests (own choice) is of no case, the records are refused. A test that
was not done is simply left out; it widens the interval.
"""


OPEN = """
## Open tables: one row an injection, an event, a person screened

A folder may hold, beside `cases.csv` and `cold_tests.csv`, the tables below. What they say is then left out of `cases`,
or says the same there: where two tables contradict each other, the records are refused with file, row and column.
Planned injections of a case have one solution; their volumes add up. The first supplemental injection is the supplement
of the case. Volumes of supplements of one solution add up to `rescue_volume_ml`; of several solutions each is held
against the limits by its own. None enters the amounts by arm, which are of the planned injections. Of several events a
serious one stands for the case. `cases` may call its columns `operator`, `slip` and `pulpal_diagnosis`; `cold_tests`
may hold `planned_min` (empty: an extra test), `method`, `tooth`, `assessor`, and the response `not_done`.

| table | key | compulsory | besides | codes |
| --- | --- | --- | --- | --- |
"""
WIDE = """
## Wide sheet: one row a case

`onsetstudy template PROTOCOL --wide --into wide.xlsx` writes it (or `wide.csv`). The first cell says `wide_sheet`; then
rows of a column's name and its value for all cases, or `buffered: volume_ml` and the value for all cases of that arm;
then the headings, from `case_id` on. Two rows that tell one thing, and a case that says otherwise, are refused.
`target 2` is the test of the target tooth at the planned minute 2, `control 2` that of the control tooth. A cell
says `felt` or `1`, `not_felt` or `0`, `not_done`, a word for nothing or nothing;
`felt @ 2.3` if it was at another minute than planned; two tests in one cell stand on either side of `|`. Extra tests go
into `extra_target` and `extra_control`, each with its minute. `baseline_response` is answered in the same words. The
sheet asks for what its protocol needs: pain at the protocol's moment, the lip where blocks are given, guesses of those
who are blinded; any other column of the dictionary may be added.
"""


def _open_line(table: str) -> str:
    keys, needed = KEYS[table], NEEDED[table]
    besides = [c for c in OPEN_TABLES[table] if c not in needed]
    codes = "; ".join(f"{c}: {', '.join(CODED[table][c])}" for c in CODED[table] if c in ("role", "outcome", "reason"))
    cells = [f"`{table}`", *(" ".join(f"`{c}`" for c in names) for names in (keys, needed, besides)), codes]
    return "| " + " | ".join(cells) + " |\n"


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
    nothing, unknown = (", ".join(f"`{word}`" for word in sorted(words)) for words in (NOT_APPLICABLE, NOT_KNOWN))
    parts = [OPENING.format(nothing=nothing, unknown=unknown)]
    for table, columns in TABLES.items():
        parts.append(f"\n## {TITLES[table]}\n")
        parts.append("| column | needed | what it is | written as | unit | range or codes | example |")
        parts.append("| --- | --- | --- | --- | --- | --- | --- |")
        parts += [_line(column) for column in columns]
    return "\n".join(parts) + "\n" + OPEN + "".join(_open_line(table) for table in OPEN_TABLES) + WIDE


def main() -> None:
    """Write the page."""
    PAGE.write_bytes(dictionary_page().encode("utf-8"))


if __name__ == "__main__":
    main()
