"""Numbers of cases by practice on earlier pages of a group, or in files that were sent before."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from onsetstudy.core.errors import OnsetStudyError, ReportError
from onsetstudy.files.documents.archive import ARCHIVE
from onsetstudy.files.exchange import SUFFIX, find_exchanges, read_exchange
from onsetstudy.files.sources.results import read_results
from onsetstudy.study.group.given_away import cases_of_files, cases_of_page
from onsetstudy.study.group.results import GroupResults

__all__ = ["PAGE", "earlier_cases"]

PAGE = "*.coordinator.json"
"""Names of the coordinator's files of a group's pages."""


def earlier_cases(given: Sequence[Path], folder: Path, study: str) -> list[tuple[str, dict[str, int]]]:
    """Name and numbers of cases of each earlier page and of the files sent before.

    Parameters
    ----------
    given : sequence of Path
        Coordinator's files, exchange files, or folders of them.
    folder : Path
        Where pages of the group are written: those that stand there, and in its archive, are earlier ones.
    study : str
        Pages of other studies are passed over.

    Raises
    ------
    OnsetStudyError
        If something that was given cannot be read; what merely lies in the folder is then passed over.
    """
    found: list[tuple[str, dict[str, int]]] = []
    for path in (*sorted(folder.glob(PAGE)), *sorted((folder / ARCHIVE).rglob(PAGE))):
        try:
            found += _page(path, study)
        except ReportError:
            continue
    files = []
    for path in given:
        pages = sorted(path.rglob(PAGE)) if path.is_dir() else [path] if not path.name.endswith(SUFFIX) else []
        for page in pages:
            found += _page(page, study)
        if path.name.endswith(SUFFIX) or (path.is_dir() and not pages):
            files += find_exchanges([path])
    if sent := [e for e in (read_exchange(path) for path in files) if e.study == study]:
        found.append(("the files sent before", cases_of_files(sent)))
    return found


def _page(path: Path, study: str) -> list[tuple[str, dict[str, int]]]:
    results = read_results(path)
    if not isinstance(results, GroupResults):
        raise OnsetStudyError(f"{path.name} is no page of a group; give its coordinator's file or exchange files")
    return [(path.name, cases_of_page(results))] if results.protocol.study.id == study else []
