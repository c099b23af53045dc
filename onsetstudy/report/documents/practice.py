"""The quarterly report of a practice's own records, as a list of sections."""

from __future__ import annotations

from collections.abc import Callable

from onsetstudy.report.document import Document, Section
from onsetstudy.report.numbers import counted, day, listed, quarter
from onsetstudy.report.sections.appendix import published
from onsetstudy.report.sections.appendix.fairness import blinding_section, fair_section, paired_section
from onsetstudy.report.sections.appendix.interim import anytime_section, looks_section, planned_section
from onsetstudy.report.sections.appendix.statistician import statistician_section
from onsetstudy.report.sections.appendix.testing import cold_test_section, negative_section
from onsetstudy.report.sections.appendix.watching import watch_section
from onsetstudy.report.sections.blocks import cautions_section
from onsetstudy.report.sections.main import doses
from onsetstudy.report.sections.main.allocation import who_section
from onsetstudy.report.sections.main.answer import answer_section, more_section
from onsetstudy.report.sections.main.chair_time import chair_section
from onsetstudy.report.sections.main.kindness_and_harm import comfort_section, safety_section
from onsetstudy.report.sections.main.onset import onset_section, where_section
from onsetstudy.report.sections.main.records import records_section
from onsetstudy.study.practice.results import StudyResults

PRACTICES_NAMED = 8

CONTENTS: tuple[Callable[[StudyResults], Section | None], ...] = (
    answer_section,
    who_section,
    lambda r: looks_section(r.looks, r.protocol),
    lambda r: anytime_section(r.anytime, r.protocol),
    onset_section,
    lambda r: fair_section(r.fair, r.protocol),
    comfort_section,
    lambda r: paired_section(r.paired, r.overall, r.protocol),
    lambda r: blinding_section(r.blinding, r.protocol),
    lambda r: negative_section(r.negative, r.protocol),
    lambda r: chair_section(r.chair_time, r.protocol, r.claims.get("chair_time_difference")),
    lambda r: doses.section(r.doses, r.protocol),
    lambda r: safety_section(r.safety, r.protocol),
    where_section,
    lambda r: watch_section(r.watch, r.protocol),
    lambda r: published.section(r.context, r.protocol),
    more_section,
    records_section,
    lambda r: cautions_section(r.caution),
    lambda r: cold_test_section(r.test_errors, r.protocol),
    planned_section,
    statistician_section,
)
"""Every section in the order in which a reader needs it."""


def compose(results: StudyResults) -> Document:
    """The quarterly report of a study."""
    return Document.of(
        results.protocol,
        (section(results) for section in CONTENTS),
        name=results.quarter,
        kicker=f"Quarterly report, {quarter(results.quarter)}",
        subtitle=_subtitle(results),
        running=(results.quarter, *(("invented data",) if results.protocol.study.invented else ())),
        invented="All data in this report are invented.",
        date=results.period_end,
        ledger_head=results.provenance.ledger_head,
    )


def _subtitle(results: StudyResults) -> str:
    names = results.practices
    word = "Practice" if len(names) == 1 else "Practices"
    told = f"{word} {listed(names)}" if len(names) <= PRACTICES_NAMED else counted(len(names), "practice")
    return f"Cases from {day(results.period_start)} to {day(results.period_end)}. {told if names else 'No practice'}."
