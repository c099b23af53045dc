"""From untouched text to typed columns: what can be read without doubt is read and counted, nothing is guessed.

Plain numbers are read all at once; of what is left over, each spelling is read once, however often it stands there.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.arrays import FloatArray
from onsetstudy.protocol.keys import THOUSANDS
from onsetstudy.records.schema import DILUTION, Column
from onsetstudy.records.teeth import TEETH

ONE_COMMA = re.compile(r"-?\d+,\d+")
MINUTES_SECONDS = re.compile(r"(\d{1,3}):([0-5]\d)")
CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(?:\.\d+)?)?\s*(am|pm)?")
TIME_OF_DAY = re.compile(r"([01]?\d|2[0-3]):([0-5]\d):([0-5]\d)(?:\.\d+)?$")
DATE_AND_TIME = re.compile(r"(\S+)(?:T|\s+)((?:[01]?\d|2[0-3]):[0-5]\d(?::[0-5]\d(?:\.\d+)?)?\s*(?:am|pm)?)", re.I)
SLASHED = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})")
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
NAMED = re.compile(
    r"(\d{1,2})[ -](jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?|"
    r"oct(?:ober)?|nov(?:ember)?|dec(?:ember)?)[ -](\d{4})",
    re.I,
)
EPOCH = {"1900": dt.date(1899, 12, 30), "1904": dt.date(1904, 1, 1)}
SERIAL_DAYS = (36_526, 73_050)
NOT_APPLICABLE = frozenset({"n/a", "n.a.", "n.a", "na", "-", "--", "\u2013", "\u2014"})
NOT_KNOWN = frozenset({"?", "??", "nr", "n.r.", "not recorded", "not known", "unknown", "missing", "not asked"})
EMPTY_MEANS_NONE = ("rescue_", "adverse_")
NO_RESULT = "=?"
"""What stands for a cell of a workbook that holds a formula and nothing that it came to."""


Repaired = tuple[str, str] | None
"""Code and text of how a cell was read although it was written unusually; ``None`` where it was not."""
Reader = Callable[[str], tuple[object, Repaired]]


DATES: dict[str, Repaired] = {
    r"(?P<year>\d{4})-(?P<month>\d{1,2})-(?P<day>\d{1,2})(?:[T ]00:00(?::00(?:\.0+)?)?)?": None,
    r"(?P<year>\d{4})[/.](?P<month>\d{1,2})[/.](?P<day>\d{1,2})": ("year_first", "a date with the year first was read"),
    r"(?P<day>\d{1,2})\.(?P<month>\d{1,2})\.(?P<year>\d{4})": ("dotted_date", "a date as 31.12.2026 was read"),
}
"""Ways of writing a date that leave no doubt."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Parsed:
    """A typed column, arrays of shape (n,).

    ``values`` is missing where the cell was empty or cannot be read; ``faults`` maps positions to (code, mend) of the
    latter; ``repairs`` counts what was read although written unusually. ``clock_min`` holds, for minute columns, a time
    of day in minutes after midnight that still has to be set against the case's clock zero.
    """

    values: NDArray[Any]
    faults: dict[int, tuple[str, str]]
    repairs: Counter[tuple[str, str]]
    clock_min: FloatArray | None = None


def parse_column(
    written: pd.Series, column: Column, *, tooth_notation: str, date_epoch: str, declared: tuple[str, ...] = ()
) -> Parsed:
    """Typed values of one column of text, by the dictionary's kind; each distinct spelling is read once.

    ``declared`` are codes that the protocol declares for a column of texts, such as its practices.
    """
    position, spellings = pd.factorize(written)
    times = np.bincount(position + 1, minlength=len(spellings) + 1)[1:]
    cells = [str(spelling).strip() for spelling in spellings]
    numbers = _plain_numbers(cells) if column.numeric and column.kind != "clock" else {}
    nothing, read = _words_for_nothing(column), _reader(column, tooth_notation, date_epoch, declared)
    values = np.full(len(cells) + 1, missing_value(column), dtype=object)
    clock = np.full(len(cells) + 1, np.nan)
    unreadable: dict[int, tuple[str, str]] = {}
    repairs: Counter[tuple[str, str]] = Counter()
    untold: Counter[str] = Counter()
    for number, cell in enumerate(cells):
        repair = None
        if cell == NO_RESULT:
            unreadable[number] = "no_result", "open the workbook in your spreadsheet program and save it again"
        elif cell in numbers:
            values[number] = numbers[cell]
        elif cell.casefold() in nothing:
            untold[cell] += int(times[number])
        elif column.kind == "minute" and (found := TIME_OF_DAY.search(cell)):
            clock[number] = int(found[1]) * 60 + int(found[2]) + int(found[3]) / 60
        elif cell:
            try:
                values[number], repair = read(cell)
            except _Unreadable as error:
                unreadable[number] = (error.code, error.mend)
        if repair is not None:
            repairs[repair] += int(times[number])
    if untold:
        words = ", ".join(f'"{word}"' for word in sorted(untold))
        repairs["not_recorded", f"{words} was read as {column.empty}, as if the cell were empty"] = untold.total()
    rows = np.flatnonzero(np.isin(position, list(unreadable))).tolist() if unreadable else ()
    return Parsed(
        values=values.astype(float if column.numeric else object)[position],
        faults={row: unreadable[int(position[row])] for row in rows},
        repairs=repairs,
        clock_min=None if np.isnan(clock).all() else clock[position],
    )


