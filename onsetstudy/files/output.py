"""How files are written: whole or not at all, several of them together, and by one writer at a time.

Files that belong together reach their folder all at once or not at all: the documents of a report, a drawn list. They
are made in a hidden folder inside the folder asked for. Once all of them are on the disk, that folder gets another
name, which says in one step that they are whole; then each takes its place. What was killed before that step is thrown
away an hour later by whoever writes there, what was killed after it is brought to its end.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from onsetstudy.core.errors import OnsetStudyError

UNFINISHED = ".unfinished-"
"""Beginning of the name of a folder in which files wait until all of them are written."""
PART = ".part"
"""End of the hidden name of a file that is being written."""

FORMULA = r"[=+\-@\t\r](?![\d.,]+$)"
"""What a spreadsheet would calculate instead of show; a signed number is none."""
WHOLE = ".whole-"
LEFT_S = 3600.0
"""Age from which what is unfinished was left by somebody who was killed, and is not being written."""
WAIT_S = 20.0
STEP_S = 0.02


def write_bytes(path: Path, content: bytes, *, private: bool = False) -> Path:
    """Write a file whole or not at all; folders are made as needed.

    The content goes to a new file of its own name in the same folder, reaches the disk, and only then takes the name
    asked for, so that neither a kill nor a power cut leaves half a file, and no link laid there is followed.

    Parameters
    ----------
    path : Path
    content : bytes
    private : bool
        Readable by its owner alone (mode 0600, where the system has modes).

    Raises
    ------
    OnsetStudyError
        If the folder cannot be written to or the disk is full; what stood there before stays.
    """
    partial: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        number, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-", suffix=PART)
        partial = Path(name)
        with os.fdopen(number, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if not private:
            partial.chmod(0o666 & ~_umask())
        os.replace(partial, path)
        reach_disk(path.parent)
    except OSError as error:
        if partial is not None:
            partial.unlink(missing_ok=True)
        shown = path.parent.parent / path.name if path.parent.name.startswith(UNFINISHED) else path
        raise OnsetStudyError(f"{shown} cannot be written ({error.strerror}). Choose another folder.") from None
    return path


def write_json(path: Path, content: object, *, indent: int = 1, private: bool = False) -> Path:
    """Write a file of JSON with sorted keys, as :func:`write_bytes` does."""
    return write_bytes(path, json_bytes(content, indent=indent), private=private)


def json_bytes(content: object, *, indent: int = 1) -> bytes:
    """A file of JSON as it is written: with sorted keys."""
    return (json.dumps(content, indent=indent, sort_keys=True) + "\n").encode()


def write_csv(path: Path, table: pd.DataFrame, *, private: bool = False) -> Path:
    """Write a table as CSV, as :func:`write_bytes` does."""
    return write_bytes(path, table.to_csv(index=False, lineterminator="\n").encode("utf-8"), private=private)


def private_folder(folder: Path) -> Path:
    """A folder that its owner alone may look into (mode 0700, where the system has modes); one that is there stays.

    Raises
    ------
    OnsetStudyError
        If it cannot be made.
    """
    with told_of_disk(f"the folder {folder} cannot be made", "Choose another folder."):
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700, exist_ok=True)
    return folder


@contextmanager
def told_of_disk(what: str, mend: str = "") -> Iterator[None]:
    """What the system refuses inside the block, as a sentence: what cannot be done, its reason, and what to do.

    Raises
    ------
    OnsetStudyError
    """
    try:
        yield
    except OSError as error:
        told = f"{what} ({error.strerror})"
        raise OnsetStudyError(f"{told}. {mend}" if mend else told) from None


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def reach_disk(folder: Path) -> None:
    """The folder's own entry of a new name; systems that cannot open a folder do this by themselves."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    number = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def rejects_path(records: Sequence[Path]) -> Path:
    """Where rejected rows are kept: beside the records, never beside a report or a file that is sent away."""
    first = Path(records[0])
    if first.is_dir():
        return first / f"{first.name or 'records'}-rejects.csv"
    return first.with_name(f"{first.stem}-rejects.csv")


def write_escaped(path: Path, table: pd.DataFrame) -> Path:
    """Write what others have entered as CSV that its owner alone may read, formulas escaped."""
    return write_bytes(path, rejects_csv(table).encode("utf-8"), private=True)


def rejects_csv(rejects: pd.DataFrame) -> str:
    """Rejected rows as CSV; cells that a spreadsheet would take for a formula get an apostrophe in front."""
    text = rejects.astype("string")
    formula = text.apply(lambda column: column.str.match(FORMULA).fillna(False).astype(bool))
    return ("'" + text).where(formula, text).to_csv(index=False, lineterminator="\n")


# Together -------------------------------------------------------------------------------------------------------------


def write_together(folder: Path, files: Mapping[str, bytes], *, private: Collection[str] = ()) -> list[Path]:
    """Write files into one folder, all or none; returns their paths. Those in ``private`` are for their owner alone.

    Raises
    ------
    OnsetStudyError
        If one of them cannot be written; what stood there before stays, all of it.
    """
    with together(folder) as fresh:
        for name, content in files.items():
            write_bytes(fresh / name, content, private=name in private)
    return [folder / name for name in files]


@contextmanager
def together(folder: Path) -> Iterator[Path]:
    """A folder for files that take their places in ``folder`` when the block ends without an error.

    Raises
    ------
    OnsetStudyError
        If the folder cannot be written to, or the disk is full; what stood there before stays.
    """
    with told_of_disk(f"the folder {folder} cannot be written to", "Choose another folder."):
        folder.mkdir(parents=True, exist_ok=True)
        finish_together(folder)
        throw_away(folder)
        fresh = Path(tempfile.mkdtemp(dir=folder, prefix=UNFINISHED))
    try:
        with told_of_disk(f"the files of {folder} cannot be written", "Make room, and give the same command again"):
            yield fresh
            reach_disk(fresh)
            # From this name on they are whole.
            whole = fresh.with_name(fresh.name.replace(UNFINISHED, WHOLE, 1))
            os.rename(fresh, whole)
            reach_disk(folder)
            _finish(folder, whole)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def finish_together(folder: Path) -> None:
    """Bring to its end what was killed between the files' being whole and their taking their places."""
    for left in sorted(folder.glob(f"{WHOLE}*")):
        # No link that somebody laid there is followed.
        if left.is_dir() and not left.is_symlink():
            _finish(folder, left)


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


# One at a time --------------------------------------------------------------------------------------------------------


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """Hold the lock of a file; the lock's own file, ``.name.lock``, stays behind empty and means nothing by itself.

    Parameters
    ----------
    path : Path
        The file that is to be written.

    Raises
    ------
    OnsetStudyError
        If somebody else goes on holding it for :data:`WAIT_S` seconds, or the folder cannot be written to.
    """
    lock = path.with_name(f".{path.name}.lock")
    with told_of_disk(f"{lock.parent} cannot be written to"):
        lock.parent.mkdir(parents=True, exist_ok=True)
        number = os.open(lock, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
    try:
        until = time.monotonic() + WAIT_S
        while not _taken(number):
            if time.monotonic() > until:
                raise OnsetStudyError(f"{path.name} is being written by another program. Try again in a minute")
            time.sleep(STEP_S)
        yield
    finally:
        os.close(number)


def _taken(number: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
