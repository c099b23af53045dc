"""Files that hold what other rooms have made."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.records.model import Records

__all__ = ["rejects_path", "write_bytes", "write_rejects"]


def write_bytes(path: Path, content: bytes) -> Path:
    """Write a file whole or not at all; folders are made as needed."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        partial = path.with_name(path.name + ".part")
        partial.write_bytes(content)
        os.replace(partial, path)
    except OSError as error:
        raise OnsetStudyError(f"{path} cannot be written ({error.strerror}). Choose another folder.") from None
    return path


def rejects_path(records: Sequence[Path], *, into: Path | None = None) -> Path:
    """Where refused rows are kept: in the folder of the report, or beside the records."""
    first = Path(records[0])
    folder = into if into is not None else (first if first.is_dir() else first.parent)
    name = first.name if first.is_dir() else first.stem
    return folder / f"{name or 'records'}-rejects.csv"


def write_rejects(records: Records, path: Path) -> Path:
    """Refused rows as they were written, with their reasons, as CSV."""
    return write_bytes(Path(path), records.rejects.to_csv(index=False, lineterminator="\n").encode("utf-8"))
