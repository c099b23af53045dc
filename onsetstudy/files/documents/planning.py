"""The planning report as files."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path

from onsetstudy.core.serialise import gather, to_dict
from onsetstudy.files.atomic_write import write_together
from onsetstudy.files.documents.results_json import rounded
from onsetstudy.report.documents.planning import compose_planning
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf
from onsetstudy.report.sections.before.plan_words import claims_listed
from onsetstudy.study.planning.results import PlanningResults

__all__ = ["planning_json", "write_planning"]


def write_planning(
    results: PlanningResults,
    folder: str | Path,
    *,
    paper: str = "a4",
    formats: Sequence[str] = ("html", "pdf", "json"),
    ledger_head: str = "",
) -> list[Path]:
    """Write the planning report, with the last entry of the study's ledger if given; returns the files written."""
    document = compose_planning(results, ledger_head=ledger_head)
    made: dict[str, Callable[[], bytes]] = {
        "html": lambda: render_html(document).encode("utf-8"),
        "pdf": lambda: render_pdf(document, paper=paper),
        "json": lambda: planning_json(results).encode("utf-8"),
    }
    return write_together(
        Path(folder), {f"{document.id}.{name}": make() for name, make in made.items() if name in formats}
    )


def planning_json(results: PlanningResults) -> str:
    """Every number of a plan as JSON text, its claims as page 1 and the terminal tell them."""
    data = {**gather(to_dict(results)), "claims": claims_listed(results)}
    return json.dumps(rounded(data), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
