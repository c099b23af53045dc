"""Papers of a study: the planning report, drafts for a committee, and where a report says what."""

from __future__ import annotations

from collections.abc import Callable

from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Document, Section
from onsetstudy.report.sections.before import plan
from onsetstudy.report.sections.before.papers import consent_sections, information_sections, reporting_sections
from onsetstudy.report.sections.main.for_patients import patient_sections
from onsetstudy.study.planning.results import PlanningResults
from onsetstudy.study.practice.results import StudyResults

CONTENTS: tuple[Callable[[PlanningResults], Section | None], ...] = (
    plan.plan_answer,
    plan.plan_assumptions,
    plan.plan_sizes,
    plan.plan_schedules,
    plan.plan_looks,
    plan.plan_cautions,
)
"""Every section in the order in which a reader needs it."""


def compose_planning(results: PlanningResults, *, ledger_head: str = "") -> Document:
    """Planning report of a protocol; with the last entry of its ledger, where there is one."""
    return Document.of(
        results.protocol,
        (section(results) for section in CONTENTS),
        name="planning",
        kicker="Planning report",
        subtitle=results.protocol.study.question,
        running=("planning",),
        invented="This plan is of an invented study.",
        ledger_head=ledger_head,
    )


PAPERS: tuple[tuple[str, str, Callable[[Protocol], tuple[Section, ...]]], ...] = (
    ("patient-information", "Information for patients (draft)", information_sections),
    ("consent", "Consent form (draft)", consent_sections),
    ("reporting-items", "Reporting items", reporting_sections),
)
"""Name, kicker and sections of each paper."""


def compose_papers(protocol: Protocol) -> tuple[Document, ...]:
    """Every paper of a protocol, drafts for a committee; what only people can say is marked in them."""
    return tuple(
        Document.of(
            protocol,
            sections(protocol),
            name=name,
            kicker=kicker,
            subtitle=protocol.study.question if name == "reporting-items" else "",
            invented="These papers are of an invented study.",
        )
        for name, kicker, sections in PAPERS
    )


def compose_patient_results(results: StudyResults) -> Document:
    """Half a page of results for patients, a draft for a committee's own form."""
    return Document.of(
        results.protocol,
        patient_sections(results),
        name=f"{results.quarter}-for-patients",
        kicker="Results for patients (draft)",
        invented="All data are invented.",
        date=results.period_end,
    )
