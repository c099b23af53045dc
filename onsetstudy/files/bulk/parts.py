"""Records in parts: folders of Parquet or CSV files, each with whole cases, for data larger than memory."""

from __future__ import annotations

import os
import shutil
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.errors import OnsetStudyError, RecordsError
from onsetstudy.core.parallel import Progress
from onsetstudy.files.guard import problem_in
from onsetstudy.files.output import reach_disk, told_of_disk, write_bytes
from onsetstudy.files.sources.spreadsheet import TABLES, how_to_read, read_csv_table
from onsetstudy.records.checks.headings import normal_heading
from onsetstudy.records.checks.open_tables import fold_open_tables
from onsetstudy.records.model import OpenTables, RawTable

BESIDE = ("injections", "adverse_events")
"""Open tables with rows of cases; of persons screened a file for a group tells nothing."""
SUFFIXES = (".parquet", ".csv")
CHUNK_ROWS = 200_000
PART_BYTES = 8_000_000
"""A part of this size (some twenty thousand cases) is quickly counted, and small in memory."""
MOST_PARTS = 1000
"""Of larger files the parts grow: every chunk that is read is written to all of them."""
PLACE = "source_row"
"""Column of split tables that keeps the row of the source."""
DONE = "split.done"
FOLDED = "by codes without capitals"
"""Said in :data:`DONE`: what was split before by capitals too is split anew."""
HOLDS = (
    "cases.csv and cold_tests.csv, or parts as cases/NAME.parquet and cold_tests/NAME.parquet (or .csv); a workbook, a "
    "wide sheet or the recorder's store is counted with `onsetstudy send`"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part: the files of its two tables with whole cases, and those of the open tables beside them."""

    name: str
    files: Mapping[str, Path]


def find_parts(folder: str | Path) -> tuple[Part, ...]:
    """Parts of a folder with ``cases/`` and ``cold_tests/``, in the order of their names.

    Raises
    ------
    RecordsError
        If a folder is missing or empty, or a file has no partner of the same name; all of them are named.
    """
    folder = Path(folder)
    if not folder.is_dir():
        what = "this is a file, not a folder" if folder.exists() else f"there is no folder {folder}"
        raise RecordsError(problem_in(folder, what, f"give the folder that holds {HOLDS}", "not_there"))
    found = {table: _files_in(folder / table) for table in (*TABLES, *BESIDE)}
    if missing := [table for table in TABLES if not found[table]]:
        mend, state = f"the folder has to hold {HOLDS}", {True: "empty", False: "not there"}
        whats = [f"the folder {table} is {state[(folder / table).is_dir()]}" for table in missing]
        raise RecordsError([problem_in(folder, what, mend, "no_parts") for what in whats])
    _refuse_alone(folder, found)
    return tuple(
        Part(name=Path(n).stem, files={table: files[n] for table, files in found.items() if n in files})
        for n in sorted(found["cases"])
    )


def _files_in(folder: Path) -> dict[str, Path]:
    return {path.name: path for path in sorted(folder.glob("*")) if path.suffix in SUFFIXES}


def _refuse_alone(folder: Path, found: Mapping[str, Mapping[str, Path]]) -> None:
    """Refuse files of one table that have no partner of the same name in another."""
    pairs = (TABLES, TABLES[::-1], *((table, "cases") for table in BESIDE))
    mend = "every part holds whole cases: all tables, one name"
    if problems := [
        problem_in(folder, f"{table}/{name} has no partner {other}/{name}", mend, "alone")
        for table, other in pairs
        for name in sorted(found[table].keys() - found[other].keys())
    ]:
        raise RecordsError(problems)


def read_part(part: Part) -> tuple[RawTable, RawTable, OpenTables]:
    """Both tables of a part as text, open ones folded in, as a report reads them.

    Raises
    ------
    RecordsError
        If a file cannot be read, or open tables contradict each other.
    OnsetStudyError
        If Parquet cannot be read here.
    """
    tables = {table: _table(path) for table, path in part.files.items()}
    return fold_open_tables(tables.pop("cases"), tables.pop("cold_tests"), tables)


def _table(path: Path) -> RawTable:
    if path.suffix == ".csv":
        raw = read_csv_table(path)
        if PLACE not in raw.frame.columns:
            return raw
        rows = raw.frame[PLACE].astype(int)
        return RawTable(frame=raw.frame.drop(columns=PLACE), source_row=rows, file=path.parent.name + ".csv")
    try:
        frame = pd.read_parquet(path)
    except ImportError:
        raise OnsetStudyError("Parquet needs the extra onsetstudy[cluster]; install it with pip") from None
    except (OSError, ValueError) as error:
        what = f"this Parquet file cannot be read ({str(error).splitlines()[0]})"
        raise RecordsError(problem_in(path, what, "copy it again; it may have been cut short", "parquet")) from None
    text = pd.DataFrame({str(name): _as_text(frame[name]) for name in frame.columns})
    rows = pd.Series(np.arange(len(text)) + 1)
    return RawTable(frame=text, source_row=rows, file=f"{path.parent.name}/{path.name}")


def _as_text(values: pd.Series[Any]) -> pd.Series[Any]:
    """Values as a person writes them: 9, not 9.0; days without a time; what is missing stays missing."""
    if pd.api.types.is_numeric_dtype(values):
        codes, uniques = pd.factorize(values)
        shown = np.array([*map(_shown, np.asarray(uniques)), None], dtype=object)
        return pd.Series(shown[codes])
    days = pd.api.types.is_datetime64_any_dtype(values)
    told = (values.dt.strftime("%Y-%m-%d") if days else values).astype(object)
    told[values.isna()] = None
    return told


def _shown(value: float) -> str:
    # The text of a numpy number has the digits of its own precision: 0.18 of four bytes too.
    return str(int(value)) if float(value).is_integer() else str(value)


def in_parts(folder: Path, into: Path, *, progress: Progress | None = None) -> Path:
    """The folder of the parts: two CSV files, with the open tables beside them, are split first."""
    if (folder / "cases.csv").is_file():
        beside = {table: path for table in BESIDE if (path := folder / f"{table}.csv").is_file()}
        return split_tables(folder / "cases.csv", folder / "cold_tests.csv", into, beside=beside, progress=progress)
    return folder


def split_tables(
    cases: str | Path,
    cold_tests: str | Path,
    into: str | Path,
    *,
    beside: Mapping[str, str | Path] | None = None,
    parts: int | None = None,
    progress: Progress | None = None,
) -> Path:
    """CSV files, however large, as CSV parts with whole cases; returns their folder.

    Parameters
    ----------
    cases, cold_tests : path
    beside : mapping of str to path, optional
        Open tables of :data:`BESIDE`.
    into : path
        Folder of the parts; what a split that was interrupted has left there is written anew.
    parts : int or None
        A case goes to the part of the CRC-32 of its code without capitals, so all tables agree. By default one part
        for every :data:`PART_BYTES` of all the files, or as many as the same files were split into before.
    progress : callable or None

    Raises
    ------
    RecordsError
        If a file is not there or cannot be read as a table, or has no column ``case_id``.
    OnsetStudyError
        If the parts cannot be written; nothing of them is left then.
    """
    folder = Path(into)
    done = folder / DONE
    sources = {"cases": Path(cases), "cold_tests": Path(cold_tests)}
    sources |= {table: Path(path) for table, path in (beside or {}).items()}
    if missing := [source for source in sources.values() if not source.exists()]:
        mend = "check the name and the folder"
        raise RecordsError(problem_in(missing[0], "there is no such file", mend, "not_there"))
    files = [(source.name, source.stat()) for source in sources.values()]
    # A mended value may leave the size as it was: the time of saving tells.
    stamp = "\n".join([FOLDED, *(f"{name} {file.st_size} {file.st_mtime_ns}" for name, file in files)])
    before, _, held = done.read_text(encoding="utf-8").partition("\n") if done.exists() else ("", "", "")
    if held == stamp and before == str(before if parts is None else parts):
        return folder
    if parts is None:
        parts = min(max(sum(file.st_size for _, file in files) // PART_BYTES, 1), MOST_PARTS)
    places = [folder / table for table in (*TABLES, *BESIDE)]
    mend = "Make room, or choose another folder, and give the same command again"
    with told_of_disk(f"the parts in {folder} cannot be made", mend):
        try:
            done.unlink(missing_ok=True)
            for old in (path for place in places for path in place.glob("*.csv")):
                old.unlink()
            for table, source in sources.items():
                inside = folder / table
                inside.mkdir(parents=True, exist_ok=True)
                paths = [inside / f"part-{number:04d}.csv" for number in range(parts)]
                _split(source, paths, progress)
                for path in paths:
                    with path.open("rb+") as file:
                        os.fsync(file.fileno())
                reach_disk(inside)
            # Only once all parts have reached the disk.
            write_bytes(done, f"{parts}\n{stamp}".encode())
        except (OSError, OnsetStudyError):
            # What cannot be written to its end makes room again.
            for place in places:
                shutil.rmtree(place, ignore_errors=True)
            raise
    return folder


def _split(source: Path, paths: Sequence[Path], progress: Progress | None) -> None:
    """Put the rows of a file into their parts; a part without a row of this table has its headings alone."""
    code, last_row = None, 0
    for chunk in pd.read_csv(source, chunksize=CHUNK_ROWS, **how_to_read(source)):
        placed = chunk.copy()
        placed.insert(0, PLACE, np.arange(last_row, last_row + len(chunk)) + 1)
        last_row += len(chunk)
        if code is None:
            headings = chunk.iloc[0].fillna("").tolist()
            code = _code_column(headings, source)
            for path in paths:
                pd.DataFrame(columns=[PLACE, *headings]).to_csv(path, index=False, lineterminator="\n")
            placed = placed.iloc[1:]
        part = placed[code].fillna("").str.strip().map(lambda text: zlib.crc32(text.casefold().encode()) % len(paths))
        for number, own in placed.groupby(part, sort=True):
            own.to_csv(paths[int(number)], mode="a", header=False, index=False, lineterminator="\n")
        if progress is not None:
            progress(last_row, last_row, f"splitting {source.name}")


def _code_column(headings: Sequence[str], source: Path) -> int:
    """Place of the codes of cases among the headings of a file."""
    known = [normal_heading(heading) for heading in headings]
    if "case_id" not in known:
        mend = "add it: code of the case, the same in both tables"
        raise RecordsError(problem_in(source, "the column case_id is missing", mend, "missing_column"))
    return known.index("case_id")
