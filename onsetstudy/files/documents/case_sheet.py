"""The case sheet of a protocol as a file, for the day on which the power fails."""

from __future__ import annotations

from pathlib import Path

from onsetstudy.files.output import write_bytes
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.chair.case_questions import Question, asked_after, asked_before, question_of
from onsetstudy.report.sections.before.case_sheet import CaseSheet, render_case_sheet

__all__ = ["write_case_sheet"]

MOST_TICKS = 14


def write_case_sheet(path: Path, protocol: Protocol, *, paper: str = "a4") -> Path:
    """Write the sheet as PDF; the questions are those of the page at the chair, in its order."""
    control = protocol.schedule.control_tooth != "none"
    again = protocol.onset.confirmations
    sheet = CaseSheet(
        title=protocol.study.title,
        practice=protocol.study.practices[0] if len(protocol.study.practices) == 1 else "…",
        before=[_told(question_of(name, protocol)) for name in asked_before(protocol)],
        after=[_told(question_of(name, protocol)) for name in asked_after(protocol)],
        tests=[_minute(m) for m in protocol.schedule.tests_min],
        teeth=("target", "control") if control else ("target",),
        rule=f"Stop after {again} tests in a row not felt"
        + (", the control tooth felt each time" if protocol.schedule.control_tooth == "required" else "")
        + ". Test the tooth and ask before treating.",
    )
    return write_bytes(Path(path), render_case_sheet(sheet, paper=paper))


def _told(question: Question) -> tuple[str, tuple[str, ...]]:
    answers = tuple(words for _, words in question.answers)
    if question.kind in ("pain", "anxiety") and question.low is not None and question.high is not None:
        return f"{question.question} ({question.low:g} to {question.high:g}, the patient says)", ()
    return question.question, answers if len(answers) <= MOST_TICKS else ()


def _minute(minute: float) -> str:
    return f"{int(minute)}:{round(60 * (minute % 1)):02d}"
