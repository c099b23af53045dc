"""A document as one self-contained HTML page that needs no script."""

from __future__ import annotations

from pathlib import Path

import jinja2

from onsetstudy.report.document import Document

TEMPLATES = Path(__file__).parent / "templates"


ENVIRONMENT = jinja2.Environment(
    loader=jinja2.FileSystemLoader(TEMPLATES),
    autoescape=True,
    trim_blocks=True,
    lstrip_blocks=True,
    undefined=jinja2.StrictUndefined,
)


def render_html(document: Document) -> str:
    """HTML text; the same document gives the same text."""
    css = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    return ENVIRONMENT.get_template("report.html.j2").render(document=document, css=css)
