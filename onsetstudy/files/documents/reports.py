"""Documents as files: reports of practices and groups with every number as JSON, plans, protocols and papers."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import OnsetStudyError, Problem, ReportError, require
from onsetstudy.core.serialise import gather, to_dict
from onsetstudy.files.documents.archive import CHANGES, COORDINATOR, write_in_place
from onsetstudy.files.documents.case_sheet import case_sheet
from onsetstudy.files.output import write_together
from onsetstudy.protocol.lock_results import ProtocolLock
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.roster import Roster
from onsetstudy.report.claims_told import claims_listed
from onsetstudy.report.document import Document
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.documents.papers import compose_papers, compose_patient_results, compose_planning
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.documents.protocol import compose_protocol
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf
from onsetstudy.report.sections.before.plan_words import claims_listed as planned_claims
from onsetstudy.report.sections.before.printed import render_case_sheet
from onsetstudy.study.group.results import GroupResults
from onsetstudy.study.planning.results import Aim, PlanningResults
from onsetstudy.study.practice.results import StudyResults

FORMATS = ("html", "pdf", "json")
DIGITS = 10
NOISE = 1e-12


def _rendered(
    document: Document,
    paper: str,
    formats: Sequence[str] = ("html", "pdf"),
    numbers: Mapping[str, Callable[[], str]] | None = None,
) -> dict[str, bytes]:
    """Content of a document's files by their names; ``numbers`` makes the JSON text for a suffix of its name."""
    made = {}
    if "html" in formats:
        made[f"{document.id}.html"] = render_html(document).encode("utf-8")
    if "pdf" in formats:
        made[f"{document.id}.pdf"] = render_pdf(document, paper=paper)
    if "json" in formats:
        made |= {f"{document.id}.{suffix}": text().encode("utf-8") for suffix, text in (numbers or {}).items()}
    return made


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
    if unknown := [f for f in formats if f not in FORMATS]:
        raise ReportError(f"the format {unknown[0]!r} is not known; choose among {', '.join(FORMATS)}")
    document = compose(results)
    made = _rendered(document, paper, formats, {"json": lambda: results_json(results)})
    if for_patients:
        made |= _rendered(compose_patient_results(results), paper, formats)
    return write_in_place(Path(folder), made, name=document.id, quarter=results.quarter, roster=roster)


def write_group(
    results: GroupResults,
    folder: str | Path,
    *,
    pages: Sequence[str] = (),
    paper: str = "a4",
    formats: Sequence[str] = FORMATS,
) -> list[Path]:
    """Write the group's report, and a report of its own for each practice in ``pages``; returns the files.

    The JSON file holds the key of the letters: it is for the coordinator, readable by its owner alone. A report in
    whose place this one comes is kept in ``archive/<quarter>``, with its members' pages, also those that are not made
    again, and a list says what changed. It names pages by their codes, and is readable by its owner alone too.

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
    document = compose_group(results)
    made = _rendered(document, paper, formats, {COORDINATOR: lambda: results_json(results)})
    for practice in pages:
        made |= _rendered(compose_group(results, practice=practice), paper, formats)
    stood = Path(folder).glob(f"{document.id}[.-]*")
    stale = [p.name for p in stood if p.name not in made and p.suffix.removeprefix(".") in FORMATS]
    return write_in_place(
        Path(folder),
        made,
        name=document.id,
        quarter=results.quarter,
        stale=stale,
        private=(COORDINATOR, CHANGES),
    )


def write_planning(
    results: PlanningResults,
    folder: str | Path,
    *,
    paper: str = "a4",
    formats: Sequence[str] = FORMATS,
    ledger_head: str = "",
) -> list[Path]:
    """Write the planning report, with the last entry of the study's ledger if given; returns the files written."""
    document = compose_planning(results, ledger_head=ledger_head)
    return write_together(Path(folder), _rendered(document, paper, formats, {"json": lambda: planning_json(results)}))


def write_protocol_document(
    protocol: Protocol,
    lock: ProtocolLock | None,
    aim: Aim | None,
    folder: str | Path,
    *,
    paper: str = "a4",
    ledger_head: str = "",
) -> list[Path]:
    """Write the protocol as HTML and PDF, and the case sheet on paper beside it; returns the files written.

    ``aim`` is what its main outcome is planned for, ``ledger_head`` the last entry of the study's ledger, printed on
    every page where there is one.
    """
    document = compose_protocol(protocol, lock, aim, ledger_head=ledger_head)
    sheet = render_case_sheet(case_sheet(protocol), paper=paper)
    return write_together(Path(folder), {**_rendered(document, paper), f"{document.id}-case-sheet.pdf": sheet})


def write_papers(protocol: Protocol, folder: str | Path, *, paper: str = "a4") -> list[Path]:
    """Write information for patients, consent form and reporting items as HTML and PDF; returns the files written."""
    made = [_rendered(document, paper).items() for document in compose_papers(protocol)]
    return write_together(Path(folder), {name: content for files in made for name, content in files})


def results_json(results: StudyResults | GroupResults) -> str:
    """Every number as JSON text with stable order, its claims as page 1 tells them, each caution's text once.

    Numbers are rounded to ten significant digits and what is below 1e-12 to nought, so that processors that
    differ in the last bit give the same text.
    """
    return _json({**gather(results.to_dict()), "claims": claims_listed(results.claims, results.protocol)})


def planning_json(results: PlanningResults) -> str:
    """Every number of a plan as JSON text, its claims as page 1 and the terminal tell them."""
    return _json({**gather(to_dict(results)), "claims": planned_claims(results)})


def _json(data: Mapping[str, Any]) -> str:
    return json.dumps(_rounded(data), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _rounded(value: Any) -> Any:
    """Plain JSON types with numbers to ten significant digits."""
    if isinstance(value, float):
        return 0.0 if abs(value) < NOISE else float(f"{value:.{DIGITS}g}")
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_rounded(item) for item in value]
    return value
