"""Cautions and assumptions of a results file: each text once, in a table of its own, and referred to by its key.

Works on plain JSON types, so that every kind of result is served alike; a file written without the table is read as
it stands.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["TABLE", "gather", "spread"]

TABLE = "annotations"
NAMED = {"assumption": "name", "caution": "code"}
REFERENCE = "annotation"


def gather(data: Mapping[str, Any]) -> dict[str, Any]:
    """The same data with each distinct caution and assumption once, under ``annotations``.

    A key is the kind and the code; where values make several texts of one code, the later ones are numbered.
    """
    table: dict[str, dict[str, Any]] = {}
    keys: dict[tuple[tuple[str, Any], ...], str] = {}

    def walk(value: Any) -> Any:
        if isinstance(value, list):
            return [walk(item) for item in value]
        if not isinstance(value, dict):
            return value
        field = NAMED.get(str(value.get("kind")))
        if field is None or field not in value:
            return {name: walk(item) for name, item in value.items()}
        identity = tuple(sorted(value.items()))
        if identity not in keys:
            base = f"{value['kind']}/{value[field]}"
            number = 1 + sum(key == base or key.startswith(f"{base}/") for key in table)
            keys[identity] = base if number == 1 else f"{base}/{number}"
            table[keys[identity]] = dict(value)
        return {REFERENCE: keys[identity]}

    walked = {name: walk(item) for name, item in data.items()}
    return {**walked, TABLE: table}


def spread(data: Mapping[str, Any]) -> dict[str, Any]:
    """Data of :func:`gather` with every reference replaced by what it stands for.

    Raises
    ------
    KeyError
        If a reference is not in the table.
    """
    table = data.get(TABLE, {})

    def walk(value: Any) -> Any:
        if isinstance(value, list):
            return [walk(item) for item in value]
        if not isinstance(value, dict):
            return value
        if set(value) == {REFERENCE}:
            return dict(table[value[REFERENCE]])
        return {name: walk(item) for name, item in value.items()}

    return {name: walk(item) for name, item in data.items() if name != TABLE}
