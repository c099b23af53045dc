"""What was sent to a group, how complete it was, and the harms that were recorded."""

from __future__ import annotations

from onsetstudy.core.results import Estimate
from onsetstudy.outcomes.harm_results import ArmEvents
from onsetstudy.report.document import Block, Paragraph, Section, Table
from onsetstudy.report.numbers import counted, level, listed, percent, percent_interval
from onsetstudy.report.sections.group.heterogeneity import name_of
from onsetstudy.study.group.results import GroupPractice, GroupResults

__all__ = ["sent_section"]

UNKNOWN = "—"


def sent_section(results: GroupResults, practice: str | None) -> Section:
    """Files, rows and quarters, adverse events; ``practice`` is the code of the one whose page it is.

    Other practices stand under their letters alone. A table by code with quarters and files, above one by letter with
    numbers of cases, would tell which letter is whose: the coordinator has it, on the screen and in the JSON file.
    """
    own = results.letter(practice) if practice else None
    blocks: list[Block] = [
        *([] if practice is None else [_files(results, practice)]),
        *([_complete(results, own)] if any(p.recorded is not None for p in results.practices) else []),
        _by_quarter(results, own),
        *_harms(results, own),
        *_remarks(results, practice),
    ]
    return Section(id="sent", title="What was sent", blocks=tuple(blocks), new_page=True)


def _files(results: GroupResults, practice: str) -> Table:
    return Table(
        caption="What your practice sent",
        columns=("practice", "quarters", "files"),
        rows=tuple((p.code, _period(p.quarters, results), listed(p.files)) for p in results.practices
                   if p.code == practice),
        align="lll",
    )  # fmt: skip


def _remarks(results: GroupResults, practice: str | None) -> list[Block]:
    """How many remarks there are on single files; they name codes, some with numbers, and are for the coordinator."""
    if practice is not None or not results.notes:
        return []
    n = len(results.notes)
    text = f"{counted(n, 'remark')} on single files {'was' if n == 1 else 'were'} told to the coordinator."
    return [Paragraph(text=text, role="note")]


def _period(quarters: tuple[str, ...], results: GroupResults) -> str:
    """``2025Q4 to 2026Q3`` where none in between is missing."""
    labels = [q.label for q in results.protocol.quarters]
    places = [labels.index(q) for q in quarters if q in labels]
    if len(places) > 2 and places == list(range(places[0], places[-1] + 1)):
        return f"{quarters[0]} to {quarters[-1]}"
    return listed(quarters)


def _count(value: int | None) -> str:
    return UNKNOWN if value is None else f"{value}"


def _complete(results: GroupResults, own: str | None) -> Table:
    def scored(p: GroupPractice) -> str:
        return UNKNOWN if p.scores is None or not p.n.cases else percent(p.scores / p.n.cases, p.n.cases)

    rows = tuple(
        (
            name_of(p.letter, own),
            _count(p.recorded),
            _count(p.refused),
            _count(p.left_out),
            f"{p.n.cases}",
            scored(p),
            _count(p.moved),
        )
        for p in results.practices
    )
    note = (
        "Left out: not eligible under the protocol, or outside the period. Merged: cases whose quarter or technique "
        "was joined with others because the group was small."
    )
    if results.beyond:
        note += f" {UNKNOWN}: the file goes on after {results.quarter}, and these numbers carry no quarter."
    return Table(
        caption="How complete the records were",
        columns=("practice", "recorded", "refused", "left out", "analysed", "pain scored", "merged"),
        rows=rows,
        align="lrrrrrr",
        notes=(note,),
    )


def _by_quarter(results: GroupResults, own: str | None) -> Table:
    """In all and of one's own practice: by letter and quarter, a letter could be told by when its practice sent."""
    quarters = sorted({q for p in results.practices for q, _ in p.by_quarter})

    def row(name: str, practices: list[GroupPractice]) -> tuple[str, ...]:
        counts = [dict(p.by_quarter) for p in practices]
        return (name, *(f"{sum(c.get(q, 0) for c in counts)}" for q in quarters))

    rows = [row("all practices", list(results.practices))]
    rows += [row("your practice", [p]) for p in results.practices if p.letter == own]
    return Table(
        caption="Analysed cases by quarter",
        columns=("", *quarters),
        rows=tuple(rows),
        align="l" + "r" * len(quarters),
        notes=("Cases of small groups count with the last quarter that they were joined to.",),
    )


def _harms(results: GroupResults, own: str | None) -> list[Block]:
    title = "Adverse events"
    arms = results.harms[0].arms
    if all(a.cases == 0 for a in arms):
        if len(results.beyond) == len(results.practices):
            text = (
                f"{title} carry no quarter and are not shown for an earlier one; ask for files that end with "
                f"{results.quarter}."
            )
        else:
            text = f"{title}: No practice recorded whether anything happened, so nothing can be said about harms."
        return [Paragraph(text=text, role="absent")]
    rows = tuple(
        (
            results.protocol.label(arm.arm),
            f"{arm.cases} of {arm.cases + arm.not_recorded}",
            _happened(arm),
            f"{_happened(serious)} of\u00a0{serious.cases}",
        )
        for arm, serious in zip(arms, results.harms[1].arms, strict=True)
    )
    e = next((a.share for a in arms if isinstance(a.share, Estimate)), None)
    conf = "95 %" if e is None else level(e.interval.level)
    notes = [f"Exact {conf} intervals, among the cases in which it was recorded whether anything happened."]
    for letter, n in results.unrecorded:
        name = name_of(letter, own)
        notes.append(f"{name} did not record adverse events; its {counted(n, 'case')} {_counts(n)} in no proportion.")
    left = sum(a.not_recorded for a in arms) - sum(n for _, n in results.unrecorded)
    if left > 0:
        notes.append(f"{counted(left, 'other case')} did not record it either.")
    unrated = sum(s.not_recorded - a.not_recorded for a, s in zip(arms, results.harms[1].arms, strict=True))
    if unrated > 0:
        notes.append(f"Of {counted(unrated, 'event')} it is not recorded whether it was serious: ask.")
    if results.beyond:
        notes.append(f"Without the practices whose files go on after {results.quarter}: harms carry no quarter.")
    return [
        Table(
            caption=title,
            columns=("arm", "cases in which it was recorded", "with an event", "serious"),
            rows=rows,
            align="lrrr",
            notes=tuple(notes),
        )
    ]


def _counts(n: int) -> str:
    return "counts" if n == 1 else "count"


def _happened(arm: ArmEvents) -> str:
    if not isinstance(arm.share, Estimate):
        return "not recorded"
    limits = percent_interval(arm.share.interval.low, arm.share.interval.high, arm.cases)
    return f"{arm.count or 'none'} ({limits})"
