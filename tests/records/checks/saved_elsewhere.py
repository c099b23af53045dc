"""Workbooks of a few cases, written in sixty messy ways and saved again by another spreadsheet program.

What a practice hands in was rarely saved by the library that a test would write it with: dates become numbers with a
format, minutes become times of day, texts lose their quotes. The files are kept in ``saved``; to make them anew, from
the project's root, where ``soffice`` is installed::

    python -m tests.records.checks.saved_elsewhere
"""

from __future__ import annotations

import datetime as dt
import itertools
import shutil
import subprocess
import tempfile
from pathlib import Path

from openpyxl import Workbook

from tests.records.checks.test_corpus import clean

FOLDER = Path(__file__).parent / "saved"
MINUTES = ("number", "comma", "seconds_text", "duration_cell", "clock_text", "clock_cell")
"""4.5; "4,5"; "4:30" as text; 00:04:30 as a cell of time; "14:08:30" as text; the same as a cell of time."""
DATES = ("day_cell", "iso_text")
MESS = ("none", "blank_rows", "totals", "headings", "words")
VARIANTS = tuple(itertools.product(MINUTES, DATES, MESS))


def name_of(variant: tuple[str, str, str]) -> str:
    return "-".join(variant)


def _minute(text: str, zero: str, how: str) -> object:
    seconds = round(float(text) * 60)
    whole, part = divmod(seconds, 60)
    clock = dt.datetime.combine(dt.date(2026, 1, 5), dt.time.fromisoformat(zero)) + dt.timedelta(seconds=seconds)
    return {
        "number": float(text),
        "comma": text.replace(".", ","),
        "seconds_text": f"{whole}:{part:02d}",
        "duration_cell": dt.time(0, whole, part),
        "clock_text": clock.strftime("%H:%M:%S"),
        "clock_cell": clock.time(),
    }[how]


def workbook(variant: tuple[str, str, str]) -> Workbook:
    minutes, dates, mess = variant
    cases, readings = clean()
    zero = {row["case_id"]: row["injection_end"] for row in cases}
    book = Workbook()
    for sheet, rows in (("cases", cases), ("cold_tests", readings)):
        page = book.active if sheet == "cases" else book.create_sheet()
        page.title = sheet
        names = list(dict.fromkeys(key for row in rows for key in row))
        page.append([f" {n.replace('_', ' ').title()} " if mess == "headings" else n for n in names])
        for number, row in enumerate(rows):
            cells = {key: value for key, value in row.items() if value is not None}
            if "minute" in cells:
                cells["minute"] = _minute(str(cells["minute"]), zero[row["case_id"]], minutes)
            if dates == "day_cell" and "case_date" in cells:
                cells["case_date"] = dt.date.fromisoformat(cells["case_date"])
            if mess == "words" and sheet == "cases":
                cells |= {name: "N/A" for name in ("weight_kg", "age_band") if name not in cells}
            page.append([cells.get(n) for n in names])
            if mess == "blank_rows" and number % 2:
                page.append([None])
        if mess == "totals" and sheet == "cases":
            page.append(["Total" if n == "case_id" else 7.2 if n == "volume_ml" else None for n in names])
    return book


def main() -> None:
    with tempfile.TemporaryDirectory() as place:
        made = []
        for variant in VARIANTS:
            made.append(Path(place) / f"{name_of(variant)}.xlsx")
            workbook(variant).save(made[-1])
        shutil.rmtree(FOLDER, ignore_errors=True)
        FOLDER.mkdir()
        command = ["soffice", "--headless", f"-env:UserInstallation=file://{place}/profile", "--convert-to", "xlsx"]
        subprocess.run([*command, "--outdir", str(FOLDER), *map(str, made)], check=True)


if __name__ == "__main__":
    main()
