"""Empty sheets to enter cases in, made from the data dictionary: the entry workbook, and the wide sheet."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import xlsxwriter

from onsetstudy.files.output import write_bytes
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.wide_sheet import MARK, head_keys, wide_columns
from onsetstudy.records.schema import CASES, TABLES, Column, admitted, asked_columns, limited
from onsetstudy.records.teeth import TEETH

UNASKED = (
    "Columns that this protocol has no use for are left out here; the dictionary lists them as not asked. To record "
    "one all the same, write its heading into a free column of row 1."
)
DICTIONARY = {
    "table": 11,
    "column": 24,
    "needed": 14,
    "what it is": 60,
    "unit": 12,
    "range or codes": 60,
    "example": 14,
}
"""Headings of the dictionary and the widths of its columns."""
ROWS = {"cases": 500, "cold_tests": 6000}
WIDE_ROWS = 200
SAYS = "1 or felt, 0 or not_felt, empty if not done; at another minute than planned: felt @ 2.3"
ANSWERS = ("felt", "not_felt", "not_done")
BY_NAME = {column.name: column for column in CASES}


def write_template(path: str | Path, protocol: Protocol) -> Path:
    """Write an empty entry workbook for a protocol, with the columns that the protocol has a use for.

    Sheets ``cases`` and ``cold_tests`` for entry, ``how_to`` and ``dictionary`` to read, ``codes`` (hidden) behind
    the drop-downs. Pasting can get past a drop-down, so records are checked again when they are read.
    """
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True})
    looks = {
        "required": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
        "optional": book.add_format({"bottom": 1, "text_wrap": True, "valign": "top"}),
        "text": book.add_format({"num_format": "@"}),
        "title": book.add_format({"bold": True, "font_size": 14}),
        "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
    }
    sheets = {name: book.add_worksheet(name) for name in TABLES}
    _how_to(book.add_worksheet("how_to"), looks, protocol)
    _dictionary(book.add_worksheet("dictionary"), looks, protocol)
    codes = book.add_worksheet("codes")
    codes.hide()
    used = 0
    for name, sheet in sheets.items():
        used = _entry_sheet(sheet, name, codes, used, looks, protocol)
    sheets["cases"].activate()
    book.close()
    return write_bytes(Path(path), buffer.getvalue())


def _of_study(column: Column, protocol: Protocol) -> Column:
    """A column as this study has it: the limits of its instruments, codes that it can use, and one as the example."""
    of_study = {
        "arm": tuple(a.code for a in protocol.arms),
        "technique": protocol.eligibility.techniques,
        "procedure": protocol.eligibility.procedures,
        "agent": protocol.eligibility.agents,
    }
    codes, example = of_study.get(column.name) or column.codes, column.example
    if codes:
        example = example if example in codes else codes[0]
    elif column.kind == "tooth":
        codes = tuple(TEETH[protocol.schedule.tooth_notation])
        example = example if protocol.schedule.tooth_notation == "iso3950" else TEETH["iso3950"][example].universal
    elif protocol.study.practices:
        example = example.replace("P01", protocol.study.practices[0])
    return replace(limited(column, protocol), codes=codes, example=example)


def _entry_sheet(sheet: Any, table: str, codes: Any, used: int, looks: dict[str, Any], protocol: Protocol) -> int:
    """One table with its checks; returns how many columns of the codes sheet are used."""
    sheet.freeze_panes(1, 1)
    for place, asked in enumerate(asked_columns(table, protocol)):
        column = _of_study(asked, protocol)
        sheet.write_string(0, place, column.name, looks["required" if column.required == "always" else "optional"])
        sheet.set_column(place, place, max(11, len(column.name) + 2), looks["text"] if _as_text(column) else None)
        told = {"input_title": column.name[:32], "input_message": _told(column)[:255]}
        if column.codes:
            codes.write_column(0, used, column.codes)
            letter = xlsxwriter.utility.xl_col_to_name(used)
            used += 1
            rule = {"validate": "list", "source": f"=codes!${letter}$1:${letter}${len(column.codes)}"}
        else:
            rule = _range_rule(column)
        sheet.data_validation(1, place, ROWS[table], place, {**rule, **told})
    return used


def _as_text(column: Column) -> bool:
    """Columns that a spreadsheet must not turn into numbers, dates or times on its own."""
    return column.kind in ("text", "code", "tooth", "date", "clock", "minute")


def _span(column: Column) -> str:
    """From the lowest to the highest admitted value; empty where there are no limits."""
    return "" if column.low is None or column.high is None else f"{column.low:g} to {column.high:g}"


def _range_rule(column: Column) -> dict[str, Any]:
    if column.kind == "minute" or not _span(column):
        return {"validate": "any"}
    return {
        "validate": "decimal",
        "criteria": "between",
        "minimum": column.low,
        "maximum": column.high,
        "error_type": "warning",
        "error_title": column.name[:32],
        "error_message": f"Expected {_span(column)} {column.unit}.".strip(),
    }


def _told(column: Column) -> str:
    text = column.meaning[:1].upper() + column.meaning[1:] + "."
    if span := _span(column):
        text += f" {span} {column.unit}".rstrip() + "."
    return f"{text} Example: {column.example}" if column.example else text


def _how_to(sheet: Any, looks: dict[str, Any], protocol: Protocol) -> None:
    sheet.set_column(0, 0, 100, looks["wrap"])
    sheet.write_string(0, 0, "How to enter cases", looks["title"])
    sheet.write_string(1, 0, protocol.study.title)
    sheet.write_column(3, 0, _told_how(protocol), looks["wrap"])


def _told_how(protocol: Protocol) -> list[str]:
    """What somebody who enters cases has to know, as this protocol has it."""
    schedule, confirmations = protocol.schedule, protocol.onset.confirmations
    told = "a test was" if confirmations == 1 else f"{confirmations} tests in a row were"
    zero = "end of the last planned injection" if schedule.clock_zero == "injection_end" else "start of the injection"
    unasked = [c.name for table in TABLES for c in TABLES[table] if c not in asked_columns(table, protocol)]
    buffered = " and ".join(c.name for c in TABLES["cases"] if c.required == "buffered")
    lines = [
        "One row per injection in the sheet cases, one row per cold test in the sheet cold_tests.",
        "Headings in bold must be filled in. Leave out what you do not record; do not rename headings.",
        f"A buffered case needs {buffered} too.",
        f"Minutes count from the {zero}: 4.5 or 4:30. Dates as 2026-04-03, times as 14:05.",
        "Planned minutes of the cold tests: " + ", ".join(f"{minute:g}" for minute in schedule.tests_min) + ".",
        f"Go on until {told} not felt, or to the last one. Enter the minute at which you really tested.",
        "A test that was missed is simply left out. Never fill it in.",
    ]
    if schedule.control_tooth == "required":
        lines.insert(-1, "Test the control tooth at every test as well, with tooth_role control in a row of its own.")
    return [
        *lines,
        "Use random codes for patients and keep the key at the practice. No names, birth dates or numbers of a person.",
        "Test the tooth and ask the patient before every procedure. The records say nothing about the next one.",
        "The sheet dictionary explains every column.",
        *([UNASKED] if unasked else []),
    ]


def _dictionary(sheet: Any, looks: dict[str, Any], protocol: Protocol) -> None:
    sheet.freeze_panes(1, 0)
    for place, (heading, width) in enumerate(DICTIONARY.items()):
        sheet.write_string(0, place, heading, looks["required"])
        sheet.set_column(place, place, width, looks["wrap"])
    listed = [(table, column) for table, columns in TABLES.items() for column in columns]
    for row, (table, plain) in enumerate(listed, start=1):
        column = _of_study(plain, protocol)
        asked = "" if plain in asked_columns(table, protocol) else "not asked"
        needed = {"always": "always", "buffered": "when buffered"}.get(column.required, asked)
        admitted = ", ".join(column.codes) or _span(column)
        cells = (table, column.name, needed, column.meaning, column.unit, admitted, column.example)
        sheet.write_row(row, 0, cells, looks["wrap"])


# The wide sheet -------------------------------------------------------------------------------------------------------


def write_wide_template(path: str | Path, protocol: Protocol) -> Path:
    """Write an empty wide sheet, as a workbook or (``.csv``) as text with commas.

    What the protocol settles stands in the head already: its allocation, and practice, technique and agent where it
    admits one only. A head row that is left empty says nothing; the same column may stand among the cases instead.
    """
    path = Path(path)
    head = [(key, _settled(key, protocol)) for key in head_keys(protocol)]
    if path.suffix.lower() == ".csv":
        text = io.StringIO()
        csv.writer(text).writerows([[MARK, SAYS], *map(list, head), list(wide_columns(protocol))])
        return write_bytes(path, text.getvalue().encode("utf-8"))
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True})
    _fill(book, book.add_worksheet("wide"), head, protocol)
    book.close()
    return write_bytes(path, buffer.getvalue())


def _settled(key: str, protocol: Protocol) -> str:
    if key == "allocation":
        return protocol.study.allocation
    choices = {"practice_id": protocol.study.practices, **admitted(protocol)}.get(key, ())
    return choices[0] if len(choices) == 1 else ""


def _fill(book: Any, sheet: Any, head: list[tuple[str, str]], protocol: Protocol) -> None:
    bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    text = book.add_format({"num_format": "@"})
    sheet.write_row(0, 0, [MARK, SAYS])
    for row, (key, value) in enumerate(head, start=1):
        sheet.write_string(row, 0, key)
        sheet.write_string(row, 1, value, text)
        if (column := BY_NAME.get(key.rpartition(":")[2].strip())) is not None:
            sheet.data_validation(row, 1, row, 1, _rule(column, protocol))
    start = len(head) + 1
    for place, heading in enumerate(wide_columns(protocol)):
        sheet.write_string(start, place, heading, bold)
        sheet.set_column(place, place, 14 if place < 2 else 10, text)
        named = BY_NAME.get(heading)
        rule = _rule(named, protocol) if named is not None else _list(ANSWERS, SAYS) | {"error_type": "information"}
        sheet.data_validation(start + 1, place, start + WIDE_ROWS, place, rule)
    sheet.freeze_panes(start + 1, 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(start)


def _rule(column: Column, protocol: Protocol) -> dict[str, Any]:
    codes = _of_study(column, protocol).codes
    told = f"{column.meaning}{f', {column.unit}' if column.unit else ''}"
    # A list written out may hold 255 characters; longer ones are told in words and checked when they are read.
    if codes and len(",".join(codes)) <= 255:
        return _list(codes, told)
    return {"validate": "any", "input_message": told[:255]}


def _list(codes: tuple[str, ...], told: str) -> dict[str, Any]:
    return {"validate": "list", "source": list(codes), "input_message": told[:255]}
