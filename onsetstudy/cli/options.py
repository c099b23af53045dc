"""Arguments and options that several doors share."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import click

F = TypeVar("F", bound=Callable[..., Any])
A_PATH = click.Path(path_type=Path)
A_FILE = click.Path(path_type=Path, dir_okay=False)
A_FOLDER = click.Path(path_type=Path, file_okay=False)
FORMATS = ("html", "pdf", "json")


def protocol(command: F) -> F:
    """The protocol file of the study."""
    return click.argument("protocol", type=A_PATH)(command)


def into(text: str, default: str = "") -> Callable[[F], F]:
    """The folder that files are written into; required where it has no usual one."""
    usual: dict[str, Any] = {"default": Path(default), "show_default": True} if default else {"required": True}
    return click.option("--into", type=A_FOLDER, help=text, **usual)


def quarter(text: str) -> Callable[[F], F]:
    """A quarter as the protocol writes it: ``2026q3`` is 2026Q3."""
    return click.option("--quarter", callback=lambda _, __, told: told and told.strip().upper(), help=text)


def paper(command: F) -> F:
    """The paper of what is printed."""
    sizes = click.Choice(["a4", "letter"])
    return click.option("--paper", type=sizes, default="a4", show_default=True, help="Paper of the PDF.")(command)


def formats(command: F) -> F:
    """The kinds of files that are written; all where none is named."""
    return click.option(
        "--format",
        "formats",
        type=click.Choice(FORMATS),
        multiple=True,
        callback=lambda _, __, chosen: chosen or FORMATS,
        help="What to write; may be given more than once  [default: all three]",
    )(command)


def hands(command: F) -> F:
    """Who shares the work."""
    command = click.option("--cluster", help="Address of a Dask scheduler, such as tcp://10.0.0.5:8786.")(command)
    # The option that comes last here is shown first.
    return click.option(
        "--workers", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes on this computer."
    )(command)


def sending(command: F) -> F:
    """How few cases a group that is told apart may have, and whether counts may go out of which many are missing."""
    command = click.option(
        "--send-incomplete",
        is_flag=True,
        help="Send although more than one in ten of the practice's cases are refused, or of its opened slips have no "
        "record.",
    )(command)
    return click.option(
        "--least-cases", type=click.IntRange(1), default=5, show_default=True, help="Smallest group told apart."
    )(command)


def _levels(_: click.Context, __: click.Parameter, given: tuple[str, ...]) -> dict[str, str]:
    told = dict(level.split("=", 1) for level in given if "=" in level)
    if len(told) < len(given):
        raise click.UsageError("write each --level as technique=ianb")
    return told


def levels(command: F) -> F:
    """Levels of the strata of a case whose slip is opened."""
    told = "Stratum of the case, as technique=ianb; may be given more than once."
    return click.option("--level", "levels", multiple=True, callback=_levels, help=told)(command)


def records(command: F) -> F:
    """Where the records are, and how strictly they are taken: one argument ``records`` of the command."""

    @click.argument("records", nargs=-1, required=True, type=A_PATH)
    @click.option("--strict", is_flag=True, help="Refuse everything if a single row is refused.")
    @click.option(
        "--drop-unknown",
        is_flag=True,
        help="Leave columns that the dictionary does not know unread instead of refusing the file.",
    )
    @click.option(
        "--rejects",
        type=A_FILE,
        help="File for the rows that were refused, with the reasons  [default: beside the records or the report]",
    )
    @functools.wraps(command)
    def gathering(
        records: tuple[Path, ...], strict: bool, drop_unknown: bool, rejects: Path | None, **rest: Any
    ) -> Any:
        from onsetstudy.cli.given import GivenRecords

        given = GivenRecords(paths=records, strict=strict, drop_unknown=drop_unknown, rejects=rejects)
        return command(records=given, **rest)

    return cast("F", gathering)


def arms(command: F) -> F:
    """What tells which arm chance had chosen: one argument ``arms`` of the command."""

    @click.option(
        "--allocation",
        type=A_PATH,
        help="List of slips, or the folder with it or with opening logs: arms are compared as allocated, and the "
        "records held against it.",
    )
    @click.option(
        "--log",
        "logs",
        multiple=True,
        type=A_PATH,
        help="Opening log of the practice (or its folder), written by open-slip beside the sealed file; may be "
        "given more than once  [default: opened-….csv beside the records, or in the folder allocation there]",
    )
    @click.option(
        "--without-list",
        metavar="REASON",
        help="Go on without list and log, arms as injected; page 1 says so, with this reason.",
    )
    @functools.wraps(command)
    def gathering(allocation: Path | None, logs: tuple[Path, ...], without_list: str | None, **rest: Any) -> Any:
        from onsetstudy.cli.given import GivenArms

        return command(arms=GivenArms(allocation=allocation, logs=logs, without_list=without_list), **rest)

    return cast("F", gathering)


class Amount(click.ParamType[float]):
    """A number that may have a decimal comma: ``1,8`` is 1.8; from ``low`` to ``high`` where these are given."""

    name = "number"

    def __init__(self, low: float | None = None, high: float | None = None) -> None:
        self.low, self.high = low, high

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number."""
        try:
            number = float(str(value).strip().replace(",", ".", 1))
        except ValueError:
            self.fail(f"{value!r} is not a number; write it as 1.8", param, ctx)
        low, high = self.low, self.high
        if low is not None and not (number >= low and (high is None or number <= high)):
            admitted = f"{low:g} or more" if high is None else f"from {low:g} to {high:g}"
            self.fail(f"{number:g} is not {admitted}", param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not an amount", param, ctx)
        return number
