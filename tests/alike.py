"""Two documents say the same: words letter for letter, numbers as far as machines agree on them.

The last digits of an optimiser's answer depend on the processor (its vector width decides the order in which a library
adds), so a file made on one machine is not made byte for byte on another. What may differ is what such an optimiser
leaves open: a millionth of the number, far below any digit that a page prints. Words, signs, counts and verdicts may
not.
"""

from __future__ import annotations

import json
import math
import re

NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?:e-?\d+)?(?![\w])")
RELATIVE, ABSOLUTE = 1e-6, 1e-9
SEARCH = ("iterations", "gap", "digest")
"""How a search came to its end, not what it found; and a digest over the last digits of what it found."""


def json_differences(ours: str, theirs: str) -> list[str]:
    """Places at which two JSON texts do not say the same."""
    return [*_values("", json.loads(ours), json.loads(theirs))]


def _values(place, ours, theirs):
    if isinstance(ours, dict) and isinstance(theirs, dict):
        if ours.keys() != theirs.keys():
            yield f"{place}: keys {sorted(ours.keys() ^ theirs.keys())}"
        for key in ours.keys() & theirs.keys():
            if key not in SEARCH:
                yield from _values(f"{place}/{key}", ours[key], theirs[key])
    elif isinstance(ours, list) and isinstance(theirs, list):
        if len(ours) != len(theirs):
            yield f"{place}: {len(ours)} and {len(theirs)} entries"
        for k, (a, b) in enumerate(zip(ours, theirs, strict=False)):
            yield from _values(f"{place}/{k}", a, b)
    elif type(ours) is float and type(theirs) is float:
        if not math.isclose(ours, theirs, rel_tol=RELATIVE, abs_tol=ABSOLUTE):
            yield f"{place}: {ours} and {theirs}"
    elif ours != theirs:
        yield f"{place}: {ours!r} and {theirs!r}"


def text_differences(ours: str, theirs: str) -> list[str]:
    """Pieces of two texts that do not say the same; numbers may differ by one unit of their last printed digit."""
    if ours == theirs:
        return []
    words = [NUMBER.split(text) for text in (ours, theirs)]
    numbers = [NUMBER.findall(text) for text in (ours, theirs)]
    found = [f"{a!r} and {b!r}" for a, b in zip(*words, strict=False) if a != b]
    if len(numbers[0]) != len(numbers[1]):
        found.append(f"{len(numbers[0])} and {len(numbers[1])} numbers")
    return found + [f"{a} and {b}" for a, b in zip(*numbers, strict=False) if a != b and _apart(a, b)]


def _apart(a: str, b: str) -> bool:
    digits = min(len(x.partition(".")[2]) if "e" not in x else 9 for x in (a, b))
    return digits == 0 or abs(float(a) - float(b)) > 1.01 * 10.0**-digits
