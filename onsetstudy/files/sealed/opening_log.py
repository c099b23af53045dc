"""Sealed files and their opening logs as they are read from disk, and what proves an opened slip."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pandas as pd

from onsetstudy.core.errors import DesignError, Problem, RecordsError, Where
from onsetstudy.design.allocation.seal import chain_step
from onsetstudy.files.guard import Unreadable, parse_json, read_text
from onsetstudy.files.sealed.sealed_check import sealed_faults
from onsetstudy.records.derived.allocation import LOG_COLUMNS, OLD_LOG_COLUMNS

__all__ = [
    "MOST_SIGNS",
    "MOST_TOLD",
    "NONCE_COLUMNS",
    "empty_log",
    "log_path",
    "nonces_path",
    "read_nonces",
    "read_opening_log",
    "read_plain_table",
    "read_sealed",
]


MOST_TOLD = 20


MOST_SIGNS = 50_000_000


NONCE_COLUMNS = ("slip", "nonce", "sides")
"""What proves an opened slip against its published commitment."""


def log_path(sealed: Path) -> Path:
    """Where openings of a sealed file are logged: beside it."""
    sealed = Path(sealed)
    return sealed.with_name(sealed.stem.replace("sealed", "opened") + ".csv")


def read_sealed(path: Path) -> dict[str, Any]:
    """Content of a sealed file.

    Raises
    ------
    DesignError
        If it is none.
    """
    mend = "Give the file sealed-….json of your practice; if it is that file, ask its maker for it anew"
    try:
        content = parse_json(path, read_text(path))
    except Unreadable as error:
        what = f"this is not a sealed file of allocation slips: {error.problem.what}"
        raise DesignError(Problem(what=what, where=Where(file=path.name), mend=mend, code="sealed")) from None
    if faults := sealed_faults(content):
        told = [f"this is not a sealed file of allocation slips: {fault}" for fault in faults[:MOST_TOLD]]
        if len(faults) > MOST_TOLD:
            told.append(f"there are {len(faults) - MOST_TOLD} more such places")
        raise DesignError([Problem(what=t, where=Where(file=path.name), mend=mend, code="sealed") for t in told])
    return dict(content)


def nonces_path(log: Path) -> Path:
    """Where the nonces of slips that were opened are kept: beside their log."""
    return Path(log).with_name(Path(log).name.replace("opened", "nonces"))


def read_nonces(log: Path) -> dict[str, tuple[str, str]]:
    """Nonce and sides of every slip of a log whose slips had passphrases."""
    path = nonces_path(log)
    if not path.exists():
        return {}
    frame = read_plain_table(path, NONCE_COLUMNS, "a list of nonces of opened slips")
    return {row["slip"]: (row["nonce"], row["sides"]) for row in frame.astype(str).to_dict("records")}


def empty_log() -> pd.DataFrame:
    """A log before its first line."""
    return pd.DataFrame({name: pd.Series(dtype=object) for name in LOG_COLUMNS})


def read_opening_log(path: Path) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The log, and the slips of lines whose chain does not hold.

    A line of an earlier log, which kept the number of the slip alone, has empty ``arms``.

    Raises
    ------
    RecordsError
        If this is not an opening log.
    """
    frame = read_plain_table(Path(path), LOG_COLUMNS, "an opening log", earlier=OLD_LOG_COLUMNS)
    sealed = Path(path).with_name(Path(path).stem.replace("opened", "sealed") + ".json")
    link = read_sealed(sealed)["protocol"] if sealed.exists() else None
    broken = []
    for row in frame.to_dict("records"):
        # A line without arms was written when logs kept none: its link does not hold them either.
        plain = {name: str(row[name]) for name in LOG_COLUMNS[:-1] if name != "arms" or row[name]}
        if link is not None and chain_step(link, plain) != row["chain"]:
            broken.append(str(row["slip"]))
        link = str(row["chain"])
    return frame, tuple(broken)


def read_plain_table(
    path: Path, columns: tuple[str, ...], what: str, *, earlier: tuple[str, ...] | None = None
) -> pd.DataFrame:
    """A CSV file with exactly these columns (or those of an ``earlier`` form, the others then empty), as text.

    Raises
    ------
    RecordsError
        If it is not one.
    """

    def refuse(text: str, mend: str) -> RecordsError:
        return RecordsError(Problem(what=text, where=Where(file=path.name), mend=mend, code="file"))

    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise refuse(f"the file cannot be read ({error.strerror})", "check the name and the folder") from None
    except UnicodeDecodeError:
        raise refuse("the file is not text in UTF-8", "restore it as it was written") from None
    if len(text) > MOST_SIGNS or "\0" in text:
        raise refuse("no file of this kind is so large or holds such signs", "restore it as it was written")
    try:
        rows = list(csv.reader(io.StringIO(text), strict=True))
    except csv.Error as error:
        raise refuse(
            f"this is not {what}: a line of it cannot be read ({error})", "restore it as it was written"
        ) from None
    found = tuple(rows[0]) if rows else ()
    if found not in (columns, earlier) or not found:
        raise refuse(f"this is not {what}", f"its first line must read {','.join(columns)}")
    uneven = [k for k, row in enumerate(rows) if row and len(row) != len(found)]
    if uneven:
        raise refuse(f"row {uneven[0] + 1} has {len(rows[uneven[0]])} entries", f"{len(found)} are needed")
    frame = pd.DataFrame([row for row in rows[1:] if row], columns=list(found), dtype=object)
    return frame.reindex(columns=list(columns), fill_value="")
