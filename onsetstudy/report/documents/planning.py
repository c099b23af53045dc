"""The planning report, as a list of sections: what the study can and cannot show, and how long it will take."""

from __future__ import annotations

from collections.abc import Callable

from onsetstudy.report.document import Document, Section
from onsetstudy.report.sections.before import plan
from onsetstudy.study.planning.results import PlanningResults

__all__ = ["CONTENTS", "compose_planning"]

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
        date=results.protocol.quarters[0].first_day.isoformat(),
        ledger_head=ledger_head,
    )
