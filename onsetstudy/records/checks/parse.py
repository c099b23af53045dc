"""From untouched text to typed columns: what can be read without doubt is read and counted, nothing is guessed.

Every function takes a Series of text (``None`` where empty) and gives a :class:`Parsed` column. The usual
spelling is handled for the whole column at once; only the cells that are left over are looked at one by one.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.records.schema import Column
from onsetstudy.records.teeth import TEETH

__all__ = ["NOT_APPLICABLE", "NOT_KNOWN", "Parsed", "parse_column"]

ONE_COMMA = re.compile(r"-?\d+,\d+")
THOUSANDS = re.compile(r"-?[1-9]\d{0,2},\d{3}")
MINUTES_SECONDS = re.compile(r"(\d{1,3}):([0-5]\d)")
CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(?:\.\d+)?)?\s*(am|pm)?")
TIME_OF_DAY = re.compile(r"([01]?\d|2[0-3]):([0-5]\d):([0-5]\d)(?:\.\d+)?")
ISO_DATE = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]00:00(?::00(?:\.0+)?)?)?")
DATE_AND_TIME = re.compile(r"(\S+)(?:T|\s+)(?:[01]?\d|2[0-3]):[0-5]\d(?::[0-5]\d(?:\.\d+)?)?\s*(?:am|pm)?", re.I)
DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
SLASHED = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})")
YEAR_FIRST = re.compile(r"(\d{4})[/.](\d{1,2})[/.](\d{1,2})")
EPOCH = {"1900": dt.date(1899, 12, 30), "1904": dt.date(1904, 1, 1)}
SERIAL_DAYS = (36_526, 73_050)
NOT_APPLICABLE = frozenset({"n/a", "n.a.", "n.a", "na", "-", "--", "\u2013", "\u2014"})
NOT_KNOWN = frozenset({"?", "??", "nr", "n.r.", "not recorded", "not known", "unknown", "missing", "not asked"})
EMPTY_MEANS_NONE = ("rescue_", "adverse_")


Repaired = tuple[str, str] | None
"""Code and text of how a cell was read although it was written unusually; ``None`` where it was not."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Parsed:
    """A typed column.

    ``values`` is missing where the cell was empty or cannot be read; ``faults`` maps positions to (code, mend) of the
    latter; ``repairs`` counts what was read although written unusually. ``clock_min`` holds, for minute columns, a time
    of day in minutes after midnight that still has to be set against the case's clock zero.
    """

    values: pd.Series
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)
    repairs: Counter[tuple[str, str]] = field(default_factory=Counter)
    clock_min: pd.Series | None = None


def parse_column(
    written: pd.Series, column: Column, *, tooth_notation: str, date_epoch: str, declared: tuple[str, ...] = ()
) -> Parsed:
    """Typed values of one column of text, by the dictionary's kind.

    ``declared`` are codes that the protocol declares for a column of texts, such as its practices.
    """
    if written.isna().all():
        return Parsed(values=_empty(written, column))
    stripped = written.str.strip()
    stripped = stripped.where(stripped != "")
    untold = _untold(stripped, column)
    parsed = _parsed(stripped.where(~untold), column, tooth_notation, date_epoch, declared)
    if untold.any():
        words = ", ".join(f'"{word}"' for word in sorted(set(stripped[untold])))
        text = f"{words} was read as not recorded, as if the cell were empty"
        parsed.repairs["not_recorded", text] += int(untold.sum())
    return parsed


def _empty(written: pd.Series, column: Column) -> pd.Series:
    """What the readers below make of a column without a cell, as most are in small records."""
    if column.kind in ("date", "tooth"):
        return pd.Series(np.full(len(written), None, dtype=object), index=written.index)
    if column.kind in ("clock", "minute") or column.numeric:
        return pd.Series(np.full(len(written), np.nan), index=written.index)
    return written.astype(object)


def _untold(text: pd.Series, column: Column) -> NDArray[np.bool_]:
    """Cells of an optional column that say in a word that there is nothing to say.

    A word for "not known" is read so only where an empty cell means the same: an empty minute of a supplement means
    that none was given, and an event that nobody knows of is not one that did not happen.
    """
    if column.required == "always" or column.kind == "text":
        return np.zeros(len(text), dtype=bool)
    words = NOT_APPLICABLE if column.name.startswith(EMPTY_MEANS_NONE) else NOT_APPLICABLE | NOT_KNOWN
    words -= set(column.codes)
    told = [cell for cell in text.dropna().unique() if cell.casefold() in words]
    return np.asarray(text.isin(told), dtype=bool) if told else np.zeros(len(text), dtype=bool)


def _parsed(
    stripped: pd.Series, column: Column, tooth_notation: str, date_epoch: str, declared: tuple[str, ...]
) -> Parsed:
    if column.kind == "code":
        return _codes(stripped, column.codes)
    if column.kind == "date":
        return _by_cell(stripped, lambda cell: _date(cell, date_epoch), object)
    if column.kind == "tooth":
        return _teeth(stripped, tooth_notation)
    if column.kind == "clock":
        return _by_cell(stripped, _clock, float)
    if column.numeric:
        return _numbers(stripped, column)
    if declared:
        return _declared(stripped, declared)
    return Parsed(values=stripped.astype(object))


