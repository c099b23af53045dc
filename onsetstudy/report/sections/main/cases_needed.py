"""What it would take to know more."""

from __future__ import annotations

from onsetstudy.report.cells import NONE
from onsetstudy.report.document import Paragraph, Section, Table, absent
from onsetstudy.report.numbers import THIN, capital, tidy
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import MoreNeeded

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
    return Section.of("more", TITLE, Paragraph(text=text), _table(more))


def _table(more: MoreNeeded) -> Table:
    """What has been seen beside what the plan's effect asks for."""
    effect = more.effect or f"a hazard ratio of {more.hazard_ratio:g}"
    rows = [("Cases analysed", f"{more.cases_seen}", NONE if more.cases_needed is None else f"{more.cases_needed}")]
    if more.events_needed is not None:
        rows.insert(0, ("Teeth seen to go numb", f"{more.events_seen}", f"{more.events_needed}"))
    return Table.of(
        "Seen so far, and needed",
        ("", "seen", "needed"),
        rows,
        f"For {tidy(effect)}, {100 * more.power:.0f}{THIN}% power of the {more.test} at a two-sided level of "
        f"{100 * more.alpha:.2g}{THIN}%. {capital(more.source)}.",
        f"{NONE}: cannot be told before a tooth has been seen to go numb." if more.cases_needed is None else "",
    )
