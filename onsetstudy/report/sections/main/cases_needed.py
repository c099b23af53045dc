"""What it would take to know more."""

from __future__ import annotations

from onsetstudy.report import tables
from onsetstudy.report.document import (
    Block,
    Paragraph,
    Section,
)
from onsetstudy.report.numbers import (
    tidy,
)
from onsetstudy.study.practice.results import StudyResults

__all__ = ["more_section"]


def more_section(results: StudyResults) -> Section:
    """Cases still needed, by size of the effect."""
    more, table = results.more_needed, tables.more_table(results)
    if more is None or table is None:
        blocks: tuple[Block, ...] = (Paragraph(text="The plan names no effect to be found.", role="absent"),)
    else:
        blocks = (Paragraph(text=tidy(more.text)), table)
    return Section(id="more", title="What it would take to know more", blocks=blocks)
