"""A document as a tagged PDF, typeset in process."""

from __future__ import annotations

import dataclasses
import itertools
import json
from typing import Any

from onsetstudy.core.errors import ReportError
from onsetstudy.report.document import Document
from onsetstudy.report.typeset import compiler_of, one_pdf

PAPERS = ("a4", "letter", "us-letter")
# How much room blocks get, tried in this order until the last page is not left nearly empty.
DENSITIES = ("1", "0.9", "0.8", "1.1", "0.7")
LEAST_FILL = 0.25


def render_pdf(document: Document, *, paper: str = "a4") -> bytes:
    """PDF/UA-1 bytes on ``a4`` or ``letter`` (also called ``us-letter``).

    Raises
    ------
    ReportError
        If the paper is not known.
    """
    if paper not in PAPERS:
        raise ReportError(f"the paper {paper!r} is not known; choose a4 or letter")
    data = json.dumps(dataclasses.asdict(document))
    compilers = (compiler_of("report", doc=data, paper=paper, density=density) for density in DENSITIES)
    first = next(compilers)
    tried = itertools.chain((first,), compilers)
    return one_pdf(next((c for c in tried if _last_page_fill(c) >= LEAST_FILL), first))


def _last_page_fill(compiler: Any) -> float:
    """How far down its last page the text reaches, from 0 to 1."""
    return float(json.loads(compiler.query("<end>", field="value", one=True)))
