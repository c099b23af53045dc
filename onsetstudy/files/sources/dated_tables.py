"""Dated tables that come with the package and can be replaced: dose limits and published results."""

from __future__ import annotations

import importlib.resources
import tomllib
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import RecordsError
from onsetstudy.doses.limits import LimitsTable, check_limits
from onsetstudy.files.guard import Unreadable, parse_toml, problem_in, read_text
from onsetstudy.outcomes.published import check_published
from onsetstudy.outcomes.published_results import PublishedTable

__all__ = ["read_dose_limits", "read_published_ranges"]


def read_dose_limits(path: str | Path | None = None) -> LimitsTable:
    """Table of dose limits: the package's own, or the one in a file.

    Raises
    ------
    RecordsError
        If the file is not there, is not TOML, or holds what cannot be a limit; with all problems.
    """
    source = _shipped("onsetstudy.doses", "dose_limits.toml") if path is None else Path(path)
    return check_limits(_content(source), file=source.name)


def read_published_ranges(path: str | Path | None = None) -> PublishedTable:
    """Published results: the package's own table, or the one in a file.

    Raises
    ------
    RecordsError
        If the file is not there, is not TOML, or holds what cannot be a published result; with all problems.
    """
    source = _shipped("onsetstudy.outcomes", "published_ranges.toml") if path is None else Path(path)
    return check_published(_content(source), file=source.name)


def _shipped(package: str, name: str) -> Traversable:
    return importlib.resources.files(package).joinpath("tables", name)


def _content(source: Traversable | Path) -> dict[str, Any]:
    def refuse(what: str, mend: str) -> RecordsError:
        return RecordsError(problem_in(source, what, mend, "file"))

    if not source.is_file():
        raise refuse(f"there is no file {source}", "check the name and the folder")
    try:
        if isinstance(source, Path):
            return parse_toml(source, read_text(source))
        return tomllib.loads(source.read_text(encoding="utf-8"))
    except Unreadable as error:
        raise RecordsError(error.problem) from None
    except tomllib.TOMLDecodeError as error:
        raise refuse(f"this is not valid TOML: {error}", "compare with the table that comes with the package") from None
