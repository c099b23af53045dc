"""Allocation slips and the one-page case sheet, for paper."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from onsetstudy.core.errors import ReportError
from onsetstudy.design.allocation.results import AllocationList, Slip
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.names import plain_words
from onsetstudy.report.typeset import compiler_of, one_pdf

OUTSIDE = (
    "Open in the order of the numbers, one at a time, when the patient has agreed and the tooth has felt the cold.",
    "A slip that was opened stays used, whatever happens then.",
)
FIELDS = ("Case code", "Opened by (code)", "Date and time", "Seal unbroken (yes or no)")
FOLD = "Fold here, right half inside, twice, and close in an envelope that cannot be seen through."
PATTERN = "XOMWNHKBRESAGQ"
"""Printed over the back of the folded half, so that a lamp shows letters whatever lies beneath."""
PATTERN_LINE, PATTERN_LINES = 60, 9


def render_slips(protocol: Protocol, drawn: AllocationList, passphrases: Mapping[str, str] | None) -> bytes:
    """PDF with two slips a page, in the order of the list.

    Parameters
    ----------
    protocol : Protocol
    drawn : AllocationList
    passphrases : mapping or None
        Of every slip: it is then printed inside in the place of the arm, which the sealed file tells.
    """
    width = max(len(protocol.label(arm)) for arm in protocol.arm_codes)
    slips = [
        {
            "slip": slip.slip,
            "stratum": " · ".join(plain_words(part) for part in slip.stratum.split(" | ")),
            "inside": [("passphrase", passphrases[slip.slip])] if passphrases else _inside(protocol, slip, width),
            "preparation": [] if passphrases else _preparations(protocol),
            "last": number == len(drawn.slips),
        }
        for number, slip in enumerate(drawn.slips, start=1)
    ]
    document = {
        "title": protocol.study.title,
        "outside": OUTSIDE,
        "fields": FIELDS,
        "fold": FOLD,
        "slips": slips,
        "pattern": [(PATTERN * PATTERN_LINE)[k * 5 : k * 5 + PATTERN_LINE] for k in range(PATTERN_LINES)],
    }
    return one_pdf(compiler_of("slips", doc=json.dumps(document), paper="a4"))


def _inside(protocol: Protocol, slip: Slip, width: int) -> list[tuple[str, str]]:
    """What a slip says; every arm takes the same room, in letters of one width."""
    if len(slip.arms) == 1:
        return [("prepare", f"{protocol.label(slip.arms[0]):·^{width}}")]
    sides = slip.sides or ("",) * len(slip.arms)
    return [
        (f"injection {k}" + (f", {side} side" if side else ""), f"{protocol.label(arm):·^{width}}")
        for k, (arm, side) in enumerate(zip(slip.arms, sides, strict=True), start=1)
    ]


def _preparations(protocol: Protocol) -> list[str]:
    """How every arm is mixed: on every slip alike, so that the instruction tells nothing of the arm."""
    return [f"{protocol.label(a.code)}: {a.preparation}" for a in protocol.arms if a.preparation]


SCALES = (1.0, 0.9, 0.8, 0.72)
"""Sizes that are tried in turn; at the last one the text is 6 pt, and no smaller one can be filled in by hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseSheet:
    """What stands on the sheet.

    ``before``, ``cold``, ``testing`` and ``after`` are questions with the answers to tick (none: a line to write on):
    before the slip is opened, of the cold before the injection, while tests run, and once the treatment has begun.
    ``tests`` are the planned minutes, counted from ``zero``, ``teeth`` whose answers are noted at each.
    """

    title: str
    practice: str
    before: Sequence[tuple[str, Sequence[str]]]
    cold: Sequence[tuple[str, Sequence[str]]]
    testing: Sequence[tuple[str, Sequence[str]]]
    after: Sequence[tuple[str, Sequence[str]]]
    tests: Sequence[str]
    teeth: Sequence[str]
    rule: str
    zero: str


def render_case_sheet(sheet: CaseSheet, *, paper: str = "a4") -> bytes:
    """PDF of one page. It has no room for the arm: that stands on the slip.

    Raises
    ------
    ReportError
        If the protocol asks for more than one page holds.
    """
    doc = json.dumps(asdict(sheet))
    for scale in SCALES:
        compiler = compiler_of("case_sheet", doc=doc, paper=paper, scale=str(scale))
        if json.loads(compiler.query("<pages>", field="value", one=True)) == 1:
            return one_pdf(compiler)
    raise ReportError("the schedule has more tests than a case sheet of one page holds; use fewer, or the workbook")