class _Unreadable(Exception):
    def __init__(self, code: str, mend: str) -> None:
        super().__init__(code)
        self.code, self.mend = code, mend


def _by_cell(text: pd.Series, read: Callable[[str], tuple[object, Repaired]], dtype: type) -> Parsed:
    """Distinct spellings read once each."""
    position, distinct = pd.factorize(text)
    values: list[object] = []
    faults: dict[int, tuple[str, str]] = {}
    repairs: Counter[tuple[str, str]] = Counter()
    times = np.bincount(position[position >= 0], minlength=len(distinct))
    unreadable: dict[int, tuple[str, str]] = {}
    for number, cell in enumerate(distinct):
        try:
            value, repair = read(cell)
        except _Unreadable as error:
            unreadable[number] = (error.code, error.mend)
            value, repair = None, None
        values.append(value)
        if repair is not None:
            repairs[repair] += int(times[number])
    table = np.array([*values, None], dtype=object)
    if unreadable:
        bad = np.isin(position, list(unreadable))
        faults = {int(i): unreadable[int(position[i])] for i in np.flatnonzero(bad)}
    found = pd.Series(table[position], index=text.index)
    return Parsed(values=found.astype(float) if dtype is float else found, faults=faults, repairs=repairs)


def _plain_number(cell: str, column: Column) -> tuple[float, Repaired]:
    unit = column.unit
    mend = f"write one number{f' in {unit}' if unit else ''}, with a point for decimals, such as 1.8"
    if column.required != "always":
        mend += "; leave the cell empty where nothing was recorded"
    if cell.casefold() == "none":
        mend = "write 0 if that is what was measured, or leave the cell empty where nothing was recorded"
    repair: Repaired = None
    if ONE_COMMA.fullmatch(cell):
        cell, repair = _comma(cell, column, mend)
    elif "," in cell and re.fullmatch(r"[\d.,]+", cell):
        raise _Unreadable("ambiguous_number", f"points and commas may mean two things; {mend}")
    elif unit and cell.lower().endswith(unit.lower()) and re.fullmatch(r"[\d.]+\s*", cell[: -len(unit)]):
        cell, repair = (
            cell[: -len(unit)].strip(),
            ("unit_written", f"the unit {unit} beside the number was passed over"),
        )
    try:
        value = float(cell)
    except ValueError:
        raise _Unreadable("not_a_number", mend) from None
    if not np.isfinite(value):
        raise _Unreadable("not_a_number", mend)
    return value, repair


def _comma(cell: str, column: Column, mend: str) -> tuple[str, tuple[str, str]]:
    """A number with one comma: a decimal comma, unless it may stand between thousands and the range admits those."""
    decimal, thousands = cell.replace(",", "."), cell.replace(",", "")
    decimal_comma = "decimal_comma", "a decimal comma was read as a point"
    if not THOUSANDS.fullmatch(cell) or not _admits(column, float(thousands)):
        return decimal, decimal_comma
    if not _admits(column, float(decimal)):
        return thousands, ("thousands", "a comma between thousands was passed over")
    raise _Unreadable("ambiguous_number", f"the comma may stand for decimals or for thousands; {mend}")


def _admits(column: Column, value: float) -> bool:
    return column.low is None or column.high is None or column.low <= value <= column.high


def _quick_numbers(text: pd.Series) -> tuple[pd.Series, NDArray[np.bool_]]:
    """Plain numbers of a whole column, and which of the filled cells are not plain finite numbers."""
    number = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    left = text.notna().to_numpy(dtype=bool) & ~np.isfinite(number)
    return pd.Series(number, index=text.index), left


def _numbers(text: pd.Series, column: Column) -> Parsed:
    quick, left = _quick_numbers(text)
    if not left.any():
        return Parsed(values=quick)
    if column.kind != "minute":
        slow = _by_cell(text.where(left), lambda cell: _plain_number(cell, column), float)
        return replace(slow, values=quick.where(~left, slow.values))
    day = text.where(left).str.extract(TIME_OF_DAY.pattern + "$", expand=True).astype(float)
    day_min = day[0] * 60 + day[1] + day[2] / 60
    slow = _by_cell(text.where(left & day_min.isna().to_numpy()), lambda cell: _minute(cell, column), float)
    clock_min = day_min if day_min.notna().any() else None
    return replace(slow, values=quick.where(~left, slow.values), clock_min=clock_min)


def _minute(cell: str, column: Column) -> tuple[float, Repaired]:
    found = MINUTES_SECONDS.fullmatch(cell)
    if found:
        return int(found[1]) + int(found[2]) / 60, None
    try:
        return _plain_number(cell, column)
    except _Unreadable as error:
        if error.code == "ambiguous_number":
            raise
        raise _Unreadable("not_a_time", "write minutes and seconds as 4:30, or minutes as 4.5") from None