def missing_value(column: Column) -> object:
    """What stands in a typed column where nothing was recorded."""
    if column.numeric:
        return np.nan
    return None if column.kind in ("date", "tooth") else pd.NA


def _words_for_nothing(column: Column) -> frozenset[str]:
    """Words by which a cell of an optional column says that there is nothing to say.

    A word for "not known" is read so only where an empty cell means the same: an empty minute of a supplement means
    that none was given, and an event that nobody knows of is not one that did not happen.
    """
    if column.required == "always" or column.kind == "text":
        return frozenset()
    words = NOT_APPLICABLE if column.name.startswith(EMPTY_MEANS_NONE) else NOT_APPLICABLE | NOT_KNOWN
    return words - set(column.codes)


def _plain_numbers(cells: list[str]) -> dict[str, float]:
    """Spellings that are plain finite numbers; all at once, by the library that has always read them."""
    numbers = pd.to_numeric(np.array(cells, dtype=object), errors="coerce").astype(float) + 0.0  # a written -0 is 0
    return {cell: number for cell, number in zip(cells, numbers.tolist(), strict=True) if math.isfinite(number)}


def _reader(column: Column, tooth_notation: str, date_epoch: str, declared: tuple[str, ...]) -> Reader:
    """What reads one spelling of a column."""
    readers: dict[str, Reader] = {
        "text": partial(_declared, codes=declared),
        "code": partial(_code, codes=column.codes),
        "date": partial(_date, epoch=date_epoch),
        "tooth": partial(_tooth, notation=tooth_notation),
        "clock": _clock,
        "minute": partial(_minute, column=column),
    }
    return readers.get(column.kind, partial(_plain_number, column=column))


class _Unreadable(Exception):
    def __init__(self, code: str, mend: str) -> None:
        super().__init__(code)
        self.code, self.mend = code, mend


def _plain_number(cell: str, column: Column) -> tuple[float, Repaired]:
    unit = column.unit
    mend = f"write one number{f' in {unit}' if unit else ''}, with a point for decimals, such as {column.example}"
    if column.required != "always":
        mend += "; leave the cell empty where nothing was recorded"
    if cell.casefold() == "none":
        mend = "write 0 if that is what was measured, or leave the cell empty where nothing was recorded"
    repair: Repaired = None
    if unit and cell.lower().endswith(unit.lower()) and re.fullmatch(r"[\d.,]+\s*", cell[: -len(unit)]):
        repair = "unit_written", f"the unit {unit} beside the number was passed over"
        cell = cell[: -len(unit)].strip()
    elif unit == DILUTION and (found := re.fullmatch(r"1\s*:\s*(\d[\d.,\s'’]*)", cell)):
        cell, repair = found[1], ("ratio_written", "a dilution with its 1: in front was read")
    if re.fullmatch(r"[1-9]\d{0,2}(?:[\s'’]\d{3})+", cell):
        cell, repair = re.sub(r"\D", "", cell), ("thousands_apart", "a sign between thousands was passed over")
    elif ONE_COMMA.fullmatch(cell):
        cell, repair = _comma(cell, column, mend)
    elif "," in cell and re.fullmatch(r"[\d.,]+", cell):
        raise _Unreadable("ambiguous_number", f"points and commas may mean two things; {mend}")
    if (value := finite_number(cell)) is None:
        raise _Unreadable("not_a_number", mend)
    return value, repair


def finite_number(cell: str) -> float | None:
    """A number with a point for decimals; ``None`` where it is none."""
    try:
        # Python would read 1_8 as 18.
        value = float(cell) if "_" not in cell else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _comma(cell: str, column: Column, mend: str) -> tuple[str, tuple[str, str]]:
    """A number with one comma: a decimal comma, unless it may stand between thousands and the range admits those."""
    decimal, thousands = cell.replace(",", "."), cell.replace(",", "")
    decimal_comma = "decimal_comma", "a decimal comma was read as a point"
    if not THOUSANDS.fullmatch(cell) or not admits(column, float(thousands)):
        return decimal, decimal_comma
    if not admits(column, float(decimal)):
        return thousands, ("thousands", "a comma between thousands was passed over")
    raise _Unreadable("ambiguous_number", f"the comma may stand for decimals or for thousands; {mend}")


def admits(column: Column, value: float) -> bool:
    """Whether a number lies in the range of a column."""
    return column.low is None or column.high is None or column.low <= value <= column.high


