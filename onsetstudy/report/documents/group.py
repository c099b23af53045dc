"""The quarterly report of a study group, and the page on which a member sees itself, as a list of sections."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from onsetstudy.report.document import Document, Section
from onsetstudy.report.documents.frame import bind
from onsetstudy.report.numbers import counted, day, quarter
from onsetstudy.report.sections.appendix.cold_test_errors import cold_test_section
from onsetstudy.report.sections.appendix.interim import looks_section
from onsetstudy.report.sections.appendix.negative_controls import negative_section
from onsetstudy.report.sections.blocks import cautions_section
from onsetstudy.report.sections.group.completeness import sent_section
from onsetstudy.report.sections.group.first_page import first_page
from onsetstudy.report.sections.group.funnel import beside_section
from onsetstudy.report.sections.group.gates import gates_section
from onsetstudy.report.sections.group.heterogeneity import more_sections
from onsetstudy.report.sections.group.pooled import pooled_section
from onsetstudy.report.sections.group.statistician import statistician_section
from onsetstudy.study.group.results import GroupResults

__all__ = ["CONTENTS", "Reader", "compose_group"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """Whose page it is: code and letter of a practice; both empty for the group's own report."""

    code: str | None = None
    letter: str | None = None


CONTENTS: tuple[Callable[[GroupResults, Reader], tuple[Section | None, ...]], ...] = (
    lambda r, reader: (first_page(r, reader.letter),),
    lambda r, reader: (pooled_section(r, reader.letter),),
    lambda r, reader: (gates_section(r, reader.letter),),
    lambda r, reader: more_sections(r, reader.letter),
    lambda r, reader: (beside_section(r, reader.letter),),
    lambda r, reader: (negative_section(r.negative, r.protocol, untold=r.controls_untold),),
    lambda r, reader: (looks_section(r.looks, r.protocol),),
    lambda r, reader: (cautions_section(r.caution),),
    lambda r, reader: (sent_section(r, reader.code),),
    lambda r, reader: (cold_test_section(r.test_errors, r.protocol),),
    lambda r, reader: (statistician_section(r),),
)
"""Every section in the order in which a reader needs it."""


def compose_group(results: GroupResults, *, practice: str | None = None) -> Document:
    """The group's report; with ``practice`` (its code) the one in which that practice sees itself named."""
    reader = Reader(code=practice, letter=None if practice is None else results.letter(practice))
    whose = f"-{practice}" if practice else ""
    return bind(
        results.protocol,
        (section for part in CONTENTS for section in part(results, reader)),
        name=f"group-{results.quarter}{whose}",
        kicker=f"Report of the study group, {quarter(results.quarter)}" + (f", for {practice}" if practice else ""),
        subtitle=f"Cases from {day(results.period_start)} to {day(results.period_end)}. "
        f"{counted(len(results.practices), 'practice')}.",
        running=("group", results.quarter, *(("invented data",) if results.protocol.study.invented else ())),
        invented="All data in this report are invented.",
        date=results.period_end,
        ledger_head=results.provenance.ledger_head,
    )
