"""What it would take to know more."""

from __future__ import annotations

from onsetstudy.report import tables
from onsetstudy.report.document import Paragraph, Section, absent
from onsetstudy.report.numbers import tidy
from onsetstudy.study.practice.results import StudyResults

__all__ = ["more_section"]

TITLE = "What it would take to know more"
DECIDED = (
    "The boundary set beforehand was crossed: whether the arms differ is decided. What follows is what a new study, or "
    "a closer answer, would take. "
)


def more_section(results: StudyResults) -> Section:
    """Cases still needed, by size of the effect."""
    more = results.more_needed
    if more is None:
        return Section.of("more", TITLE, absent("The plan names no effect to be found."))
    decided = results.looks is not None and any(v.code == "crossed" for v in results.looks.verdicts)
    text = (DECIDED if decided else "") + tidy(more.text)
    return Section.of("more", TITLE, Paragraph(text=text), tables.more_table(more))
