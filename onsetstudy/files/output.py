"""Files that hold what other rooms have made."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from onsetstudy.core.errors import OnsetStudyError

__all__ = [
    "PART",
    "UNFINISHED",
    "private_folder",
    "reach_disk",
    "rejects_csv",
    "rejects_path",
    "write_bytes",
    "write_csv",
    "write_escaped",
    "write_json",
]

UNFINISHED = ".unfinished-"
"""Beginning of the name of a folder in which files wait until all of them are written."""
PART = ".part"
"""End of the hidden name of a file that is being written."""

FORMULA = r"[=+\-@\t\r](?![\d.,]+$)"
"""What a spreadsheet would calculate instead of show; a signed number is none."""


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
    return write_bytes(path, (json.dumps(content, indent=indent, sort_keys=True) + "\n").encode(), private=private)


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
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700, exist_ok=True)
    except OSError as error:
        raise OnsetStudyError(
            f"the folder {folder} cannot be made ({error.strerror}). Choose another folder."
        ) from None
    return folder


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
    folder = first if first.is_dir() else first.parent
    name = first.name if first.is_dir() else first.stem
    return folder / f"{name or 'records'}-rejects.csv"


def write_escaped(path: Path, table: pd.DataFrame) -> Path:
    """Write what others have entered as CSV that its owner alone may read, formulas escaped."""
    return write_bytes(path, rejects_csv(table).encode("utf-8"), private=True)


def rejects_csv(rejects: pd.DataFrame) -> str:
    """Rejected rows as CSV; cells that a spreadsheet would take for a formula get an apostrophe in front."""
    text = rejects.astype("string")
    formula = text.apply(lambda column: column.str.match(FORMULA).fillna(False).astype(bool))
    return ("'" + text).where(formula, text).to_csv(index=False, lineterminator="\n")
