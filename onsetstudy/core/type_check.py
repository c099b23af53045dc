"""Whether what was read has the types and keys that it may have: a file may hold anything."""

from __future__ import annotations

import dataclasses
import difflib
import math
import re
import typing
from collections.abc import Collection
from typing import Any

import numpy as np

from onsetstudy.core.serialise import alternatives, item_types, type_hints

__all__ = ["may_be_newer", "mismatches"]

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
    if hint is None or hint is type(None):
        return value is None
    origin = typing.get_origin(hint)
    if origin is tuple:
        return isinstance(value, tuple) and len(item_types(hint, len(value))) == len(value)
    if hint is np.ndarray or origin is np.ndarray:
        return isinstance(value, np.ndarray)
    if origin is typing.Literal:
        return value in typing.get_args(hint)
    if hint is float:
        return isinstance(value, float | int) and not isinstance(value, bool) and not (
            isinstance(value, int) and abs(value) > 2**53
        )  # fmt: skip
    if hint is int:
        return isinstance(value, int) and not isinstance(value, bool)
    if isinstance(hint, type):
        return isinstance(value, hint)
    # A kind of hint that no result uses: what is not understood is not let through.
    return False


def _called(value: Any) -> str:
    if isinstance(value, str):
        return "a text"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, int | float):
        return "a number" if math.isfinite(value) else "no finite number"
    return {"NoneType": "nothing", "tuple": "a list", "dict": "a table"}.get(type(value).__name__, "something else")


def _named(hint: Any) -> str:
    if hint in (None, type(None)):
        return "nothing"
    plain = {str: "a text", int: "a whole number", float: "a number", bool: "true or false"}
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