def _clock(cell: str) -> tuple[float, Repaired]:
    found = CLOCK.fullmatch(cell.lower())
    if found:
        hour, minute, second = int(found[1]), int(found[2]), int(found[3] or 0)
        if found[4]:
            if not 1 <= hour <= 12:
                raise _Unreadable("not_a_clock_time", "write the time of day as 14:05")
            hour = hour % 12 + (12 if found[4] == "pm" else 0)
        return hour * 60 + minute + second / 60, None
    try:
        share = float(cell)
    except ValueError:
        share = -1.0
    if 0 < share < 1:
        minutes = round(share * 1440 * 60) / 60
        return minutes, ("excel_time", "a spreadsheet's number for a time of day was read as that time")
    raise _Unreadable("not_a_clock_time", "write the time of day as 14:05")


def _real_date(year: int, month: int, day: int) -> dt.date:
    try:
        return dt.date(year, month, day)
    except ValueError:
        raise _Unreadable("not_a_date", "there is no such day; write the date as 2026-04-03") from None


def _date(cell: str, epoch: str) -> tuple[dt.date, Repaired]:
    if found := ISO_DATE.fullmatch(cell):
        return _real_date(int(found[1]), int(found[2]), int(found[3])), None
    if found := DATE_AND_TIME.fullmatch(cell):
        whole, _ = _date(found[1], epoch)
        return whole, ("date_with_time", "a date with a time of day was read as its day")
    if found := YEAR_FIRST.fullmatch(cell):
        repair = "year_first", "a date with the year first was read"
        return _real_date(int(found[1]), int(found[2]), int(found[3])), repair
    if found := DAY_FIRST.fullmatch(cell):
        return _real_date(int(found[3]), int(found[2]), int(found[1])), ("dotted_date", "a date as 31.12.2026 was read")
    if found := SLASHED.fullmatch(cell):
        one, two, year = int(found[1]), int(found[2]), int(found[3])
        if one > 12 or two > 12 or one == two:
            day, month = (one, two) if one > 12 else (two, one)
            repair = "slashed_date", "a date whose day and month cannot be mistaken was read"
            return _real_date(year, month, day), repair
        mend = "day and month may be mistaken for each other; write the date as 2026-04-03"
        raise _Unreadable("ambiguous_date", mend)
    if re.fullmatch(r"\d{5}(?:\.\d+)?", cell) and SERIAL_DAYS[0] <= float(cell) <= SERIAL_DAYS[1]:
        day_number = int(float(cell))
        return EPOCH[epoch] + dt.timedelta(days=day_number), ("excel_date", "a spreadsheet's number for a day was read")
    raise _Unreadable("not_a_date", "write the date as 2026-04-03")


def _codes(text: pd.Series, codes: tuple[str, ...]) -> Parsed:
    def read(cell: str) -> tuple[str, Repaired]:
        plain = re.sub(r"[\s\-]+", "_", cell.lower())
        known = plain in codes
        return (
            (plain, ("spelling", "capitals, blanks or hyphens in a code were passed over")) if known else (cell, None)
        )

    return _unless_known(text, codes, read)


def _declared(text: pd.Series, codes: tuple[str, ...]) -> Parsed:
    """Codes of the protocol's own in its capitals; one that could be two of them, or none, stays as it was written."""

    def read(cell: str) -> tuple[str, Repaired]:
        found = [code for code in codes if code.casefold() == cell.casefold()]
        return (found[0], ("spelling", "capitals in a code were passed over")) if len(found) == 1 else (cell, None)

    return _unless_known(text, codes, read)


def _unless_known(text: pd.Series, codes: tuple[str, ...], read: Callable[[str], tuple[str, Repaired]]) -> Parsed:
    known = text.isna() | text.isin(codes)
    if known.all():
        return Parsed(values=text.astype(object))
    slow = _by_cell(text.where(~known), read, object)
    return Parsed(values=text.where(known, slow.values).astype(object), repairs=slow.repairs)


def _teeth(text: pd.Series, notation: str) -> Parsed:
    other = "universal" if notation == "iso3950" else "iso3950"
    names = {"iso3950": "the two-digit notation (ISO 3950)", "universal": "the universal system"}

    def read(cell: str) -> tuple[str, Repaired]:
        plain = re.sub(r"\.0+$", "", cell.lstrip("#").strip()).upper()
        if plain in TEETH[notation]:
            repair = "tooth_spelling", "a tooth number was read without its extra signs"
            return plain, None if plain == cell else repair
        mend = f"write the tooth in {names[notation]}, as the protocol says"
        if plain in TEETH[other]:
            mend += f"; {plain} is a tooth in {names[other]}"
        raise _Unreadable("tooth", mend)

    return _by_cell(text, read, object)
