"""Progress of long work, drawn on the error stream only when a person watches."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from onsetstudy.core.parallel import Progress

__all__ = ["progress_line"]


@contextmanager
def progress_line() -> Iterator[Progress | None]:
    """A progress function for the work inside, or ``None`` when nobody watches."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None)

        def progress(done: int, total: int, label: str) -> None:
            bar.update(task, completed=done, total=total, description=label)

        yield progress
