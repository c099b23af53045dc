"""A report as typed blocks. Both renderers read the same document; no choice and no number is made in a template."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Self

from onsetstudy.core.results import Caution
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.numbers import tidy

TOLD_BEFORE = "What the first page says to mind holds here too."


class Painted:
    """A field of a dataclass that is given text or what paints it, and gives text; painted once, when first asked for.

    Who reads words or numbers alone waits for no drawing. The dataclass has no slots: what is kept lies in its
    dictionary under the name of the field.
    """

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    def __get__(self, instance: object | None, owner: type) -> str:
        if instance is None:
            raise AttributeError(self._name)  # by which a dataclass knows that the field has no default
        kept = vars(instance)
        if not isinstance(kept[self._name], str):
            kept[self._name] = kept[self._name]()
        text: str = kept[self._name]
        return text

    def __set__(self, instance: object, value: str | Callable[[], str]) -> None:
        vars(instance)[self._name] = value


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Two sentences: what was seen, and what that allows one to say."""

    seen: str
    allows: str
    kind: str = "answer"

    @property
    def text(self) -> str:
        """Both sentences."""
        return f"{self.seen} {self.allows}".strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading inside a section."""

    text: str
    kind: str = "heading"


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text; ``role`` is ``text``, ``absent`` (in the place of a figure) or ``note`` (small)."""

    text: str
    role: str = "text"
    kind: str = "paragraph"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; ``align`` has one of ``l``, ``r`` per column; footnotes stand under it.

    ``heads`` are the numbers of rows that are headings of the rows under them, ``strong`` of those set in bold.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str
    notes: tuple[str, ...] = ()
    heads: tuple[int, ...] = ()
    strong: tuple[int, ...] = ()
    kind: str = "table"

    @classmethod
    def of(
        cls,
        caption: str,
        columns: Sequence[str],
        rows: Iterable[Sequence[str]],
        *notes: str,
        align: str = "",
        strong: Iterable[int] = (),
    ) -> Self:
        """A table whose rows of a single cell are headings; names stand left and all else right, if not told otherwise.

        A note that is empty is none.
        """
        told = [tuple(row) for row in rows]
        heads = tuple(k for k, row in enumerate(told) if len(row) == 1 < len(columns))
        return cls(
            caption=caption,
            columns=tuple(columns),
            rows=tuple(row + ("",) * (len(columns) - 1) if k in heads else row for k, row in enumerate(told)),
            align=align or "l" + "r" * (len(columns) - 1),
            notes=tuple(note for note in notes if note),
            heads=heads,
            strong=tuple(strong),
        )


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A drawing as SVG text, once for a page and once for a narrow screen; drawn when it is first asked for.

    ``title`` is the question it answers, ``alt`` says it in words.
    """

    name: str
    title: str
    caption: str
    alt: str
    svg: Painted = Painted()
    narrow: Painted = Painted()
    kind: str = "figure"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowStep:
    """Cases that came this far, in total and by arm; those lost on the way, and what is not known of some who came.

    Both are ``(count, why)``.
    """

    label: str
    count: str
    arms: tuple[str, ...]
    lost: tuple[tuple[str, str], ...] = ()
    noted: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """The way of the cases, step by step."""

    caption: str
    steps: tuple[FlowStep, ...]
    kind: str = "flow"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cautions:
    """Cautions in ordinary type."""

    texts: tuple[str, ...]
    kind: str = "cautions"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairs:
    """Terms and what they are, such as digests and versions."""

    rows: tuple[tuple[str, str], ...]
    kind: str = "pairs"


def note(text: str) -> Paragraph:
    """A paragraph in small letters."""
    return Paragraph(text=text, role="note")


def absent(text: str) -> Paragraph:
    """A paragraph in the place of what is not there."""
    return Paragraph(text=text, role="absent")


def notes_of(cautions: Iterable[Caution]) -> list[Paragraph]:
    """Cautions as notes, each text once."""
    return [note(tidy(text)) for text in dict.fromkeys(c.text for c in cautions)]


Block = Answer | Heading | Paragraph | Table | Figure | Flow | Cautions | Pairs
Pieces = Block | str | None | Iterable["Pieces"]
"""What a section is made of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Blocks under one title; ``new_page`` begins a page in print."""

    id: str
    title: str
    blocks: tuple[Block, ...]
    new_page: bool = False

    @classmethod
    def of(cls, identity: str, title: str, *pieces: Pieces, new_page: bool = False) -> Self:
        """A section of those blocks that there are, in groups or one by one; a text is a paragraph.

        A table without rows is none, nor is an empty text.
        """
        return cls(id=identity, title=title, blocks=tuple(blocks_of(pieces)), new_page=new_page)


def blocks_of(pieces: Iterable[Pieces]) -> Iterator[Block]:
    """The blocks that there are, in groups or one by one; a text is a paragraph, an empty one and a bare table none."""
    for piece in pieces:
        if isinstance(piece, str):
            yield from [Paragraph(text=piece)] if piece else []
        elif isinstance(piece, Iterable):
            yield from blocks_of(piece)
        elif piece is not None and not (isinstance(piece, Table) and not piece.rows):
            yield piece


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A report; ``kicker`` stands over its title, ``running`` along its pages, ``date`` is the last day of it.

    ``ledger_head`` is the last entry of the ledger, printed under the first page, which is the one that others keep.
    """

    id: str
    title: str
    kicker: str
    subtitle: str
    notice: str
    running: str
    date: str
    sections: tuple[Section, ...]
    lang: str = "en-GB"
    ledger_head: str = ""

    @classmethod
    def of(
        cls,
        protocol: Protocol,
        sections: Iterable[Section | None],
        *,
        name: str,
        kicker: str,
        invented: str,
        running: tuple[str, ...] = (),
        date: str = "",
        subtitle: str = "",
        ledger_head: str = "",
    ) -> Self:
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
        invented : str
            Notice where the study is invented.
        running : tuple of str
            Along the pages, after the title; by default the kicker.
        date : str
            Last day that the document is of; by default the first one of the study.
        ledger_head : str
            Last entry of the ledger, where there is one.
        """
        study = protocol.study
        ledger = (f"ledger {ledger_head}",) if ledger_head else ()
        return cls(
            id=f"{study.id}-{name}",
            title=study.title,
            kicker=kicker,
            subtitle=subtitle,
            notice=invented if study.invented else "",
            running=" · ".join((study.title, *(running or (kicker,)), *ledger)),
            date=date or protocol.quarters[0].first_day.isoformat(),
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
