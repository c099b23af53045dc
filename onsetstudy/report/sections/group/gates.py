"""Whose cold tests cannot bear a group's answer, in sentences for the first page, and why, in a table behind it."""

from __future__ import annotations

from onsetstudy.report.cells import NONE
from onsetstudy.report.document import Section, Table
from onsetstudy.report.numbers import counted, level, listed
from onsetstudy.report.sections.group.heterogeneity import name_of
from onsetstudy.report.sections.main.doubts import REASONS, doubt_words
from onsetstudy.report.sentences import estimate_shown, without_looks
from onsetstudy.study.group.results import GroupGate, GroupResults

__all__ = ["gate_words", "gates_section", "left_out_words"]

VERDICTS = {
    "open": "nothing found",
    "qualified": "in the answer, to be read with care",
    "shut": "cannot bear an answer",
    "not_told": "not told by its file",
}
WHERE = "Could the cold tests bear an answer?"


def gate_words(results: GroupResults, own: str | None) -> list[str]:
    """What a reader of the first page has to know of the testing; without a number of the cold tests.

    A practice's own page names no other practice, not even by its letter.
    """
    told = []
    out = [gate for gate in results.gates if gate.left_out]
    if out:
        told.append(
            f"Left out of the answer, because their cold tests cannot bear it: {_whose(out, own)}. Their harms are "
            f"counted. The answer with them stands under “{WHERE}”."
        )
    if results.shut:
        reasons = dict.fromkeys(REASONS[d.code] for gate in results.gates for d in gate.doubts if d.effect == "shuts")
        told.append(
            f"No practice's cold tests can bear an answer: {listed(list(reasons))}."
            + (" This interim analysis counts all the same." if results.looks is not None else "")
        )
    care = [gate for gate in results.gates if gate.verdict == "qualified"]
    if care:
        told.append(f"Read the answer with care because of how teeth were tested: {_whose(care, own)}.")
    if silent := [gate for gate in results.gates if gate.verdict == "not_told"]:
        k = len(silent)
        told.append(
            f"{'The file' if k == 1 else 'The files'} of {counted(k, 'practice')} {'does' if k == 1 else 'do'} not "
            f"tell whether the cold tests can bear an answer: ask for {'a new one' if k == 1 else 'new ones'}."
        )
    return told


def _whose(gates: list[GroupGate], own: str | None) -> str:
    """Practices with their reasons; on a practice's own page the others are only counted."""
    shown = [gate for gate in gates if own is None or gate.letter == own]
    parts = []
    for gate in shown:
        name = name_of(gate.letter, own)
        parts.append(f"{name[:1].lower()}{name[1:]} ({listed([REASONS[d.code] for d in gate.doubts])})")
    if others := len(gates) - len(shown):
        parts.append(counted(others, "other practice"))
    return listed(parts)


def left_out_words(results: GroupResults, own: str) -> str:
    """What a practice reads of itself where its cases are not in the answer; empty where they are."""
    gate = next((g for g in results.gates if g.letter == own), None)
    if gate is None or not gate.left_out:
        return ""
    return f" Its cases are not in the answer. {' '.join(doubt_words(gate.doubts))}"


def gates_section(results: GroupResults, own: str | None) -> Section | None:
    """Verdict and reasons with their counts by practice, and the answer with those left out; nothing to say: none."""
    if all(gate.verdict == "open" for gate in results.gates):
        return None
    shown = [gate for gate in results.gates if own is None or gate.letter == own]
    rows = [
        (
            name_of(gate.letter, own),
            "left out of the answer" if gate.left_out else VERDICTS[gate.verdict],
            " ".join(doubt_words(gate.doubts)) or NONE,
        )
        for gate in shown
    ]
    caption = "What was asked of the cold tests of each practice before its answer was looked at"
    counts = "Counts are of all that a practice sent. Thresholds were fixed before any answer was seen."
    beside = [f"{e.quantity.replace('_', ' ')}: {told}" for e in results.with_left_out if (told := estimate_shown(e))]
    text = (
        "With the practices left out, compared within practices like the answer, with "
        f"{level(results.protocol.plan.conf_level)} intervals{without_looks(results.looks)}: {'; '.join(beside)}. "
        "This is not the answer: these cold tests may not say when teeth went numb."
    )
    found = Section.of(
        "gates",
        WHERE,
        Table.of(caption, ("practice", "verdict", "why"), rows, counts, align="lll") if rows else None,
        text if beside else None,
    )
    return found if found.blocks else None
