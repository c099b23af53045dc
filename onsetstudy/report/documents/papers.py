"""The papers of a study: information for patients, consent, and where a report says what."""

from __future__ import annotations

from collections.abc import Callable

from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Document, Section
from onsetstudy.report.documents.frame import bind
from onsetstudy.report.sections.before.papers import consent_sections, information_sections, reporting_sections

__all__ = ["PAPERS", "compose_papers"]

PAPERS: tuple[tuple[str, str, Callable[[Protocol], tuple[Section, ...]]], ...] = (
    ("patient-information", "Information for patients (draft)", information_sections),
    ("consent", "Consent form (draft)", consent_sections),
    ("reporting-items", "Reporting items", reporting_sections),
)
"""Name, kicker and sections of each paper."""


def compose_papers(protocol: Protocol) -> tuple[Document, ...]:
    """Every paper of a protocol, drafts for a committee; what only people can say is marked in them."""
    return tuple(
        bind(
            protocol,
            sections(protocol),
            name=name,
            kicker=kicker,
            subtitle=protocol.study.question if name == "reporting-items" else "",
            running=(kicker,),
            invented="These papers are of an invented study.",
            date=protocol.quarters[0].first_day.isoformat(),
        )
        for name, kicker, sections in PAPERS
    )
