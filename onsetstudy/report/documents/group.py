"""The quarterly report of a study group, and the page on which a member sees itself, as a list of sections."""

from __future__ import annotations

from collections.abc import Callable

from onsetstudy.report.document import Document, Section
from onsetstudy.report.numbers import counted, day, quarter
from onsetstudy.report.sections.appendix.interim import looks_section
from onsetstudy.report.sections.appendix.testing import erring_in_practices, negative_section
from onsetstudy.report.sections.blocks import cautions_section
from onsetstudy.report.sections.group.completeness import gates_section, sent_section
from onsetstudy.report.sections.group.first_page import first_page
from onsetstudy.report.sections.group.heterogeneity import beside_section, where_section
from onsetstudy.report.sections.group.pooled import pooled_section, statistician_section
from onsetstudy.study.group.results import GroupResults

CONTENTS: tuple[Callable[[GroupResults, str | None], Section | None], ...] = (
    first_page,
    pooled_section,
    gates_section,
    where_section,
    beside_section,
    lambda r, _: negative_section(r.negative, r.protocol, untold=r.controls_untold),
    lambda r, _: looks_section(r.looks, r.protocol),
    lambda r, _: cautions_section(r.caution),
    sent_section,
    lambda *_: erring_in_practices(),
    lambda r, _: statistician_section(r),
)
"""Every section in the order in which a reader needs it, for whoever has the letter, or for the group without one."""


def compose_group(results: GroupResults, *, practice: str | None = None) -> Document:
    """The group's report; with ``practice`` (its code) the one in which that practice sees itself named."""
    own = None if practice is None else results.letter(practice)
    whose = f"-{practice}" if practice else ""
    return Document.of(
        results.protocol,
        (section(results, own) for section in CONTENTS),
        name=f"group-{results.quarter}{whose}",
        kicker=f"Report of the study group, {quarter(results.quarter)}" + (f", for {practice}" if practice else ""),
        subtitle=f"Cases from {day(results.period_start)} to {day(results.period_end)}. "
        f"{counted(len(results.practices), 'practice')}.",
        running=("group", results.quarter, *(("invented data",) if results.protocol.study.invented else ())),
        invented="All data in this report are invented.",
        date=results.period_end,
        ledger_head=results.provenance.ledger_head,
    )
