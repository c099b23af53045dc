"""The one-page case sheet on paper, in the order of the page at the chair."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import typst

from onsetstudy.core.errors import ReportError
from onsetstudy.report.typeset import compiler_of, one_pdf

__all__ = ["CaseSheet", "order_on_paper", "render_case_sheet"]

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
    for scale in SCALES:
        compiler = _compiler(sheet, paper, scale)
        if json.loads(compiler.query("<pages>", field="value", one=True)) == 1:
            return one_pdf(compiler)
    raise ReportError("the schedule has more tests than a case sheet of one page holds; use fewer, or the workbook")


def order_on_paper(sheet: CaseSheet) -> tuple[str, ...]:
    """What the sheet asks and has tapped, as it stands on the paper from the top."""
    told = json.loads(_compiler(sheet, "a4", SCALES[0]).query("<asked>", field="value"))
    return tuple(str(text) for text in told)


def _compiler(sheet: CaseSheet, paper: str, scale: float) -> typst.Compiler:
    return compiler_of("case_sheet", doc=json.dumps(asdict(sheet)), paper=paper, scale=str(scale))
