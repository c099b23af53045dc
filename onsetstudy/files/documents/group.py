"""The report of a study group as files: for all, for each practice, and every number for the coordinator."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from onsetstudy.core.errors import OnsetStudyError, Problem
from onsetstudy.files.documents.archive import write_in_place
from onsetstudy.files.documents.results_json import results_json
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf
from onsetstudy.study.group.results import GroupResults

__all__ = ["write_group"]


def write_group(
    results: GroupResults,
    folder: str | Path,
    *,
    pages: Sequence[str] = (),
    paper: str = "a4",
    formats: Sequence[str] = ("html", "pdf", "json"),
) -> list[Path]:
    """Write the group's report, and a report of its own for each practice in ``pages``; returns the files.

    The JSON file holds the key of the letters: it is for the coordinator. A report in whose place this one comes is
    kept in ``archive/<quarter>``, and a list says what changed.

    Raises
    ------
    OnsetStudyError
        If a practice is not in the group.
    """
    known = [p.code for p in results.practices]
    if strange := [p for p in pages if p not in known]:
        letters = {p.letter for p in results.practices}
        named = f"practices of this report: {', '.join(sorted(known))}"
        told = [f"{p} is a letter; give the practice's code" if p in letters else f"{p} sent nothing" for p in strange]
        raise OnsetStudyError([Problem(what=f"{what}; {named}") for what in told])
    made = {}
    for practice in (None, *pages):
        document = compose_group(results, practice=practice)
        for name in formats:
            if name == "json" and practice is not None:
                continue
            if name == "html":
                content = render_html(document).encode("utf-8")
            else:
                content = render_pdf(document, paper=paper) if name == "pdf" else results_json(results).encode("utf-8")
            suffix = "coordinator.json" if name == "json" else name
            made[f"{document.id}.{suffix}"] = content
    return write_in_place(Path(folder), made, name=compose_group(results).id, quarter=results.quarter)
