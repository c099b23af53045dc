"""The wide sheet of a protocol, empty: one row a case, for a small practice."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import xlsxwriter

from onsetstudy.files.output import write_bytes
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.wide_sheet import MARK, head_keys, wide_columns
from onsetstudy.records.schema import CASES, Column

__all__ = ["write_wide_template"]

ROWS = 200
SAYS = "1 or felt, 0 or not_felt, empty if not done; at another minute than planned: felt @ 2.3"
ANSWERS = ("felt", "not_felt", "not_done")
COLUMNS = {column.name: column for column in CASES}


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
    admitted = protocol.eligibility
    if key == "allocation":
        return protocol.study.allocation
    one = {"practice_id": protocol.study.practices, "technique": admitted.techniques, "agent": admitted.agents}
    choices = one.get(key) or ()
    return choices[0] if len(choices) == 1 else ""


def _fill(book: Any, sheet: Any, head: list[tuple[str, str]], protocol: Protocol) -> None:
    bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    text = book.add_format({"num_format": "@"})
    sheet.write_row(0, 0, [MARK, SAYS])
    for row, (key, value) in enumerate(head, start=1):
        sheet.write_string(row, 0, key)
        sheet.write_string(row, 1, value, text)
        if (column := COLUMNS.get(key.rpartition(":")[2].strip())) is not None:
            sheet.data_validation(row, 1, row, 1, _rule(column, protocol))
    start = len(head) + 1
    for place, heading in enumerate(wide_columns(protocol)):
        sheet.write_string(start, place, heading, bold)
        sheet.set_column(place, place, 14 if place < 2 else 10, text)
        named = COLUMNS.get(heading)
        rule = _rule(named, protocol) if named is not None else _list(ANSWERS, SAYS) | {"error_type": "information"}
        sheet.data_validation(start + 1, place, start + ROWS, place, rule)
    sheet.freeze_panes(start + 1, 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(start)


def _rule(column: Column, protocol: Protocol) -> dict[str, Any]:
    codes = tuple(a.code for a in protocol.arms) if column.name == "arm" else column.codes
    told = f"{column.meaning}{f', {column.unit}' if column.unit else ''}"
    # A list written out may hold 255 characters; longer ones are told in words and checked when they are read.
    if codes and len(",".join(codes)) <= 255:
        return _list(codes, told)
    return {"validate": "any", "input_message": told[:255]}


def _list(codes: tuple[str, ...], told: str) -> dict[str, Any]:
    return {"validate": "list", "source": list(codes), "input_message": told[:255]}
