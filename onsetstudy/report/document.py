"""A report as typed blocks. Both renderers read the same document; no choice and no number is made in a template."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Block", "Cautions", "Document", "Figure", "Heading", "Pairs", "Paragraph", "Section", "Table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading inside a section."""

    text: str
    kind: str = "heading"


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text; ``role`` is ``text``, ``answer`` (large) or ``note`` (small)."""

    text: str
    role: str = "text"
    kind: str = "paragraph"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; ``align`` has one of ``l``, ``r`` per column; footnotes stand under it."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str
    notes: tuple[str, ...] = ()
    kind: str = "table"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A drawing as SVG text; ``title`` is the question it answers, ``alt`` says it in words."""

    name: str
    title: str
    caption: str
    alt: str
    svg: str
    kind: str = "figure"


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


Block = Heading | Paragraph | Table | Figure | Cautions | Pairs


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Blocks under one title; ``new_page`` begins a page in print."""

    id: str
    title: str
    blocks: tuple[Block, ...]
    new_page: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A report; ``running`` is the title that runs along its pages, ``date`` the last day it speaks of."""

    id: str
    title: str
    subtitle: str
    invented: bool
    running: str
    date: str
    sections: tuple[Section, ...]
    lang: str = "en-GB"
