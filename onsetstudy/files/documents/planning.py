"""The planning report as files."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from onsetstudy.core.annotations import gather
from onsetstudy.core.serialise import to_dict
from onsetstudy.files.documents.results_json import rounded
from onsetstudy.files.together import write_together
from onsetstudy.report.documents.planning import compose_planning
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf
from onsetstudy.study.planning_results import PlanningResults

__all__ = ["write_planning"]


def write_planning(
    results: PlanningResults, folder: str | Path, *, paper: str = "a4", formats: Sequence[str] = ("html", "pdf", "json")
) -> list[Path]:
    """Write the planning report; returns the files written."""
    document = compose_planning(results)
    made = {
        "html": lambda: render_html(document).encode("utf-8"),
        "pdf": lambda: render_pdf(document, paper=paper),
        "json": lambda: (json.dumps(rounded(gather(to_dict(results))), indent=1, ensure_ascii=False) + "\n").encode(
            "utf-8"
        ),
    }
    return write_together(
        Path(folder), {f"{document.id}.{name}": make() for name, make in made.items() if name in formats}
    )
