"""Arguments and options that several doors share, and how problems are told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from onsetstudy.core.errors import Problem

if TYPE_CHECKING:
    from onsetstudy.records.model import Records

__all__ = ["protocol_argument", "records_arguments", "say_problems", "say_records"]

F = TypeVar("F", bound=Callable[..., Any])
SHOWN = 50


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


def say_problems(problems: Sequence[Problem], *, shown: int = SHOWN) -> None:
    """One problem a line, on the error stream; a long list is cut and counted."""
    for problem in problems[:shown]:
        click.echo(str(problem), err=True)
    if len(problems) > shown:
        click.echo(f"… and {len(problems) - shown} more; all are in the rejects file.", err=True)


def say_records(records: Records, rejects: Path | None) -> None:
    """What was read, refused and unusual."""
    say_problems(records.problems)
    for query in records.queries[:SHOWN]:
        click.echo(f"Please look: {query}", err=True)
    if len(records.queries) > SHOWN:
        click.echo(f"… and {len(records.queries) - SHOWN} more to look at.", err=True)
    for repair in records.repairs:
        click.echo(f"Column {repair.column}: {repair.text} ({repair.count} times).", err=True)
    refused, tests_refused = records.rows_read - len(records.cases), records.readings_read - len(records.readings)
    click.echo(f"Cases: {records.rows_read} read, {len(records.cases)} accepted, {refused} refused.")
    click.echo(f"Cold tests: {records.readings_read} read, {len(records.readings)} accepted, {tests_refused} refused.")
    if rejects is not None:
        click.echo(f"Refused rows, with reasons: {rejects}")
