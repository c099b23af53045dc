"""The papers of a study as files."""

from __future__ import annotations

from pathlib import Path

from onsetstudy.files.atomic_write import write_together
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.documents.papers import compose_papers
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf

__all__ = ["write_papers"]


def write_papers(protocol: Protocol, folder: str | Path, *, paper: str = "a4") -> list[Path]:
    """Write information for patients, consent form and reporting items as HTML and PDF; returns the files written."""
    made = {}
    for document in compose_papers(protocol):
        made[f"{document.id}.html"] = render_html(document).encode("utf-8")
        made[f"{document.id}.pdf"] = render_pdf(document, paper=paper)
    return write_together(Path(folder), made)
