"""The one-page case sheet on paper, in the order of the page at the chair."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from onsetstudy.report.typeset import compiler_of, one_pdf

__all__ = ["CaseSheet", "render_case_sheet"]

TEMPLATE = Path(__file__).parents[2] / "render" / "templates" / "case_sheet.typ"


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseSheet:
    """What stands on the sheet.

    ``before`` and ``after`` are questions with the answers to tick (none: a line to write on); ``tests`` the planned
    minutes, ``teeth`` whose answers are noted at each.
    """

    title: str
    practice: str
    before: Sequence[tuple[str, Sequence[str]]]
    after: Sequence[tuple[str, Sequence[str]]]
    tests: Sequence[str]
    teeth: Sequence[str]
    rule: str


def render_case_sheet(sheet: CaseSheet, *, paper: str = "a4") -> bytes:
    """PDF of one page. It has no room for the arm: that stands on the slip."""
    compiler = compiler_of(TEMPLATE, doc=json.dumps(asdict(sheet)), paper={"letter": "us-letter"}.get(paper, paper))
    return one_pdf(compiler)
