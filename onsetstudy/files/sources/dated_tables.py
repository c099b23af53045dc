"""Dated tables that come with the package and can be replaced: dose limits and published results."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import RecordsError
from onsetstudy.doses.limits import LimitsTable, check_limits
from onsetstudy.files.guard import parse_toml, problem_in, read_text
from onsetstudy.outcomes.published import check_published
from onsetstudy.outcomes.published_results import PublishedTable

SHIPPED = Path(__file__).resolve().parents[2]


def read_dose_limits(path: str | Path | None = None) -> LimitsTable:
    """Table of dose limits: the package's own, or the one in a file.

    Raises
    ------
    RecordsError
        If the file is not there, is not TOML, or holds what cannot be a limit; with all problems.
    """
    source = SHIPPED / "doses" / "tables" / "dose_limits.toml" if path is None else Path(path)
    return check_limits(_content(source), file=source.name)


def read_published_ranges(path: str | Path | None = None) -> PublishedTable:
    """Published results: the package's own table, or the one in a file.

    Raises
    ------
    RecordsError
        If the file is not there, is not TOML, or holds what cannot be a published result; with all problems.
    """
    source = SHIPPED / "outcomes" / "tables" / "published_ranges.toml" if path is None else Path(path)
    return check_published(_content(source), file=source.name)


def _content(source: Path) -> dict[str, Any]:
    try:
        return parse_toml(source, read_text(source))
    except tomllib.TOMLDecodeError as error:
        what, mend = f"this is not valid TOML: {error}", "compare with the table that comes with the package"
        raise RecordsError(problem_in(source, what, mend, "file")) from None
