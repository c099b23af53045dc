"""Results read back from the JSON file of a report."""

from __future__ import annotations

from pathlib import Path

from onsetstudy.core.errors import ReportError
from onsetstudy.core.serialise import Serialisable
from onsetstudy.core.type_check import mismatches
from onsetstudy.files.guard import problem_in, read_json, understood
from onsetstudy.study.group.results import GroupResults
from onsetstudy.study.practice.results import StudyResults


def read_results(path: str | Path) -> StudyResults | GroupResults:
    """Results from the JSON file of a report, every part of the type that it declares.

    Raises
    ------
    ReportError
        If it is no such file, or was edited into one that cannot be.
    """

    def refused(*faults: str) -> ReportError:
        mend = "make the report again from its records"
        return ReportError([problem_in(Path(path), fault, mend, "results") for fault in faults])

    found = understood(read_json(path, refuse=refused), Serialisable)
    if not isinstance(found, StudyResults | GroupResults):
        raise refused("this is not the JSON file of a report")
    if faults := mismatches(found):
        raise refused(*faults)
    return found
