"""Results as files: the report in HTML and PDF, and every number as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import ReportError, require
from onsetstudy.core.serialise import gather
from onsetstudy.files.documents.archive import write_in_place
from onsetstudy.records.derived.roster import Roster
from onsetstudy.report.claims_told import claims_listed
from onsetstudy.report.documents.papers import compose_patient_results
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf
from onsetstudy.study.group.results import GroupResults
from onsetstudy.study.practice.results import StudyResults

__all__ = ["FORMATS", "results_json", "rounded", "write_report"]

FORMATS = ("html", "pdf", "json")
DIGITS = 10
NOISE = 1e-12


def write_report(
    results: StudyResults,
    folder: str | Path,
    *,
    paper: str = "a4",
    formats: Sequence[str] = FORMATS,
    for_patients: bool = False,
    roster: Roster | None = None,
) -> list[Path]:
    """Write the quarterly report, all its files or none, and return the files written.

    Parameters
    ----------
    results : StudyResults
    folder : path
        Made if it is not there; files are named after the study and the quarter.
    paper : str
        Paper of the PDF, ``a4`` or ``letter``.
    formats : sequence of str
        Some of ``html``, ``pdf``, ``json``.
    for_patients : bool
        Half a page for patients too, in the same formats but JSON.
    roster : Roster or None
        Cases that the report stands on: kept beside archived reports for who holds the records, never in a document.

    Raises
    ------
    ReportError
        If a format or the paper is not known.
    OnsetStudyError
        If the folder cannot be written to; the report that stood there stays whole.

    Notes
    -----
    A report in whose place this one comes is kept in ``archive/<quarter>``, and a list says what changed.

    Examples
    --------
    >>> import tempfile
    >>> from onsetstudy import analyse, read_protocol, read_records, write_report
    >>> protocol = read_protocol("protocols/infiltration_audit.toml")
    >>> results = analyse(protocol, read_records("data/synthetic/audit", protocol))
    >>> [path.suffix for path in write_report(results, tempfile.mkdtemp(), formats=["json"])]
    ['.json']
    """
    require(results, StudyResults, "results", "give what analyse(protocol, records) made")
    unknown = [f for f in formats if f not in FORMATS]
    if unknown:
        raise ReportError(f"the format {unknown[0]!r} is not known; choose among {', '.join(FORMATS)}")
    document = compose(results)
    made = {}
    for name in (f for f in FORMATS if f in formats):
        if name == "html":
            content = render_html(document).encode("utf-8")
        elif name == "pdf":
            content = render_pdf(document, paper=paper)
        else:
            content = results_json(results).encode("utf-8")
        made[f"{document.id}.{name}"] = content
    if for_patients:
        leaf = compose_patient_results(results)
        if "html" in formats:
            made[f"{leaf.id}.html"] = render_html(leaf).encode("utf-8")
        if "pdf" in formats:
            made[f"{leaf.id}.pdf"] = render_pdf(leaf, paper=paper)
    return write_in_place(Path(folder), made, name=document.id, quarter=results.quarter, roster=roster)


def results_json(results: StudyResults | GroupResults) -> str:
    """Every number as JSON text with stable order, its claims as page 1 tells them, each caution's text once.

    Numbers are rounded to ten significant digits and what is below 1e-12 to nought, so that processors that
    differ in the last bit give the same text.
    """
    data = {**gather(results.to_dict()), "claims": claims_listed(results.claims, results.protocol)}
    return json.dumps(rounded(data), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def rounded(value: Any) -> Any:
    """Plain JSON types with numbers to ten significant digits."""
    if isinstance(value, float):
        return 0.0 if abs(value) < NOISE else float(f"{value:.{DIGITS}g}")
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, list):
        return [rounded(item) for item in value]
    return value
