"""What was sent to a group, how complete it was, whose cold tests cannot bear an answer, and harms."""

from __future__ import annotations

from collections.abc import Sequence

from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Estimate
from onsetstudy.outcomes.harm_results import ArmEvents
from onsetstudy.report.cells import NONE, level_of
from onsetstudy.report.document import Block, Section, Table, absent, note
from onsetstudy.report.numbers import counted, level, listed, percent, uncapital
from onsetstudy.report.sections.group.heterogeneity import name_of
from onsetstudy.report.sections.main.kindness_and_harm import limits_text
from onsetstudy.report.sections.main.records import REASONS, doubt_words
from onsetstudy.report.sentences import estimate_shown, without_looks
from onsetstudy.study.group.results import GroupGate, GroupPractice, GroupResults

UNKNOWN = "—"


def sent_section(results: GroupResults, own: str | None) -> Section:
    """Files, rows and quarters, adverse events; ``own`` is the letter of the practice whose page it is.

    Other practices stand under their letters alone. A table by code with quarters and files, above one by letter with
    numbers of cases, would tell which letter is whose: the coordinator has it, on the screen and in the JSON file.
    """
    mine = [(p.code, _period(p.quarters, results), listed(p.files)) for p in results.practices if p.letter == own]
    n = len(results.notes)
    return Section.of(
        "sent",
        "What was sent",
        Table.of("What your practice sent", ("practice", "quarters", "files"), mine, align="lll"),
        _complete(results, own) if any(p.recorded is not None for p in results.practices) else None,
        _by_quarter(results, own),
        _harms(results, own),
        # Remarks name codes, some with numbers, and are for the coordinator.
        note(f"{counted(n, 'remark')} on single files {'was' if n == 1 else 'were'} told to the coordinator.")
        if n and own is None
        else None,
    )


def _period(quarters: tuple[str, ...], results: GroupResults) -> str:
    """``2025Q4 to 2026Q3`` where none in between is missing."""
    labels = [q.label for q in results.protocol.quarters]
    places = [labels.index(q) for q in quarters if q in labels]
    if len(places) > 2 and places == list(range(places[0], places[-1] + 1)):
        return f"{quarters[0]} to {quarters[-1]}"
    return listed(quarters)


def _complete(results: GroupResults, own: str | None) -> Table:
    rows = []
    for p in results.practices:
        scored = percent(p.scores / p.n.cases, p.n.cases) if p.scores is not None and p.n.cases else None
        counts = (p.recorded, p.refused, p.left_out, p.n.cases, scored, p.moved)
        rows.append((name_of(p.letter, own), *(UNKNOWN if count is None else f"{count}" for count in counts)))
    beyond = f" {UNKNOWN}: the file goes on after {results.quarter}, and these numbers carry no quarter."
    return Table.of(
        "How complete the records were",
        ("practice", "recorded", "refused", "left out", "analysed", "pain scored", "merged"),
        rows,
        "Left out: not eligible under the protocol, or outside the period. Merged: cases whose quarter or technique "
        f"was joined with others because the group was small.{beyond if results.beyond else ''}",
        "Pain scored: scores of an arm with too few of them are not sent, and count as missing here."
        if "scores_held_back" in results.unlike_rows
        else "",
    )


def refused_words(results: GroupResults, own: str | None, *, coordinator: bool = False) -> list[str]:
    """Whose refused cases could turn the answer, by letter; for the ``coordinator`` by code.

    Files do not tell of which arm these were. A practice's own page counts the others.
    """
    found = [p for p in results.answering if p.much_refused]
    shown = [p for p in found if own in (None, p.letter)]
    told = [f"{p.code if coordinator else name_of(p.letter, own)}, {p.refused} of {p.recorded} cases" for p in shown]
    if others := len(found) - len(shown):
        told.append(counted(others, "other practice"))
    return told and [
        f"More than one in ten cases were refused and are in no count here, which could turn the answer: "
        f"{listed(told)}. Files do not tell of which arm these were; a practice's own report does."
    ]


def _by_quarter(results: GroupResults, own: str | None) -> Table:
    """In all and of one's own practice: by letter and quarter, a letter could be told by when its practice sent."""
    quarters = sorted({q for p in results.practices for q, _ in p.by_quarter})

    def row(name: str, practices: Sequence[GroupPractice]) -> tuple[str, ...]:
        counts = [dict(p.by_quarter) for p in practices]
        return (name, *(f"{sum(c.get(q, 0) for c in counts)}" for q in quarters))

    mine = [row("your practice", [p]) for p in results.practices if p.letter == own]
    return Table.of(
        "Analysed cases by quarter",
        ("", *quarters),
        [row("all practices", results.practices), *mine],
        "Cases of small groups count with the last quarter that they were joined to.",
    )


