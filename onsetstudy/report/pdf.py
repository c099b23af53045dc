"""A document as a tagged PDF, typeset in process."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import matplotlib
import typst

from onsetstudy.core.errors import ReportError
from onsetstudy.report.document import Document

__all__ = ["PAPERS", "render_pdf"]

TEMPLATE = Path(__file__).parent / "templates" / "report.typ"
PAPERS = {"a4": "a4", "letter": "us-letter"}


def render_pdf(document: Document, *, paper: str = "a4") -> bytes:
    """PDF/UA-1 bytes on ``a4`` or ``letter``.

    Raises
    ------
    ReportError
        If the paper is not known.
    """
    if paper not in PAPERS:
        raise ReportError(f"the paper {paper!r} is not known; choose {' or '.join(PAPERS)}")
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return bytes(
        typst.compile(
            str(TEMPLATE),
            sys_inputs={"doc": json.dumps(dataclasses.asdict(document)), "paper": PAPERS[paper]},
            font_paths=[str(fonts)],
            ignore_system_fonts=True,
            pdf_standards="ua-1",
        )
    )
