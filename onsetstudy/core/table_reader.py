"""A table read from a file, value by value: what is wrong is kept, so that all of it is told at once."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Mapping
from typing import Any

from onsetstudy.core.errors import Problem, Where

__all__ = ["TableReader"]


class TableReader:
    """Values of one table of a parsed file (``place`` names it within the file) or of the whole of it.

    What is missing or wrong is noted in ``problems``, which the tables of a file share, and some value of the right
    kind stands in for it.
    """

    def __init__(self, content: Mapping[str, Any], file: str, place: str = "") -> None:
        self.content, self.file, self.place = content, file, place
        self.problems: list[Problem] = []

    def say(self, key: str, what: str, mend: str, value: object = None, *, code: str = "table") -> None:
        """Note a problem with a key; without one, with the table itself."""
        where = Where(file=self.file, key=", ".join(filter(None, (self.place, key))))
        said = None if value is None else str(value)
        self.problems.append(Problem(what=what, where=where, mend=mend, value=said, code=code))

    def refuse_unknown(self, known: Collection[str]) -> None:
        """Note every key that has no meaning."""
        for key in sorted(set(self.content) - set(known)):
            self.say(key, f"{key} is not known", "take it out, or correct its name")

    def tables(self, key: str) -> list[TableReader]:
        """Readers of a list of tables, which are named by their number and, where they have one, their ``id``."""
        rows = self.content.get(key, [])
        if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
            self.say(key, f"{key} is not a list of tables", f"begin each with [[{key}]]")
            return []
        found = []
        for number, row in enumerate(rows, start=1):
            found.append(TableReader(row, self.file, f"{key} {number}"))
            found[-1].problems = self.problems
        return found

    def date(self, key: str) -> str:
        """A day, as ``2026-11-25``."""
        value = self.content.get(key)
        text = value.isoformat() if isinstance(value, dt.date) else value
        try:
            return dt.date.fromisoformat(str(text)).isoformat()
        except ValueError:
            self.say(key, f"{text!r} is not a date", f'write the day of the table as {key} = "2026-11-25"', text)
            return ""

    def text(self, key: str, *, needed: bool = False) -> str:
        """A text; empty where there is none and none is needed."""
        value = self.content.get(key)
        if value is None and not needed:
            return ""
        if not isinstance(value, str) or (needed and not value.strip()):
            self.say(key, "a text is needed here", "write it between quotation marks", value)
            return ""
        return value

    def code(self, key: str, codes: tuple[str, ...], default: str | None = None) -> str:
        """One of some codes."""
        return self.one_of(key, self.content.get(key, default), codes)

    def one_of(self, key: str, value: object, codes: tuple[str, ...]) -> str:
        """A value that is one of some codes."""
        if value in codes:
            return str(value)
        what = "this is missing" if value is None else f'"{value}" is not known'
        self.say(key, what, f"write one of {', '.join(codes)}", value)
        return codes[0]

    def number(self, key: str) -> float | None:
        """A finite number; ``None`` where there is none."""
        value = self.content.get(key)
        if value is None or _is_number(value):
            return None if value is None else float(value)
        self.say(key, f"{value!r} is not a number", "write it with a decimal point", value)
        return None

    def amount(self, key: str) -> float | None:
        """A number above 0; ``None`` where there is none."""
        value = self.content.get(key)
        if value is None or (_is_number(value) and value > 0):
            return None if value is None else float(value)
        self.say(key, f"{value} cannot be a limit", "give a number above 0", value, code="range")
        return None

    def whole(self, key: str, low: int, high: int, what: str, mend: str) -> int | None:
        """A whole number within limits; ``None`` where there is none."""
        value = self.content.get(key)
        if value is None or (isinstance(value, int) and not isinstance(value, bool) and low <= value <= high):
            return value
        self.say(key, what.format(value), mend, value)
        return None

    def yes(self, key: str) -> bool:
        """Whether it is true; absent is false."""
        value = self.content.get(key, False)
        if not isinstance(value, bool):
            self.say(key, f'"{value}" is neither true nor false', "write true or false", value)
        return value is True


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
