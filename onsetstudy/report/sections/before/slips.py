"""Allocation slips to print, cut apart, fold and close, two a page."""

from __future__ import annotations

import json
from collections.abc import Mapping

from onsetstudy.design.allocation.results import AllocationList, Slip
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.names import plain_words
from onsetstudy.report.typeset import compiler_of, one_pdf

__all__ = ["render_slips"]

OUTSIDE = (
    "Open in the order of the numbers, one at a time, when the patient has agreed and the tooth has felt the cold.",
    "A slip that was opened stays used, whatever happens then.",
)
FIELDS = ("Case code", "Opened by (code)", "Date and time", "Seal unbroken (yes or no)")
FOLD = "Fold here, right half inside, twice, and close in an envelope that cannot be seen through."
PATTERN = "XOMWNHKBRESAGQ"
"""Printed over the back of the folded half, so that a lamp shows letters whatever lies beneath."""
PATTERN_LINE, PATTERN_LINES = 60, 9


def render_slips(
    protocol: Protocol,
    drawn: AllocationList,
    *,
    paper: str = "a4",
    passphrases: Mapping[str, str] | None = None,
) -> bytes:
    """PDF with two slips a page, in the order of the list.

    Parameters
    ----------
    protocol : Protocol
    drawn : AllocationList
    paper : str
    passphrases : mapping or None
        Of every slip: it is then printed inside in the place of the arm, which the sealed file tells.
    """
    width = max(len(protocol.label(arm)) for arm in protocol.arm_codes)
    slips = [
        {
            "slip": slip.slip,
            "stratum": " · ".join(plain_words(part) for part in slip.stratum.split(" | ")),
            "inside": _inside(protocol, slip, width)
            if passphrases is None
            else [("passphrase", passphrases[slip.slip])],
            "preparation": _preparations(protocol) if passphrases is None else [],
            "last": number == len(drawn.slips),
        }
        for number, slip in enumerate(drawn.slips, start=1)
    ]
    pattern = [(PATTERN * PATTERN_LINE)[k * 5 : k * 5 + PATTERN_LINE] for k in range(PATTERN_LINES)]
    document = {
        "title": protocol.study.title,
        "outside": OUTSIDE,
        "fields": FIELDS,
        "fold": FOLD,
        "slips": slips,
        "pattern": pattern,
    }
    return one_pdf(compiler_of("slips", doc=json.dumps(document), paper=paper))


def _inside(protocol: Protocol, slip: Slip, width: int) -> list[tuple[str, str]]:
    """What a slip says; every arm takes the same room, in letters of one width."""
    if len(slip.arms) == 1:
        return [("prepare", _even(protocol.label(slip.arms[0]), width))]
    sides = slip.sides or ("",) * len(slip.arms)
    return [
        (f"injection {k}" + (f", {side} side" if side else ""), _even(protocol.label(arm), width))
        for k, (arm, side) in enumerate(zip(slip.arms, sides, strict=True), start=1)
    ]


def _even(label: str, width: int) -> str:
    """A label of the length of the longest, filled with dots on both sides."""
    missing = width - len(label)
    return "·" * (missing // 2) + label + "·" * (missing - missing // 2)


def _preparations(protocol: Protocol) -> list[str]:
    """How every arm is mixed: on every slip alike, so that the instruction tells nothing of the arm."""
    return [f"{protocol.label(a.code)}: {a.preparation}" for a in protocol.arms if a.preparation]
