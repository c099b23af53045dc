"""Arguments and options that several doors share, and how problems are told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from onsetstudy.core.errors import Problem

if TYPE_CHECKING:
    from onsetstudy.records.model import Records

__all__ = ["gathered", "protocol_argument", "records_arguments", "say_problems", "say_records"]

F = TypeVar("F", bound=Callable[..., Any])
SHOWN = 50
ROWS_NAMED = 5


def protocol_argument(function: F) -> F:
    """The protocol file of the study."""
    return click.argument("protocol", type=click.Path(path_type=Path))(function)


def records_arguments(function: F) -> F:
    """Where the records are, and how strictly they are taken."""
    function = click.option(
        "--rejects",
        type=click.Path(path_type=Path, dir_okay=False),
        help="File for the rows that were refused, with the reasons  [default: beside the records or the report]",
    )(function)
    function = click.option(
        "--drop-unknown",
        is_flag=True,
        help="Leave columns that the dictionary does not know unread instead of refusing the file.",
    )(function)
    function = click.option("--strict", is_flag=True, help="Refuse everything if a single row is refused.")(function)
    return click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path))(function)


def gathered(problems: Sequence[Problem]) -> list[str]:
    """One line for all problems of one kind in one column, with their rows: a habit is one mistake, not hundreds."""
    kinds: dict[tuple[object, ...], list[Problem]] = {}
    for problem in problems:
        place = problem.where
        kind = (place.file, place.sheet, place.column, place.key, problem.code, problem.mend)
        alone = (problem.what, place.row) if place.row is None or not problem.code else ()
        kinds.setdefault((*kind, *alone), []).append(problem)
    return [line for alike in kinds.values() for line in _told(alike)]


def _told(alike: Sequence[Problem]) -> list[str]:
    if len(alike) < 3:
        return [str(problem) for problem in alike]
    first = alike[0]
    rows = [problem.where.row for problem in alike]
    named = [str(row) for row in rows[:ROWS_NAMED]]
    left = len(rows) - len(named)
    text = f"{', '.join(named)} and {left} more" if left else f"{', '.join(named[:-1])} and {named[-1]}"
    other = len({problem.what for problem in alike}) > 1
    what = f"{first.what} (row {first.where.row}; the others alike)" if other else first.what
    told = str(replace(first, what=what))
    return [told.replace(f"row {first.where.row}", f"rows {text}", 1)]


def say_problems(
    problems: Sequence[Problem], *, shown: int = SHOWN, kept: str = "; all are in the rejects file"
) -> None:
    """One kind of problem a line, on the error stream; a long list is cut and counted."""
    lines = gathered(problems)
    for line in lines[:shown]:
        click.echo(line, err=True)
    if len(lines) > shown:
        click.echo(f"… and {len(lines) - shown} more{kept}.", err=True)


def say_records(records: Records, rejects: Path | None) -> None:
    """What was read, refused and unusual."""
    say_problems(records.problems)
    queries = gathered(records.queries)
    for query in queries[:SHOWN]:
        click.echo(f"Please look: {query}", err=True)
    if len(queries) > SHOWN:
        click.echo(f"… and {len(queries) - SHOWN} more to look at.", err=True)
    for repair in records.repairs:
        often = "once" if repair.count == 1 else f"{repair.count} times"
        click.echo(f"Column {repair.column}: {repair.text} ({often}).", err=True)
    refused, tests_refused = records.rows_read - len(records.cases), records.readings_read - len(records.readings)
    click.echo(f"Cases: {records.rows_read} read, {len(records.cases)} accepted, {refused} refused.")
    click.echo(f"Cold tests: {records.readings_read} read, {len(records.readings)} accepted, {tests_refused} refused.")
    if rejects is not None:
        click.echo(f"Refused rows, with reasons: {rejects}")