def _minute(cell: str, column: Column) -> tuple[float, Repaired]:
    if found := MINUTES_SECONDS.fullmatch(cell):
        return int(found[1]) + int(found[2]) / 60, None
    try:
        return _plain_number(cell, column)
    except _Unreadable as error:
        if error.code == "ambiguous_number":
            raise
        mend = "write minutes and seconds as 4:30, or minutes as 4.5"
        raise _Unreadable("not_a_time", f"{column.hint}; {mend}" if column.hint else mend) from None


def _clock(cell: str) -> tuple[float, Repaired]:
    if (dated := DATE_AND_TIME.fullmatch(cell)) and re.fullmatch(next(iter(DATES)), dated[1]):
        return _clock(dated[2])[0], ("time_with_date", "a time of day with its date was read as the time")
    if found := CLOCK.fullmatch(cell.lower()):
        hour, minute, second = int(found[1]), int(found[2]), int(found[3] or 0)
        if found[4]:
            if not 1 <= hour <= 12:
                raise _Unreadable("not_a_clock_time", "write hours and minutes of the day, such as 14:05")
            hour = hour % 12 + (12 if found[4] == "pm" else 0)
        return hour * 60 + minute + second / 60, None
    if 0 < (share := finite_number(cell) or 0.0) < 1:
        minutes = round(share * 1440 * 60) / 60
        return minutes, ("excel_time", "a spreadsheet's number for a time of day was read as that time")
    raise _Unreadable("not_a_clock_time", "write hours and minutes of the day, such as 14:05")


def _real_date(year: int, month: int, day: int) -> dt.date:
    try:
        return dt.date(year, month, day)
    except ValueError:
        raise _Unreadable("not_a_date", "there is no such day; write year, month and day, such as 2026-04-03") from None


def _date(cell: str, epoch: str) -> tuple[dt.date, Repaired]:
    for pattern, repair in DATES.items():
        if found := re.fullmatch(pattern, cell):
            return _real_date(**{part: int(digits) for part, digits in found.groupdict().items()}), repair
    if found := DATE_AND_TIME.fullmatch(cell):
        whole, _ = _date(found[1], epoch)
        return whole, ("date_with_time", "a date with a time of day was read as its day")
    if found := NAMED.fullmatch(cell):
        repair = "month_name", "a date with the name of its month was read"
        return _real_date(int(found[3]), MONTHS.index(found[2][:3].lower()) + 1, int(found[1])), repair
    if found := SLASHED.fullmatch(cell):
        one, two, year = int(found[1]), int(found[2]), int(found[3])
        if one > 12 or two > 12 or one == two:
            day, month = (one, two) if one > 12 else (two, one)
            repair = "slashed_date", "a date whose day and month cannot be mistaken was read"
            return _real_date(year, month, day), repair
        mend = "day and month may be mistaken for each other; write year, month and day, such as 2026-04-03"
        raise _Unreadable("ambiguous_date", mend)
    if re.fullmatch(r"\d{5}(?:\.\d+)?", cell) and SERIAL_DAYS[0] <= float(cell) <= SERIAL_DAYS[1]:
        day_number = int(float(cell))
        return EPOCH[epoch] + dt.timedelta(days=day_number), ("excel_date", "a spreadsheet's number for a day was read")
    raise _Unreadable("not_a_date", "write year, month and day, such as 2026-04-03")


def _code(cell: str, codes: tuple[str, ...]) -> tuple[str, Repaired]:
    plain = cell if cell in codes else re.sub(r"[\s\-]+", "_", cell.lower())
    if (meant := {"true": "yes", "false": "no"}.get(plain)) in codes:
        return str(meant), ("true_or_false", "a spreadsheet's true or false was read as yes or no")
    if plain != cell and plain in codes:
        return plain, ("spelling", "capitals, blanks or hyphens in a code were passed over")
    return cell, None


def _declared(cell: str, codes: tuple[str, ...]) -> tuple[str, Repaired]:
    """A code of the protocol's own in its capitals; one that could be two of them, or none, stays as it was written."""
    found = [] if cell in codes else [code for code in codes if code.casefold() == cell.casefold()]
    return (found[0], ("spelling", "capitals in a code were passed over")) if len(found) == 1 else (cell, None)


def _tooth(cell: str, notation: str) -> tuple[str, Repaired]:
    other = "universal" if notation == "iso3950" else "iso3950"
    names = {"iso3950": "the two-digit notation (ISO 3950)", "universal": "the universal system"}
    plain = re.sub(r"\.0+$", "", cell.lstrip("#").strip()).upper()
    if plain in TEETH[notation]:
        return plain, None if plain == cell else ("tooth_spelling", "a tooth number was read without its extra signs")
    mend = f"write the tooth in {names[notation]}, as the protocol says"
    if plain in TEETH[other]:
        mend += f"; {plain} is a tooth in {names[other]}"
    raise _Unreadable("tooth", mend)
