"""The case sheet of a protocol as a file, for the day on which the power fails."""

from __future__ import annotations

from pathlib import Path

from onsetstudy.files.output import write_bytes
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.chair.case_questions import Question, asked_after, asked_before, question_of
from onsetstudy.report.sections.before.printed import CaseSheet, render_case_sheet

MOST_TICKS = 14


def write_case_sheet(path: Path, protocol: Protocol, *, paper: str = "a4") -> Path:
    """Write the sheet as PDF."""
    return write_bytes(path, render_case_sheet(case_sheet(protocol), paper=paper))


def case_sheet(protocol: Protocol) -> CaseSheet:
    """The sheet of a protocol; the questions are those of the page at the chair, in its order."""
    control = protocol.schedule.control_tooth != "none"
    again = protocol.onset.confirmations
    after = [question_of(name, protocol) for name in asked_after(protocol)]
    return CaseSheet(
        title=protocol.study.title,
        practice=protocol.study.practices[0] if len(protocol.study.practices) == 1 else "…",
        before=[_told(question_of(name, protocol)) for name in asked_before(protocol)],
        cold=_cold(protocol),
        testing=[_told(q) for q in after if not q.late],
        after=[_told(q) for q in after if q.late],
        tests=[_minute(m) for m in protocol.schedule.tests_min],
        teeth=("target", "control") if control else ("target",),
        rule=f"Stop after {again} tests in a row not felt"
        + (", the control tooth felt each time" if protocol.schedule.control_tooth == "required" else "")
        + ". Test the tooth and ask before treating.",
        zero={"injection_end": "the end of the injection"}.get(protocol.schedule.clock_zero, "the needle going in"),
    )


def _cold(protocol: Protocol) -> list[tuple[str, tuple[str, ...]]]:
    """The cold before the injection, where the protocol asks for it: the target, then the control."""
    baseline, control = protocol.schedule.baseline_response, protocol.schedule.control_tooth != "none"
    if baseline == "none":
        return []
    ends = "not felt: no slip is opened, the case ends" if baseline == "required" else "not felt"
    target = ("Cold on the target tooth, before the injection", ("felt", ends))
    return [target, ("Cold on the control tooth, before the injection", ("felt", "not felt"))] if control else [target]


def _told(question: Question) -> tuple[str, tuple[str, ...]]:
    answers = tuple(words for _, words in question.answers)
    if question.kind in ("pain", "anxiety") and question.low is not None and question.high is not None:
        return f"{question.question} ({question.low:g} to {question.high:g}, the patient says)", ()
    return question.question, answers if len(answers) <= MOST_TICKS else ()


def _minute(minute: float) -> str:
    whole, seconds = divmod(round(60 * minute), 60)
    return f"{whole}:{seconds:02d}"
