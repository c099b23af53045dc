"""Allocation slips to print, fold and close, one a page."""

from __future__ import annotations

import json
from pathlib import Path

import matplotlib
import typst

from onsetstudy.design.allocation_results import AllocationList, Slip
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.sentences import plain_words

__all__ = ["render_slips"]

TEMPLATE = Path(__file__).parent / "templates" / "slips.typ"
OUTSIDE = (
    "Open slips in the order of their numbers, one at a time.",
    "Open this slip only when the patient has agreed, the case may be included and the tooth has felt the cold.",
    "A slip that was opened stays used, whatever happens then. Keep it with its case code.",
)
FIELDS = ("Case code", "Opened by (code)", "Date and time", "Seal unbroken (yes or no)")
FOLD = "Fold here, lower half inside and backwards, and close in an envelope that cannot be seen through."


def render_slips(protocol: Protocol, drawn: AllocationList, *, paper: str = "a4") -> bytes:
    """PDF with one slip a page, in the order of the list."""
    slips = [
        {
            "slip": slip.slip,
            "stratum": " · ".join(plain_words(part) for part in slip.stratum.split(" | ")),
            "inside": _inside(protocol, slip),
            "preparation": _preparation(protocol, slip),
            "last": number == len(drawn.slips),
        }
        for number, slip in enumerate(drawn.slips, start=1)
    ]
    document = {"title": protocol.study.title, "outside": OUTSIDE, "fields": FIELDS, "fold": FOLD, "slips": slips}
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    compiler = typst.Compiler(
        str(TEMPLATE),
        sys_inputs={"doc": json.dumps(document), "paper": {"letter": "us-letter"}.get(paper, paper)},
        font_paths=[str(fonts)],
        ignore_system_fonts=True,
    )
    return bytes(compiler.compile(pdf_standards="ua-1"))


def _inside(protocol: Protocol, slip: Slip) -> list[tuple[str, str]]:
    if len(slip.arms) == 1:
        return [("prepare", protocol.label(slip.arms[0]))]
    sides = slip.sides or ("",) * len(slip.arms)
    return [
        (f"injection {k}" + (f", {side} side" if side else ""), protocol.label(arm))
        for k, (arm, side) in enumerate(zip(slip.arms, sides, strict=True), start=1)
    ]


def _preparation(protocol: Protocol, slip: Slip) -> str:
    if len(slip.arms) > 1:
        return ""
    return next((a.preparation for a in protocol.arms if a.code == slip.arms[0]), "")
