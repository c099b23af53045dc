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

DECIDED = (
    "The boundary set beforehand was crossed: whether the arms differ is decided. What follows is what a new study, or "
    "a closer answer, would take. "
)


def _decided(results: StudyResults) -> bool:
    return results.looks is not None and any(v.code == "crossed" for v in results.looks.verdicts)


def more_section(results: StudyResults) -> Section:
    """Cases still needed, by size of the effect."""
    more, table = results.more_needed, tables.more_table(results)
    if more is None or table is None:
        blocks: tuple[Block, ...] = (Paragraph(text="The plan names no effect to be found.", role="absent"),)
    else:
        blocks = (Paragraph(text=DECIDED + tidy(more.text) if _decided(results) else tidy(more.text)), table)
    return Section(id="more", title="What it would take to know more", blocks=blocks)
