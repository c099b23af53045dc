"""A table of published results, read from the content of its file."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from typing import Any

from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.outcomes.published_results import PublishedRange, PublishedTable

__all__ = ["FINDINGS", "OUTCOMES", "check_published"]

OUTCOMES = ("onset", "numb_by", "success", "pain", "painless")
FINDINGS = ("sooner", "later", "more", "fewer", "less_pain", "more_pain", "no_difference", "not_stated")
EVIDENCE = ("trial", "pooled")
UNITS = ("min", "s", "percent", "points", "mm", "odds_ratio", "none")
LABELS = ("found", "from memory", "computed", "common practice, no source")
TECHNIQUES = (
    "buccal_infiltration", "palatal_infiltration", "ianb", "gow_gates", "closed_mouth_block", "mental_incisive",
    "long_buccal", "psa", "infraorbital", "intraligamentary", "intraosseous", "intraseptal", "intrapulpal", "various",
)  # fmt: skip
TEXTS = ("id", "study", "citation", "design", "agent", "test_method", "patients", "note", "printed")
NUMBERS = ("plain", "buffered", "plain_sd", "buffered_sd", "difference", "conf_low", "conf_high", "p_value",
           "scale_high")  # fmt: skip
KEYS = {*TEXTS, *NUMBERS, "evidence", "year", "n", "techniques", "outcome", "unit", "finding", "label"}


def check_published(content: Mapping[str, Any], *, file: str) -> PublishedTable:
    """A table of published results from the content of its file.

    Parameters
    ----------
    content : mapping
        ``title``, ``date``, ``note`` and a list of tables ``result``.
    file : str
        Name of the file, for the problems.

    Raises
    ------
    RecordsError
        If a line has no citation, an unknown code, or numbers that contradict each other; with all problems.
    """
    check = _Check(file)
    for key in sorted(set(content) - {"title", "date", "note", "result"}):
        check.say(key, f"{key} is not known", "take it out, or correct its name")
    rows = content.get("result", [])
    if not isinstance(rows, list) or not rows:
        check.say("result", "the table has no result", "add [[result]] tables")
        rows = []
    ranges = [check.row(f"result {i}", row) for i, row in enumerate(rows, start=1)]
    ids = [r.id for r in ranges]
    for name in sorted({i for i in ids if ids.count(i) > 1}):
        check.say("result", f'the id "{name}" is used more than once', "give every result its own id")
    date = content.get("date")
    try:
        day = dt.date.fromisoformat(date.isoformat() if isinstance(date, dt.date) else str(date)).isoformat()
    except ValueError:
        check.say("date", f"{date!r} is not a date", 'write the day of the table as date = "2026-11-25"')
        day = ""
    if check.problems:
        raise RecordsError(check.problems)
    return PublishedTable(
        title=str(content.get("title", "")), date=day, note=str(content.get("note", "")), ranges=tuple(ranges)
    )


class _Check:
    """Reads lines of a parsed file and keeps what is wrong with them."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def say(self, key: str, what: str, mend: str) -> None:
        self.problems.append(Problem(what=what, where=Where(file=self.file, key=key), mend=mend, code="table"))

    def text(self, place: str, row: Mapping[str, Any], key: str, *, needed: bool = False) -> str:
        value = row.get(key, "")
        if not isinstance(value, str) or (needed and not value.strip()):
            self.say(f"{place}, {key}", "a text is needed here", "write it between quotation marks")
            return ""
        return value

    def code(self, place: str, row: Mapping[str, Any], key: str, codes: tuple[str, ...]) -> str:
        value = row.get(key)
        if value not in codes:
            what = "this is missing" if value is None else f'"{value}" is not known'
            self.say(f"{place}, {key}", what, f"write one of {', '.join(codes)}")
            return codes[0]
        return str(value)

    def number(self, place: str, row: Mapping[str, Any], key: str) -> float | None:
        value = row.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.say(f"{place}, {key}", f"{value!r} is not a number", "write it with a decimal point")
            return None
        return float(value)

    def whole(self, place: str, row: Mapping[str, Any], key: str, low: int, high: int) -> int | None:
        value = row.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.say(f"{place}, {key}", f"{value!r} cannot be", f"give a whole number from {low} to {high}")
            return None
        return value

    def row(self, place: str, row: Mapping[str, Any]) -> PublishedRange:
        place = f"{place} ({row.get('id', 'no id')})"
        for key in sorted(set(row) - KEYS):
            self.say(f"{place}, {key}", f"{key} is not known", "take it out, or correct its name")
        texts = {key: self.text(place, row, key, needed=key in ("id", "study", "citation", "printed")) for key in TEXTS}
        numbers = {key: self.number(place, row, key) for key in NUMBERS}
        techniques = row.get("techniques", [])
        if not isinstance(techniques, list) or not techniques or not set(techniques) <= set(TECHNIQUES):
            self.say(f"{place}, techniques", f"{techniques!r} is not a list of techniques",
                     f"list some of {', '.join(TECHNIQUES)}")  # fmt: skip
            techniques = ["various"]
        unit = self.code(place, {"unit": row.get("unit", "none")}, "unit", UNITS)
        values: dict[str, Any] = {**texts, **_with_difference(numbers)}
        found = PublishedRange(
            year=self.whole(place, row, "year", 1900, 2100) or 0,
            n=self.whole(place, row, "n", 1, 1_000_000),
            evidence=self.code(place, row, "evidence", EVIDENCE),
            outcome=self.code(place, row, "outcome", OUTCOMES),
            finding=self.code(place, row, "finding", FINDINGS),
            label=self.code(place, row, "label", LABELS),
            techniques=tuple(techniques),
            unit=unit,
            **values,
        )
        if "year" not in row:
            self.say(f"{place}, year", "this is missing", "give the year of publication")
        self._consistent(place, found, numbers)
        return found

    def _consistent(self, place: str, found: PublishedRange, numbers: dict[str, float | None]) -> None:
        if any(v is not None for v in numbers.values()) and found.unit == "none" and found.difference is not None:
            self.say(f"{place}, unit", "numbers without a unit", f"write one of {', '.join(UNITS[:-1])}")
        if found.outcome == "pain" and found.difference is not None and found.scale_high is None:
            self.say(f"{place}, scale_high", "a pain score without its scale", "give the highest score of the scale")
        low, high, middle = found.conf_low, found.conf_high, found.difference
        if (low is None) != (high is None):
            self.say(f"{place}, conf_low", "an interval with one end", "give conf_low and conf_high")
        elif low is not None and high is not None and not low <= (low if middle is None else middle) <= high:
            self.say(f"{place}, conf_low", f"{middle:g} does not lie in its interval {low:g} to {high:g}",
                     "compare with the paper")  # fmt: skip
        plain, buffered = found.plain, found.buffered
        if None not in (plain, buffered, middle) and found.unit != "odds_ratio":
            gap = abs(float(buffered or 0) - float(plain or 0) - float(middle or 0))
            if gap > 0.011 * max(1.0, abs(float(middle or 0))):
                self.say(f"{place}, difference", "the difference is not buffered less plain", "compare with the paper")


def _with_difference(numbers: dict[str, float | None]) -> dict[str, float | None]:
    """The difference of two printed values where none is printed."""
    plain, buffered = numbers["plain"], numbers["buffered"]
    if numbers["difference"] is None and plain is not None and buffered is not None:
        return {**numbers, "difference": buffered - plain}
    return numbers
