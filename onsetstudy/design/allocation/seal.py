"""Sealed slips: a file that can be carried to a practice and opened only slip by slip, in order.

The key of a slip lies inside the slip before it. This keeps the next arm from the eye of whoever has the file, and
makes it impossible to open slip 7 before slip 6. It is not secrecy against somebody who sets out to open a copy of
the file: for that, the file stays with a person who does not treat.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

from onsetstudy.core.errors import DesignError

Sealed = dict[str, str]


def seal_slips(contents: Sequence[Mapping[str, Any]], *, secret: str) -> tuple[str, list[Sealed]]:
    """First key, and the sealed slips of one stratum in order.

    Parameters
    ----------
    contents : sequence of mapping
        What stands in each slip, as plain JSON values, with ``slip``.
    secret : str
        Anything that differs between strata and is not known to the practice.
    """
    first = hashlib.sha256(f"{secret}:0".encode()).hexdigest()
    return first, _sealed(contents, first, secret)


def continue_slips(
    sealed: list[Sealed], contents: Sequence[Mapping[str, Any]], *, first_key: str, secret: str
) -> list[Sealed]:
    """Sealed slips with further ones behind them: the slips that were there, opened or not, stay as they are.

    Raises
    ------
    DesignError
        If a slip on the way was changed.
    """
    key = first_key
    for slip in sealed:
        key = _opened(slip, key)["next"]
    return [*sealed, *_sealed(contents, key, secret)]


def _sealed(contents: Sequence[Mapping[str, Any]], first: str, secret: str) -> list[Sealed]:
    keys = [first, *(hashlib.sha256(f"{secret}:{k}".encode()).hexdigest() for k in range(1, len(contents) + 1))]
    sealed = []
    for key, following, content in zip(keys, keys[1:], contents, strict=False):
        inside = json.dumps({**content, "next": following}, sort_keys=True).encode("utf-8")
        sealed.append({"slip": str(content["slip"]), "sealed": _mask(inside, key).hex(), "seal": _mark(inside, key)})
    return sealed


def open_slip(sealed: list[Sealed], number: int, *, first_key: str) -> dict[str, Any]:
    """Content of slip ``number`` (from 1), by way of all the slips before it.

    Raises
    ------
    DesignError
        If there is no such slip, or a slip on the way was changed.
    """
    if not 1 <= number <= len(sealed):
        raise DesignError(
            f"there are {len(sealed)} slips and all have been opened; ask for a longer list. Who keeps the list makes "
            "it with the command allocate and its option --after"
        )
    key, content = first_key, {}
    for slip in sealed[:number]:
        content = _opened(slip, key)
        key = content.pop("next")
    return content


def _opened(slip: Sealed, key: str) -> dict[str, Any]:
    inside = _mask(bytes.fromhex(slip["sealed"]), key)
    if _mark(inside, key) != slip["seal"]:
        raise DesignError(f"the seal of slip {slip['slip']} is broken; ask for the file anew")
    try:
        content = dict(json.loads(inside))
    except (ValueError, TypeError, RecursionError):
        content = {}
    # Under another name, a slip that was opened would be taken for one that was not.
    if content.get("slip") != slip["slip"] or not isinstance(content.get("next"), str):
        raise DesignError(f"slip {slip['slip']} has another number inside; ask for the file anew")
    return content


def chain_step(before: str, row: Mapping[str, str]) -> str:
    """Link of a line of the opening log to the line before it: a changed or missing line breaks the chain."""
    text = json.dumps([before, dict(row)], sort_keys=True)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _mask(text: bytes, key: str) -> bytes:
    stream = hashlib.shake_256(key.encode()).digest(len(text))
    return bytes(a ^ b for a, b in zip(text, stream, strict=True))


def _mark(inside: bytes, key: str) -> str:
    return hashlib.sha256(key.encode() + inside).hexdigest()[:32]
