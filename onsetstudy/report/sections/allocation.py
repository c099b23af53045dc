"""Whether the arm was given that chance had chosen."""

from __future__ import annotations

from onsetstudy.report.document import Block, Paragraph, Table
from onsetstudy.report.numbers import counted, listed
from onsetstudy.study.results import StudyResults

__all__ = ["allocation_blocks"]

WHERE_SHOWN = 5


def allocation_blocks(results: StudyResults) -> tuple[Block, ...]:
    """What a reader has to know about allocation: a sentence, and a table where the list was not followed."""
    review, study = results.allocation, results.protocol.study
    if review is None:
        if not study.randomised:
            return ()
        text = "Arms are compared as they were recorded: the records were not held against the list of slips."
        return (Paragraph(text=text, role="note"),)
    other = review.other_arm
    had = "none of them received" if other == 0 else f"{other} of them received"
    text = (
        f"{review.with_slip} of {counted(review.cases, 'randomised case')} were found on the list of slips; "
        f"{had} another arm than chance had chosen. Arms are compared as allocated, whatever was injected."
    )
    blocks: list[Block] = [Paragraph(text=text)]
    if review.deviations:
        rows = tuple((f"{d.count}", d.text, _where(d.where, d.count)) for d in review.deviations)
        caption = "Where the list of slips was not followed"
        blocks.append(Table(caption=caption, columns=("number", "what", "which"), rows=rows, align="rll"))
    return tuple(blocks)


def _where(where: tuple[str, ...], count: int) -> str:
    shown = where[:WHERE_SHOWN]
    more = count - len(shown)
    return listed(list(shown)) if more <= 0 else f"{', '.join(shown)} and {more} more"
