"""One text for the same content, under every version of the libraries: what digests are made of."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

MISSING = ""


def canonical_value(value: object) -> str:
    """Text of one cell: equal values have one text, different ones never the same.

    Parameters
    ----------
    value : object
        ``None`` or not-a-number (missing), a truth value, a number, a text, a day or a time. A whole number has the
        same text as an integer and as a float, since a table's library may read it as either.

    Returns
    -------
    str
        Empty for what is missing.

    Raises
    ------
    TypeError
        If the value is of another kind.

    Examples
    --------
    >>> canonical_value(2), canonical_value(2.0), canonical_value("2"), canonical_value(None)
    ('2', '2', '"2"', '')
    """
    if value is None:
        return MISSING
    if isinstance(value, str):
        return json.dumps(str(value), ensure_ascii=False)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(int(value))
    if isinstance(value, float):
        if math.isnan(value):
            return MISSING
        return str(int(value)) if value.is_integer() else repr(float(value))
    if isinstance(value, dt.datetime):
        return value.isoformat(timespec="microseconds")
    if isinstance(value, dt.date):
        return f"{value.isoformat()}T00:00:00.000000"
    raise TypeError(f"{type(value).__name__} has no canonical text")


def digest_of_rows(columns: Mapping[str, Sequence[object]]) -> str:
    """SHA-256 of a table as plain values, whatever the order of its rows and columns.

    A column that is missing throughout does not count: a table keeps its digest when its dictionary learns new columns.

    Parameters
    ----------
    columns : mapping
        Values of each column, all of one length.

    Returns
    -------
    str
        Of the sorted names, a line, and the sorted rows, cells parted by the unit separator.
    """
    names, texts = [], []
    for name in sorted(columns):
        known: dict[object, str] = {}
        cells = [_remembered(value, known) for value in columns[name]]
        if any(cells):
            names.append(name)
            texts.append(cells)
    digest = hashlib.sha256(json.dumps(names).encode("utf-8"))
    for row in sorted(map("\x1f".join, zip(*texts, strict=True))):
        digest.update(b"\n")
        digest.update(row.encode("utf-8"))
    return digest.hexdigest()


def _remembered(value: object, known: dict[object, str]) -> str:
    # True equals 1 as a key; their texts differ.
    key = (type(value) is bool, value)
    if (text := known.get(key)) is None:
        text = known[key] = canonical_value(value)
    return text


def canonical_json(content: Any) -> str:
    """JSON with sorted keys and without spaces; refuses numbers that JSON does not have."""
    return json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def digest_of_content(content: Any) -> str:
    """SHA-256 of the content of a JSON file, whatever the order of its keys."""
    return hashlib.sha256(canonical_json(content).encode("utf-8")).hexdigest()


def digest_if_any(content: Any) -> str:
    """The same of a content that may be anything; empty where there is none."""
    try:
        return digest_of_content(content)
    except (TypeError, ValueError, RecursionError):
        return ""


def digest_of_text(*parts: str) -> str:
    """SHA-256 of texts, each with its length before it, so that no two lists of parts give the same."""
    return hashlib.sha256("".join(f"{len(part)}:{part}" for part in parts).encode("utf-8")).hexdigest()


def as_toml(content: Mapping[str, Any]) -> str:
    """Content of a protocol as the text of a TOML file."""
    lines: list[str] = []
    for table, value in content.items():
        for entry in value if isinstance(value, list) else [value]:
            lines.append(f"[[{table}]]" if isinstance(value, list) else f"[{table}]")
            lines.extend(f"{key} = {_value(told)}" for key, told in entry.items())
            lines.append("")
    return "\n".join(lines)


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(told)}" for key, told in value.items()) + " }"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "[" + ", ".join(_value(told) for told in value) + "]"
    # A JSON text, number or truth value is one of TOML too; DEL and lone surrogates apart, which no answer may hold.
    return json.dumps(value, ensure_ascii=False)
