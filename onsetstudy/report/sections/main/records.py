"""How the records were."""

from __future__ import annotations

from onsetstudy.report import tables
from onsetstudy.report.document import (
    Block,
    Paragraph,
    Section,
)
from onsetstudy.report.numbers import (
    counted,
)
from onsetstudy.study.practice.results import StudyResults

__all__ = ["records_section"]


def records_section(results: StudyResults) -> Section:
    """What was read, refused and noticed."""
    quality = results.data_quality
    text = (
        f"{counted(quality.rows_read, 'case row')} were read and {quality.rows_refused} refused; "
        f"{counted(quality.readings_read, 'cold test')} were read and {quality.readings_refused} refused. Refused rows "
        "are kept with their reasons."
    )
    found = (tables.notices_table(results), tables.reasons_table(results))
    blocks: list[Block] = [Paragraph(text=text), *(t for t in found if t is not None)]
    return Section(id="quality", title="How the records were", blocks=tuple(blocks))
