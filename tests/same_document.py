"""Do two documents say the same? Equal bytes are asked of one machine only; between machines, this is.

Why bytes differ between machines: the shipped files were made on a processor for which OpenBLAS takes its kernel
``Haswell``. Others get ``SkylakeX``, ``Sandybridge`` and so on, whose matrix products add in another order, and so may
the vector loops of NumPy. With ``OPENBLAS_CORETYPE=Haswell`` a machine that takes ``SkylakeX`` by itself made every
shipped file byte for byte; without it, 54 numbers of the five exchange files differed, by 2.6e-13 at most.

How far that goes: a likelihood is climbed until no step raises it any more, and the last bit decides which step is the
last. The flattest one is that of the shared frailty. Four kernels differed by 4.9e-7 at most, and among numbers rounded
to ten digits only there: the ratios of practices in the coordinator's file and their limits (with the rule for stopping
that it had before, 1e-14 of the likelihood, it was 1.2e-6). Hence numbers may differ by 1e-6 of their size, or by 1e-9
near nought; no page shows six digits of an estimate. Whole numbers, words and the order of everything are exact.
"""

from __future__ import annotations

import itertools
import json
import math
import re
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

RELATIVE, ABSOLUTE = 1e-6, 1e-9
SHOWN = 10
NUMBER = re.compile(r"((?<![\w.])[-+−]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?|\d+(?:\.\d+)?)")


def json_differences(made: str, shipped: str, *, leave_out: Collection[str] = ()) -> list[str]:
    """Places where two JSON texts say something else; keys in ``leave_out`` are not looked into."""
    return list(itertools.islice(_apart(json.loads(made), json.loads(shipped), "", frozenset(leave_out)), SHOWN))


def page_differences(made: str, shipped: str) -> list[str]:
    """Places where two pages (or other texts) say something else.

    Pages are split into numbers and what stands between. Numbers may differ by less than half a unit of the last digit
    printed, or as in JSON; all else is exact.
    """
    ours, theirs = NUMBER.split(made), NUMBER.split(shipped)
    found = (
        f"{''.join(ours[max(k - 4, 0) : k + 3])[-160:]!r} for {''.join(theirs[max(k - 4, 0) : k + 3])[-160:]!r}"
        for k, (one, two) in enumerate(zip(ours, theirs, strict=False))
        if one != two and not (k % 2 and _printed_alike(one, two))
    )
    told = list(itertools.islice(found, SHOWN))
    if len(ours) != len(theirs) and not told:
        told = [f"{len(ours) // 2} numbers for {len(theirs) // 2}"]
    return told


def file_differences(made: Path, shipped: Path, *, leave_out: Collection[str] = ()) -> list[str]:
    """JSON and HTML by what they say, every other file byte for byte."""
    compare = {".json": lambda a, b: json_differences(a, b, leave_out=leave_out), ".html": page_differences}
    if made.suffix in compare:
        told = compare[made.suffix](made.read_text(encoding="utf-8"), shipped.read_text(encoding="utf-8"))
    else:
        told = [] if made.read_bytes() == shipped.read_bytes() else ["other bytes"]
    return [f"{made.name}: {text}" for text in told]


def _apart(made: Any, shipped: Any, place: str, leave_out: frozenset[str]) -> Iterator[str]:
    if isinstance(made, dict) and isinstance(shipped, dict):
        if list(made) != list(shipped):
            yield f"{place}: keys {list(made)} for {list(shipped)}"
            return
        for key in made:
            if key not in leave_out:
                yield from _apart(made[key], shipped[key], f"{place}/{key}", leave_out)
    elif isinstance(made, list) and isinstance(shipped, list):
        if len(made) != len(shipped):
            yield f"{place}: {len(made)} entries for {len(shipped)}"
            return
        for k, (one, two) in enumerate(zip(made, shipped, strict=True)):
            yield from _apart(one, two, f"{place}/{k}", leave_out)
    elif not _alike(made, shipped):
        yield f"{place}: {made!r} for {shipped!r}"


def _alike(made: Any, shipped: Any) -> bool:
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (made, shipped))
    if not numbers or (isinstance(made, int) and isinstance(shipped, int)):
        return type(made) is type(shipped) and made == shipped
    return (math.isnan(made) and math.isnan(shipped)) or math.isclose(made, shipped, rel_tol=RELATIVE, abs_tol=ABSOLUTE)


def _printed_alike(made: str, shipped: str) -> bool:
    if made.lstrip("-+−").isdigit() and shipped.lstrip("-+−").isdigit():
        return False
    one, two = (float(text.replace("−", "-")) for text in (made, shipped))
    # With an exponent the last digit printed says little of the size: the rule of JSON alone.
    plain = "e" not in (made + shipped).lower()
    decimals = max(len(text.partition(".")[2]) for text in (made, shipped)) if plain else 300
    return abs(one - two) < 0.5 * 10.0**-decimals or math.isclose(one, two, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
