"""Whether the arm was given that chance had chosen."""

from __future__ import annotations

from onsetstudy.records.derived.results import NOT_CHECKED
from onsetstudy.report import tables
from onsetstudy.report.document import Block, Paragraph, Section, Table, note
from onsetstudy.report.numbers import counted, listed
from onsetstudy.study.practice.results import StudyResults

__all__ = ["allocation_blocks", "who_section"]

WHERE_SHOWN = 5
SOURCES = {"list": "on the list of slips", "log": "in the opening log"}


def who_section(results: StudyResults) -> Section:
    """Flow of cases, arms beside each other, and how the list was followed."""
    text = (
        f"{counted(results.overall.n.cases, 'case')} of {counted(len(results.practices), 'practice')} and "
        f"{counted(results.n_clinicians, 'operator')} were analysed."
    )
    arms = tables.balance_table(results) if results.arm_table.rows else None
    followed = allocation_blocks(results)
    blocks = (Paragraph(text=text), tables.flow(results), arms, *followed)
    return Section.of("who", "Who was included", *blocks, new_page=True)


def allocation_blocks(results: StudyResults) -> tuple[Block, ...]:
    """What a reader has to know about allocation: a sentence, and a table where the list was not followed."""
    review, study = results.allocation, results.protocol.study
    if review is None:
        if not study.randomised:
            return ()
        reason = "" if results.arms is None else f": {results.arms.reason}"
        return (note(f"Randomised, but {NOT_CHECKED}{reason}."),)
    other = review.other_arm
    had = "none of them received" if other == 0 else f"{other} of them received"
    text = (
        f"{review.with_slip} of {counted(review.cases, 'randomised case')} were found {SOURCES[review.source]}; "
        f"{had} another arm than chance had chosen. Arms are compared as allocated (intention to treat), whatever was "
        "injected."
    )
    if results.arms is not None and results.arms.kept:
        text += (
            f" {counted(results.arms.kept, 'case')} whose anaesthetic, technique or procedure lies outside the "
            "protocol stay in the comparison: it was recorded after the slip was opened."
        )
    if not review.deviations:
        return (Paragraph(text=text),)
    rows = ((f"{d.count}", d.text, _where(d.where, d.count)) for d in review.deviations)
    caption = "Where the list of slips was not followed"
    return (Paragraph(text=text), Table.of(caption, ("number", "what", "which"), rows, align="rll"))


def _where(where: tuple[str, ...], count: int) -> str:
    shown = where[:WHERE_SHOWN]
    more = count - len(shown)
    return listed(shown) if more <= 0 else f"{', '.join(shown)} and {more} more"
