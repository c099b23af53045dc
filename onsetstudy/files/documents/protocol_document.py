"""The protocol document as files."""

from __future__ import annotations

from pathlib import Path

from onsetstudy.files.atomic_write import together
from onsetstudy.files.documents.case_sheet import write_case_sheet
from onsetstudy.files.output import write_bytes
from onsetstudy.protocol.lock_results import ProtocolLock
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.documents.protocol import compose_protocol
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf

__all__ = ["write_protocol_document"]


def write_protocol_document(
    protocol: Protocol, lock: ProtocolLock | None, folder: str | Path, *, paper: str = "a4", ledger_head: str = ""
) -> list[Path]:
    """Write the protocol as HTML and PDF, and the case sheet on paper beside it; returns the files written.

    ``ledger_head`` is the last entry of the study's ledger, printed on every page where there is one.
    """
    document = compose_protocol(protocol, lock, ledger_head=ledger_head)
    with together(Path(folder)) as fresh:
        written = [
            write_bytes(fresh / f"{document.id}.html", render_html(document).encode("utf-8")),
            write_bytes(fresh / f"{document.id}.pdf", render_pdf(document, paper=paper)),
            write_case_sheet(fresh / f"{document.id}-case-sheet.pdf", protocol, paper=paper),
        ]
    return [Path(folder) / path.name for path in written]
