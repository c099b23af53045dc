"""Whether what was read has the types and keys that it may have: a file may hold anything."""

from __future__ import annotations

import dataclasses
import datetime as dt
import difflib
import math
import re
import types
import typing
from collections.abc import Callable, Collection, Mapping
from typing import Any

import numpy as np

from onsetstudy.core.errors import Problem, Where
from onsetstudy.core.serialise import alternatives, item_types, type_hints

MOST = 20
"""Mismatches told of one result; who finds more has read a file of another kind."""
NEWER_KEY = re.compile(r"[a-z][a-z0-9]*(?:_[a-z0-9]+)*")
"""How keys of ours look: what a newer version may have added, and not whatever somebody typed."""
LONGEST_KEY = 40


def mismatches(value: Any) -> tuple[str, ...]:
    """What in a registered result is not of its declared type, each as ``place: what is there``.

    Parameters
    ----------
    value : dataclass
        As :func:`~onsetstudy.core.serialise.from_dict` made it, which looks at names and not at types.

    Returns
    -------
    tuple of str
        Empty if all is as declared; at most :data:`MOST`.
    """
    found: list[str] = []
    _walk(value, type(value), "", found)
    return tuple(found[:MOST])


def _walk(value: Any, hint: Any, place: str, found: list[str]) -> None:
    if len(found) >= MOST:
        return
    choices = alternatives(hint)
    fitting = [choice for choice in choices if _shape_fits(value, choice)]
    if not fitting:
        found.append(f"{place or 'the whole'}: {_called(value)} instead of {' or '.join(map(_named, choices))}")
        return
    chosen = fitting[0]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        hints = type_hints(type(value))
        for field in dataclasses.fields(value):
            _walk(getattr(value, field.name), hints[field.name], f"{place}.{field.name}".lstrip("."), found)
    elif typing.get_origin(chosen) is tuple:
        for i, (item, part) in enumerate(zip(value, item_types(chosen, len(value)), strict=True)):
            _walk(item, part, f"{place}[{i + 1}]", found)


def _shape_fits(value: Any, hint: Any) -> bool:
    """The outermost type alone; what is inside is looked at where it fits."""
    if hint is Any:
        return True
    origin = typing.get_origin(hint)
    if origin is tuple:
        return isinstance(value, tuple) and len(item_types(hint, len(value))) == len(value)
    if origin is np.ndarray:
        return isinstance(value, np.ndarray)
    if hint in (int, float):
        whole = isinstance(value, int) and not isinstance(value, bool)
        return whole if hint is int else isinstance(value, float) or (whole and abs(value) <= 2**53)
    # A kind of hint that no result uses is no type: what is not understood is not let through.
    return isinstance(hint, type) and isinstance(value, hint)


def _called(value: Any) -> str:
    if isinstance(value, str):
        return "a text"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, int | float):
        return "a number" if math.isfinite(value) else "no finite number"
    return {"NoneType": "nothing", "tuple": "a list", "dict": "a table"}.get(type(value).__name__, "something else")


def _named(hint: Any) -> str:
    plain = {types.NoneType: "nothing", str: "a text", int: "a whole number", float: "a number", bool: "true or false"}
    return plain.get(hint, "a list" if typing.get_origin(hint) is tuple else "a part of another kind")


def may_be_newer(key: str, *, known: Collection[str], found: Collection[str]) -> bool:
    """Whether an unknown key may be one that a newer version has added.

    Parameters
    ----------
    key : str
    known : collection of str
        Keys that this version writes.
    found : collection of str
        All keys that stand in the file: one that is much like a known key which is missing is that key mistyped.
    """
    if len(key) > LONGEST_KEY or not NEWER_KEY.fullmatch(key):
        return False
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.8)
    return not near or near[0] in found


class TableReader:
    """Values of one table of a parsed file (``place`` names it within the file) or of the whole of it.

    What is missing or wrong is noted in ``problems``, which the tables of a file share, and some value of the right
    kind stands in for it.
    """

    def __init__(
        self, content: Mapping[str, Any], file: str, place: str = "", problems: list[Problem] | None = None
    ) -> None:
        self.content, self.file, self.place = content, file, place
        self.problems = [] if problems is None else problems

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
        return [TableReader(row, self.file, f"{key} {k}", self.problems) for k, row in enumerate(rows, start=1)]

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

    def _fitting(self, key: str, fits: Callable[[Any], bool], what: str, mend: str, *, code: str = "table") -> Any:
        """A value that fits; ``None`` where there is none, and where it does not: ``what`` is said of it then."""
        value = self.content.get(key)
        if value is None or fits(value):
            return value
        self.say(key, what.format(value), mend, value, code=code)
        return None

    def number(self, key: str) -> float | None:
        """A finite number; ``None`` where there is none."""
        value = self._fitting(key, _is_number, "{!r} is not a number", "write it with a decimal point")
        return None if value is None else float(value)

    def amount(self, key: str) -> float | None:
        """A number above 0; ``None`` where there is none."""
        mend = "give a number above 0"
        value = self._fitting(key, lambda v: _is_number(v) and v > 0, "{} cannot be a limit", mend, code="range")
        return None if value is None else float(value)

    def whole(self, key: str, low: int, high: int, what: str, mend: str) -> int | None:
        """A whole number within limits; ``None`` where there is none."""
        value = self._fitting(key, lambda v: _shape_fits(v, int) and low <= v <= high, what, mend)
        return None if value is None else int(value)

    def yes(self, key: str) -> bool:
        """Whether it is true; absent is false."""
        value = self.content.get(key, False)
        if not isinstance(value, bool):
            self.say(key, f'"{value}" is neither true nor false', "write true or false", value)
        return value is True


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
