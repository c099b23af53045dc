"""Files that belong together reach their folder all at once or not at all: the documents of a report, a drawn list.

They are made in a hidden folder inside the folder asked for. Once all of them are on the disk, that folder gets
another name, which says in one step that they are whole; then each takes its place. What was killed before that step
is thrown away an hour later by whoever writes there, what was killed after it is brought to its end.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.output import PART, UNFINISHED, reach_disk, write_bytes

__all__ = ["finish_together", "throw_away", "together", "write_together"]

WHOLE = ".whole-"
LEFT_S = 3600.0
"""Age from which what is unfinished was left by somebody who was killed, and is not being written."""


def write_together(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files into one folder, all or none; returns their paths.

    Raises
    ------
    OnsetStudyError
        If one of them cannot be written; what stood there before stays, all of it.
    """
    with together(folder) as fresh:
        for name, content in files.items():
            write_bytes(fresh / name, content)
    return [Path(folder) / name for name in files]


@contextmanager
def together(folder: Path) -> Iterator[Path]:
    """A folder for files that take their places in ``folder`` when the block ends without an error.

    Raises
    ------
    OnsetStudyError
        If the folder cannot be written to, or the disk is full; what stood there before stays.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        finish_together(folder)
        throw_away(folder)
        fresh = Path(tempfile.mkdtemp(dir=folder, prefix=UNFINISHED))
    except OSError as error:
        raise OnsetStudyError(
            f"the folder {folder} cannot be written to ({error.strerror}). Choose another folder."
        ) from None
    try:
        yield fresh
        _finish(folder, _declare_whole(fresh))
    except OSError as error:
        raise OnsetStudyError(
            f"the files of {folder} cannot be written ({error.strerror}). Make room, and give the same command again"
        ) from None
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def finish_together(folder: Path) -> None:
    """Bring to its end what was killed between the files' being whole and their taking their places."""
    for left in sorted(Path(folder).glob(f"{WHOLE}*")):
        # No link that somebody laid there is followed.
        if left.is_dir() and not left.is_symlink():
            _finish(Path(folder), left)


def _declare_whole(fresh: Path) -> Path:
    reach_disk(fresh)
    whole = fresh.with_name(fresh.name.replace(UNFINISHED, WHOLE, 1))
    os.rename(fresh, whole)
    reach_disk(fresh.parent)
    return whole


def _finish(folder: Path, whole: Path) -> None:
    for file in sorted(whole.iterdir()):
        os.replace(file, folder / file.name)
    reach_disk(folder)
    whole.rmdir()


def throw_away(folder: Path) -> None:
    """Throw away what somebody who was killed an hour ago or more has left unfinished in a folder."""
    for left in (*folder.glob(f"{UNFINISHED}*"), *folder.glob(f".*{PART}")):
        if left.is_symlink() or time.time() - left.stat().st_mtime < LEFT_S:
            continue
        if left.is_dir():
            shutil.rmtree(left, ignore_errors=True)
        else:
            left.unlink(missing_ok=True)