def _harms(results: GroupResults, own: str | None) -> Block:
    title, quarter = "Adverse events", results.quarter
    arms, serious = results.harms[0].arms, results.harms[1].arms
    if all(a.cases == 0 for a in arms):
        none = f"{title}: No practice recorded whether anything happened, so nothing can be said about harms."
        other = f"{title} carry no quarter and are not shown for an earlier one; ask for files that end with {quarter}."
        return absent(other if len(results.beyond) == len(results.practices) else none)
    rows = []
    for arm, grave in zip(arms, serious, strict=True):
        told, among = f"{arm.cases} of {arm.cases + arm.not_recorded}", f" of\u00a0{grave.cases}" if grave.cases else ""
        rows.append((results.protocol.label(arm.arm), told, _happened(arm), f"{_happened(grave)}{among}"))
    silent = [
        f"{name_of(letter, own)} did not record adverse events; its {counted(n, 'case')} "
        f"{'counts' if n == 1 else 'count'} in no proportion."
        for letter, n in results.unrecorded
    ]
    allocated = results.protocol.study.randomised
    left = sum(a.not_recorded for a in arms) - sum(n for _, n in results.unrecorded)
    unrated = sum(s.not_recorded - a.not_recorded for a, s in zip(arms, serious, strict=True))
    return Table.of(
        title,
        ("arm", "cases in which it was recorded", "with an event", "serious"),
        rows,
        f"Exact {level_of(a.share for a in arms)} intervals, among the cases in which it was recorded whether anything "
        "happened."
        + (" By the arm allocated; the reports of practices count by the arm injected." if allocated else ""),
        *silent,
        f"{counted(left, 'other case')} did not record it either." if left > 0 else "",
        f"Of {counted(unrated, 'event')} it is not recorded whether it was serious: ask." if unrated > 0 else "",
        f"Without the practices whose files go on after {quarter}: harms carry no quarter." if results.beyond else "",
    )


def _happened(arm: ArmEvents) -> str:
    return f"{arm.count or 'none'} ({limits_text(arm)})" if isinstance(arm.share, Estimate) else "not recorded"


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
    gates = results.gates
    if out := [gate for gate in gates if gate.left_out]:
        told.append(
            f"Left out of the answer, because their cold tests cannot bear it: {_whose(out, own)}. Their harms are "
            f"counted. The answer with them stands under “{WHERE}”."
        )
    if results.shut:
        reasons = dict.fromkeys(REASONS[d.code] for gate in gates for d in gate.doubts if d.effect == "shuts")
        all_the_same = " This interim analysis counts all the same." if results.looks is not None else ""
        told.append(f"No practice's cold tests can bear an answer: {listed(list(reasons))}.{all_the_same}")
    if care := [gate for gate in gates if gate.verdict == "qualified"]:
        told.append(f"Read the answer with care because of how teeth were tested: {_whose(care, own)}.")
    if k := sum(gate.verdict == "not_told" for gate in gates):
        file, does, new = ("The file", "does", "a new one") if k == 1 else ("The files", "do", "new ones")
        told.append(
            f"{file} of {counted(k, 'practice')} {does} not tell whether the cold tests can bear an answer: ask for "
            f"{new}."
        )
    return told


def _whose(gates: list[GroupGate], own: str | None) -> str:
    """Practices with their reasons; on a practice's own page the others are only counted."""
    shown = [gate for gate in gates if own is None or gate.letter == own]
    parts = [
        f"{uncapital(name_of(gate.letter, own))} ({listed([REASONS[d.code] for d in gate.doubts])})" for gate in shown
    ]
    if others := len(gates) - len(shown):
        parts.append(counted(others, "other practice"))
    return listed(parts)


def left_out_words(results: GroupResults, own: str) -> str:
    """What a practice reads of itself where its cases are not in the answer; empty where they are."""
    gate = next((g for g in results.gates if g.letter == own), None)
    if gate is None or not gate.left_out:
        return ""
    return f" Its cases are not in the answer. {' '.join(doubt_words(gate.doubts))}"


def _named(e: Estimate) -> str:
    """An estimate with the name of its quantity and the unit that readers see."""
    quantity = quantity_of(e.quantity)
    unit = {"score": e.unit, "ratio": ""}.get(quantity.unit, quantity.unit_shown)
    saved = " saved" if quantity.shown.factor < 0 else ""
    return f"{quantity.name}: {estimate_shown(e)} {unit}".rstrip() + saved


def gates_section(results: GroupResults, own: str | None) -> Section | None:
    """Verdict and reasons with their counts by practice, and the answer with those left out; nothing to say: none."""
    if all(gate.verdict == "open" for gate in results.gates):
        return None
    rows = [
        (
            name_of(gate.letter, own),
            "left out of the answer" if gate.left_out else VERDICTS[gate.verdict],
            " ".join(doubt_words(gate.doubts)) or NONE,
        )
        for gate in results.gates
        if own is None or gate.letter == own
    ]
    caption = "What was asked of the cold tests of each practice before its answer was looked at"
    counts = "Counts are of all that a practice sent. Thresholds were fixed before any answer was seen."
    beside = [_named(e) for e in results.with_left_out if isinstance(e, Estimate)]
    table = Table.of(caption, ("practice", "verdict", "why"), rows, counts, align="lll")
    with_them = (
        "With the practices left out, compared within practices like the answer, with "
        f"{level(results.protocol.plan.conf_level)} intervals{without_looks(results.looks)}: {'; '.join(beside)}. "
        "This is not the answer: these cold tests may not say when teeth went numb."
    )
    found = Section.of("gates", WHERE, table, with_them if beside else None)
    return found if found.blocks else None
