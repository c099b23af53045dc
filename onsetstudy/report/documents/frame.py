"""What all documents have around their sections."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Block, Cautions, Document, Section

__all__ = ["bind"]

TOLD_BEFORE = "What the first page says to mind holds here too."


def bind(
    protocol: Protocol,
    sections: Iterable[Section | None],
    *,
    name: str,
    kicker: str,
    subtitle: str,
    running: tuple[str, ...],
    invented: str,
    date: str,
    ledger_head: str = "",
) -> Document:
    """A document of a study.

    Parameters
    ----------
    protocol : Protocol
    sections : iterable of Section or None
        In order; ``None`` where there is nothing to say.
    name : str
        After the study's id, in the names of files.
    kicker, subtitle : str
        Over and under the title.
    running : tuple of str
        Along the pages, after the title.
    invented : str
        Notice where the study is invented.
    date : str
        Last day that the document is of.
    ledger_head : str
        Last entry of the ledger, where there is one.
    """
    study = protocol.study
    marks = (study.title, *running, *((f"ledger {ledger_head}",) if ledger_head else ()))
    return Document(
        id=f"{study.id}-{name}",
        title=study.title,
        kicker=kicker,
        subtitle=subtitle,
        notice=invented if study.invented else "",
        running=" · ".join(marks),
        date=date,
        sections=_once([section for section in sections if section is not None]),
        ledger_head=ledger_head,
    )


def _once(sections: list[Section]) -> tuple[Section, ...]:
    """Sections in which no caution stands twice; where one is left out, the first page is referred to."""
    told: set[str] = set()

    def block_once(block: Block) -> Block:
        if not isinstance(block, Cautions):
            return block
        fresh = tuple(text for text in block.texts if text not in told)
        before = () if len(fresh) == len(block.texts) else (TOLD_BEFORE,)
        told.update(block.texts)
        return replace(block, texts=(*before, *fresh))

    return tuple(replace(section, blocks=tuple(block_once(b) for b in section.blocks)) for section in sections)
