"""How a door tells what is wrong, what was written, and how far long work is."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import click

from onsetstudy.core.errors import Problem
from onsetstudy.core.parallel import Progress

SHOWN = 50
NAMED = 5


def to_look_at(text: object) -> str:
    """How something to look at begins."""
    return f"Please look: {text}"


def please_look(*texts: object) -> None:
    """Something to look at, each in a line on the error stream."""
    for text in texts:
        click.echo(to_look_at(text), err=True)


def each(texts: Iterable[object], mark: str = "") -> None:
    """Each text in a line, behind a mark."""
    for text in texts:
        click.echo(f"{mark}{text}")


def written(paths: Iterable[Path]) -> None:
    """Each file that was written, in a line."""
    each(paths, "Written: ")


def read(what: str, read: int, accepted: int) -> None:
    """How many rows were read, accepted and refused, in a line."""
    click.echo(f"{what}: {read} read, {accepted} accepted, {read - accepted} refused.")


def first_of(names: Sequence[str]) -> str:
    """The first names of a list, and that there are more."""
    return ", ".join(names[:NAMED]) + (", …" if len(names) > NAMED else "")


def gathered(problems: Sequence[Problem]) -> list[str]:
    """One line for all problems of one kind in one column, with their rows: a habit is one mistake, not hundreds."""
    kinds: dict[tuple[object, ...], list[Problem]] = {}
    for problem in problems:
        place = problem.where
        # What is advised may repeat what was written: "as 9:11:00" and "as 9:12:00" are one piece of advice.
        advice = problem.mend.replace(str(problem.value), "") if problem.value else problem.mend
        kind = (place.file, place.sheet, place.column, place.key, problem.code, advice)
        alone = (problem.what, place.row) if place.row is None or not problem.code else ()
        kinds.setdefault((*kind, *alone), []).append(problem)
    return [line for alike in kinds.values() for line in _told(alike)]


def _told(alike: Sequence[Problem]) -> list[str]:
    first, other = alike[0], len({problem.what for problem in alike}) > 1
    if len(alike) == 1 or (other and len(alike) == 2):
        return [str(problem) for problem in alike]
    rows = [str(problem.where.row) for problem in alike]
    left = len(rows) - NAMED
    text = f"{', '.join(rows[:NAMED])} and {left} more" if left > 0 else f"{', '.join(rows[:-1])} and {rows[-1]}"
    what = f"{first.what} (this in row {first.where.row}; the others alike)" if other else first.what
    return [str(replace(first, what=what)).replace(f"row {first.where.row}", f"rows {text}", 1)]


def lines(told: Sequence[str], more: str) -> None:
    """Lines on the error stream; a long list is cut, and ``more`` follows the number of those that are left."""
    for line in told[:SHOWN]:
        click.echo(line, err=True)
    if len(told) > SHOWN:
        click.echo(f"… and {len(told) - SHOWN} more{more}.", err=True)


def problems(found: Sequence[Problem], *, kept: str = "; all are in the rejects file") -> None:
    """One kind of problem a line, on the error stream; a long list is cut and counted."""
    lines(gathered(found), kept)


@contextmanager
def progress_line() -> Iterator[Progress | None]:
    """A progress function for the work inside, drawn on the error stream; ``None`` when nobody watches."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None)
        yield lambda done, total, label: bar.update(task, completed=done, total=total, description=label)
