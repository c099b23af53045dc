"""Whether a sealed file of slips is one: every key, type and size, all problems at once, before anything is opened."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from onsetstudy.core.type_check import may_be_newer
from onsetstudy.protocol.keys import pattern_fault
from onsetstudy.records.checks.privacy import looks_like_a_person

MOST_SLIPS = 100_000
MOST_STRATA = 10_000
MOST_HEX = 20_000
LONGEST = 200
KDF_TYPES = {"name": str, "n": int, "r": int, "p": int}
COLUMN = re.compile(r"[a-z][a-z0-9_]*")
NUMBER = re.compile(r"(.*?)(\d{1,9})$", re.DOTALL)

Check = Callable[[Any], bool]


def is_text(value: Any) -> bool:
    """Whether it is a text that can be shown, and no longer than any of ours."""
    return isinstance(value, str) and 0 < len(value) <= LONGEST and value.isprintable()


def _code(value: Any) -> bool:
    return (
        is_text(value) and not set(value) & set("/\\") and value not in (".", "..") and not looks_like_a_person(value)
    )


def hexadecimal(length: int | None = None) -> Check:
    """Whether a value is a text of hexadecimal digits, in pairs, of that length where one is given."""
    digits = re.compile(r"(?:[0-9a-f]{2})+" if length is None else rf"[0-9a-f]{{{length}}}")
    return lambda value: isinstance(value, str) and len(value) <= MOST_HEX and digits.fullmatch(value) is not None


def listed(each: Check) -> Check:
    """Whether a value is a list, no longer than any of ours, of which each item fits."""
    return lambda value: isinstance(value, list) and len(value) <= MOST_STRATA and all(map(each, value))


def _distinct(value: Any) -> bool:
    """A list of texts of which none stands twice: two factors of one name could not be told apart."""
    return bool(listed(is_text)(value)) and len(set(value)) == len(value)


def _kdf(value: Any) -> bool:
    return isinstance(value, dict) and {name: type(part) for name, part in value.items()} == KDF_TYPES


def _mapping(value: Any) -> bool:
    return isinstance(value, dict) and 0 < len(value) <= MOST_STRATA


def _counts(value: Any) -> bool:
    """Slips of every stratum of an earlier list."""
    return _mapping(value) and all(is_text(name) and type(n) is int and n >= 0 for name, n in value.items())


ALWAYS: Mapping[str, Check] = {"study": is_text, "protocol": hexadecimal(64), "practice": _code, "kind": is_text}
NEEDED: Mapping[str, Mapping[str, Check]] = {
    "list": {"strata": _mapping},
    "envelopes": {"strata": _mapping, "kdf": _kdf},
    "minimisation": {
        "factors": lambda value: _distinct(value) and all(COLUMN.fullmatch(name) for name in value),
        "arms": lambda value: _distinct(value) and len(value) > 1,
        "ratio": listed(lambda value: type(value) is int and 1 <= value <= 100),
        "key": hexadecimal(64),
        "seed": lambda value: isinstance(value, list) and len(value) == 1,
    },
}
# Files of earlier versions have none of these.
MAY: Mapping[str, Check] = {
    "columns": listed(is_text),
    "practices": listed(_code),
    "continues": lambda value: isinstance(value, bool),
    "earlier": listed(_counts),
    "case_codes": lambda value: is_text(value) and not pattern_fault(value),
}
CHAINED: Mapping[str, Check] = {"slip": is_text, "sealed": hexadecimal(), "seal": hexadecimal(32)}
SLIPS: Mapping[str, Mapping[str, Check]] = {
    "list": CHAINED,
    "minimisation": CHAINED,
    "envelopes": {"slip": is_text, "salt": hexadecimal(32), "sealed": hexadecimal(), "commitment": hexadecimal(64)},
}


def sealed_faults(content: Any) -> tuple[str, ...]:
    """What keeps the content of a JSON file from being a sealed file, each as ``place: what``; empty if it is one.

    Parameters
    ----------
    content : any
        As a JSON reader made it.
    """
    kind = content.get("kind") if isinstance(content, dict) else None
    if not isinstance(kind, str) or kind not in NEEDED:
        return ("it says no kind of slips that is known",)
    newer = newer_sealed_parts(content)
    ours = {name: value for name, value in content.items() if name not in newer}
    faults = list(_keys(ours, {**ALWAYS, **NEEDED[kind]}, MAY, ""))
    if kind == "minimisation":
        if isinstance(content.get("seed"), list):
            faults += _slips(content["seed"], kind, "seed")
        if not faults and len(content["arms"]) != len(content["ratio"]):
            faults.append("ratio: as many numbers as arms are needed")
        return tuple(faults)
    if not faults:
        faults += _strata(content, kind)
    return tuple(faults)


def newer_sealed_parts(content: Mapping[str, Any]) -> tuple[str, ...]:
    """Keys that a newer version has added and this one does not know: they are kept where the list goes on."""
    known = {*ALWAYS, *MAY, *NEEDED[content["kind"]]}
    return tuple(sorted(key for key in set(content) - known if may_be_newer(key, known=known, found=content)))


def _keys(found: Any, needed: Mapping[str, Check], may: Mapping[str, Check], place: str) -> Iterator[str]:
    if not isinstance(found, dict):
        yield f"{place}this cannot stand here"
        return
    for name, fits in needed.items():
        if name not in found:
            yield f"{place}{name}: it is missing"
        elif not fits(found[name]):
            yield f"{place}{name}: this cannot stand here"
    for name, value in found.items():
        if name in needed:
            continue
        if name not in may:
            # What an unknown key is called may itself be a person's name: it is counted, not told.
            yield f"{place or 'the whole'}: a key that no file of this kind has"
        elif not may[name](value):
            yield f"{place}{name}: this cannot stand here"


def _strata(content: Mapping[str, Any], kind: str) -> Iterator[str]:
    needed: dict[str, Check] = {"slips": lambda value: isinstance(value, list) and len(value) <= MOST_SLIPS}
    if kind == "list":
        needed["key"] = hexadecimal(64)
    names: list[str] = []
    for number, (stratum, place) in enumerate(content["strata"].items(), start=1):
        at = f"stratum {number}: "
        if not is_text(stratum) or content["practice"] not in stratum.split(" | "):
            yield f"{at}it is not one of {content['practice']}"
        if faults := [*_keys(place, needed, {}, at)]:
            yield from faults
            continue
        yield from _slips(place["slips"], kind, f"stratum {number}")
        names += [str(s.get("slip")) for s in place["slips"] if isinstance(s, dict)]
    if len(set(names)) != len(names):
        yield "a slip stands in it twice"


def _slips(slips: list[Any], kind: str, place: str) -> Iterator[str]:
    """Faults of the slips of one stratum: their parts, and their numbers, of which none may be left out."""
    expected: str | None = None
    for number, slip in enumerate(slips, start=1):
        at = f"{place}, slip {number}: "
        faults = [*_keys(slip, SLIPS[kind], {}, at)]
        yield from faults
        split = None if faults else NUMBER.match(slip["slip"])
        if kind == "minimisation" or split is None:
            continue
        stem, digits = split.groups()
        expected = stem if expected is None else expected
        if stem != expected or int(digits) != number:
            yield f"{at}its number does not follow the one before"
