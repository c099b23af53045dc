"""What stands beside a drawn list: study, rule, seed and commitment; held to its keys, types and sizes when read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.files.guard import Unreadable, parse_json, read_text

__all__ = ["read_description"]

MOST = 10_000
LONGEST = 200


def _text(value: Any) -> bool:
    return isinstance(value, str) and len(value) <= LONGEST and (value == "" or value.isprintable())


def _whole(value: Any) -> bool:
    return type(value) is int and abs(value) < 2**63


def _listed(each: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda value: isinstance(value, list) and len(value) <= MOST and all(map(each, value))


def _part(value: Any) -> bool:
    """A part by which a list was continued."""
    return isinstance(value, dict) and _whole(value.get("seed")) and _text(value.get("commitment"))


KEYS: Mapping[str, Callable[[Any], bool]] = {
    "what": _text,
    "study": _text,
    "protocol": _text,
    "method": _text,
    "strata": _listed(_text),
    "ratio": _listed(_whole),
    "arms": _listed(_text),
    "block_sizes": _listed(_whole),
    "seed": _whole,
    "commitment": _text,
    "quality": lambda value: isinstance(value, dict),
    "continued": _listed(_part),
}


def read_description(path: Path) -> dict[str, Any]:
    """Description of a list, ``list.json``.

    Raises
    ------
    RecordsError
        If it is none; with all that is wrong, and without the values.
    """
    try:
        content = parse_json(path, read_text(path))
    except Unreadable as error:
        raise _refused(path, [error.problem.what]) from None
    if not isinstance(content, dict):
        raise _refused(path, ["it is not a description of a list"])
    faults = [f"{k} is not what it must be" for k, fits in KEYS.items() if k in content and not fits(content[k])]
    if unknown := len(set(content) - set(KEYS)):
        faults.append(f"there {'is a key' if unknown == 1 else f'are {unknown} keys'} that no list has")
    if faults:
        raise _refused(path, faults)
    return content


def _refused(path: Path, faults: list[str]) -> RecordsError:
    mend = "restore the file as allocate has written it"
    return RecordsError([Problem(what=f, where=Where(file=path.name), mend=mend, code="list") for f in faults])
