"""Results read back from the JSON file of a report."""

from __future__ import annotations

from pathlib import Path

from onsetstudy.core.errors import ReportError
from onsetstudy.core.serialise import Serialisable
from onsetstudy.core.type_check import mismatches
from onsetstudy.files.guard import Unreadable, problem_in, read_json, understood
from onsetstudy.study.group.results import GroupResults
from onsetstudy.study.practice.results import StudyResults

__all__ = ["read_results"]


def read_results(path: str | Path) -> StudyResults | GroupResults:
    """Results from the JSON file of a report, every part of the type that it declares.

    Raises
    ------
    ReportError
        If it is no such file, or was edited into one that cannot be.
    """
    path = Path(path)
    what: tuple[str, ...] = ("this is not the JSON file of a report",)
    try:
        found = understood(read_json(path), Serialisable)
        if isinstance(found, StudyResults | GroupResults):
            what = mismatches(found)
            if not what:
                return found
    except Unreadable as error:
        what = (error.problem.what,)
    raise ReportError([problem_in(path, fault, "make the report again from its records", "results") for fault in what])
