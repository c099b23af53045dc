"""Results read back from the JSON file of a report."""

from __future__ import annotations

from pathlib import Path

from onsetstudy.core.errors import OnsetStudyError, Problem, ReportError, Where
from onsetstudy.core.serialise import from_dict
from onsetstudy.core.type_check import mismatches
from onsetstudy.files.guard import Unreadable, parse_json, read_text
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
        found = from_dict(parse_json(path, read_text(path)))
        if isinstance(found, StudyResults | GroupResults):
            what = mismatches(found)
            if not what:
                return found
    except Unreadable as error:
        what = (error.problem.what,)
    except (OnsetStudyError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        pass
    mend = "make the report again from its records"
    raise ReportError([Problem(what=w, where=Where(file=path.name), mend=mend, code="results") for w in what])
