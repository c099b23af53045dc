"""What stands beside a drawn list: study, rule, seed and commitment; held to its keys, types and sizes when read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import RecordsError
from onsetstudy.core.type_check import may_be_newer
from onsetstudy.files.guard import problem_in, read_json
from onsetstudy.files.sealed.sealed_check import hexadecimal, is_text, listed

COORDINATOR = "coordinator"
"""How a list says that its slips are opened by its keeper alone."""
MOST_COMMITMENTS = 1_000_000


def _text(value: Any) -> bool:
    return value == "" or is_text(value)


def _whole(value: Any) -> bool:
    return type(value) is int and abs(value) < 2**63


def _part(value: Any) -> bool:
    """A part by which a list was continued."""
    return isinstance(value, dict) and _whole(value.get("seed")) and _text(value.get("commitment"))


KEYS: Mapping[str, Callable[[Any], bool]] = {
    "what": _text,
    "study": _text,
    "protocol": _text,
    "method": _text,
    "strata": listed(_text),
    "ratio": listed(_whole),
    "arms": listed(_text),
    "block_sizes": listed(_whole),
    "seed": _whole,
    "salt": _text,
    "commitment": _text,
    "quality": lambda value: isinstance(value, dict),
    "continued": listed(_part),
    "opening": lambda value: value == COORDINATOR,
}


def read_description(path: Path) -> dict[str, Any]:
    """Description of a list, ``list.json``.

    Keys that a newer version added are kept as they are (``newer_parts`` names them); those that cannot be keys of a
    newer version, or are probably a known key mistyped, are refused.

    Raises
    ------
    RecordsError
        If it is none; with all that is wrong, and without the values.
    """
    content = read_json(path, refuse=lambda what: _refused(path, [what]))
    if not isinstance(content, dict):
        raise _refused(path, ["it is not a description of a list"])
    faults = [f"{k} is not what it must be" for k, fits in KEYS.items() if k in content and not fits(content[k])]
    # Lists of earlier versions may lack parts; those that their keepers open hold what an opening is held against.
    needed = ("study", "protocol", "strata") if "opening" in content else ()
    faults += [f"{k} is missing" for k in needed if k not in content]
    if unknown := sum(not may_be_newer(key, known=KEYS, found=content) for key in set(content) - set(KEYS)):
        faults.append(f"there {'is a key' if unknown == 1 else f'are {unknown} keys'} that no list has")
    if faults:
        raise _refused(path, faults)
    return content


def read_commitments(path: Path) -> dict[str, str]:
    """Published commitments of slips, ``commitments.json``: slip and digest.

    Raises
    ------
    RecordsError
        If it holds none.
    """
    content = read_json(path, refuse=lambda what: _refused(path, [what]))
    slips = content.get("slips") if isinstance(content, dict) else None
    if not isinstance(slips, dict) or len(slips) > MOST_COMMITMENTS:
        raise _refused(path, ["it holds no commitments of slips"])
    is_digest = hexadecimal(64)
    if strange := sum(not (_text(k) and is_digest(v)) for k, v in slips.items()):
        raise _refused(path, [f"{strange} of its entries {'is no commitment' if strange == 1 else 'are none'}"])
    return {str(slip): str(digest) for slip, digest in slips.items()}


def newer_parts(content: Mapping[str, Any]) -> tuple[str, ...]:
    """Keys of a description that this version does not know and keeps."""
    return tuple(sorted(set(content) - set(KEYS)))


def _refused(path: Path, faults: list[str]) -> RecordsError:
    mend = "restore the file as allocate has written it"
    return RecordsError([problem_in(path, fault, mend, "list") for fault in faults])
