"""Records in parts: folders of Parquet or CSV files, each with whole cases, for data larger than memory."""

from __future__ import annotations

import os
import shutil
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.errors import OnsetStudyError, RecordsError
from onsetstudy.core.parallel import Progress
from onsetstudy.files.guard import problem_in
from onsetstudy.files.output import reach_disk, write_bytes, write_csv
from onsetstudy.files.sources.spreadsheet import UNTOUCHED, csv_layout, read_csv_table, read_tables
from onsetstudy.records.checks.headings import normal_heading
from onsetstudy.records.checks.open_tables import fold_open_tables
from onsetstudy.records.model import Companions, RawTable

__all__ = ["BESIDE", "Part", "find_parts", "read_part", "split_tables", "tables_as_part"]

TABLES = ("cases", "cold_tests")
BESIDE = ("injections", "adverse_events")
"""Open tables with rows of cases; of persons screened a file for a group tells nothing."""
SUFFIXES = (".parquet", ".csv")
CHUNK_ROWS = 200_000
PLACE = "source_row"
"""Column of split tables that keeps the row of the source."""
DONE = "split.done"
HOLDS = "cases.csv and cold_tests.csv, or parts as cases/NAME.parquet and cold_tests/NAME.parquet (or .csv)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part: two files with whole cases, and those of the open tables beside them."""

    name: str
    cases: Path
    cold_tests: Path
    beside: tuple[tuple[str, Path], ...] = ()

    @property
    def files(self) -> tuple[Path, ...]:
        """All files of the part."""
        return (self.cases, self.cold_tests, *(path for _, path in self.beside))


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
    problems = []
    for table in TABLES:
        if not found[table]:
            what = f"the folder {table} is {'empty' if (folder / table).is_dir() else 'not there'}"
            problems.append(problem_in(folder, what, f"the folder has to hold {HOLDS}", "no_parts"))
    if problems:
        raise RecordsError(problems)
    _refuse_alone(folder, found, (TABLES, TABLES[::-1]), "both")
    _refuse_alone(folder, found, [(table, "cases") for table in BESIDE], "all")
    return tuple(
        Part(
            name=Path(n).stem,
            cases=found["cases"][n],
            cold_tests=found["cold_tests"][n],
            beside=tuple((table, found[table][n]) for table in BESIDE if n in found[table]),
        )
        for n in sorted(found["cases"])
    )


def _files_in(folder: Path) -> dict[str, Path]:
    return {path.name: path for path in sorted(folder.glob("*")) if path.suffix in SUFFIXES}


def _refuse_alone(
    folder: Path, found: Mapping[str, Mapping[str, Path]], pairs: Iterable[tuple[str, ...]], which: str
) -> None:
    """Refuse files of one table that have no partner of the same name in another."""
    mend = f"every part holds whole cases: {which} tables, one name"
    if problems := [
        problem_in(folder, f"{table}/{name} has no partner {other}/{name}", mend, "alone")
        for table, other in pairs
        for name in sorted(found[table].keys() - found[other].keys())
    ]:
        raise RecordsError(problems)


def read_part(part: Part) -> tuple[RawTable, RawTable, Companions]:
    """Both tables of a part as text, open ones folded in, as a report reads them.

    Raises
    ------
    RecordsError
        If a file cannot be read, or open tables contradict each other.
    OnsetStudyError
        If Parquet cannot be read here.
    """
    beside = {table: _table(path) for table, path in part.beside}
    return fold_open_tables(_table(part.cases), _table(part.cold_tests), beside)


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
        first = str(error).splitlines()[0]
        what = f"this Parquet file cannot be read ({first})"
        raise RecordsError(problem_in(path, what, "copy it again; it may have been cut short", "parquet")) from None
    text = pd.DataFrame({str(name): _as_text(frame[name]) for name in frame.columns})
    rows = pd.Series(np.arange(len(text)) + 1)
    return RawTable(frame=text, source_row=rows, file=f"{path.parent.name}/{path.name}")


def _as_text(values: pd.Series[Any]) -> pd.Series[Any]:
    """Values as a person writes them: 9, not 9.0; days without a time; what is missing stays missing."""
    if pd.api.types.is_datetime64_any_dtype(values):
        return _with_gaps(values.dt.strftime("%Y-%m-%d"), values.isna())
    if pd.api.types.is_numeric_dtype(values):
        codes, uniques = pd.factorize(values)
        shown = np.array([*(_shown(u) for u in uniques), None], dtype=object)
        return pd.Series(shown[codes])
    return _with_gaps(values, values.isna())


def _with_gaps(texts: pd.Series[Any], gaps: pd.Series[bool]) -> pd.Series[Any]:
    """The texts as objects, ``None`` where there is none."""
    told = texts.astype(object)
    told[gaps] = None
    return told


def _shown(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def tables_as_part(path: str | Path, into: str | Path) -> Path:
    """Records that are not kept in parts (a workbook, a wide sheet, a folder with either) as one part; its folder.

    Raises
    ------
    RecordsError
        If they cannot be read, as in a report.
    OnsetStudyError
        If the part cannot be written; nothing of it is left then.
    """
    folder = Path(into)
    for table, raw in zip(TABLES, read_tables(path), strict=True):
        placed = raw.frame.copy()
        placed.insert(0, PLACE, np.asarray(raw.source_row))
        with _all_or_none(folder):
            for old in (folder / table).glob("*"):
                old.unlink()
            write_csv(folder / table / "part-0000.csv", placed)
    return folder


@contextmanager
def _all_or_none(folder: Path) -> Iterator[None]:
    """Parts that can be written to their end; where they cannot, what was written makes room again."""
    try:
        yield
    except (OSError, OnsetStudyError) as error:
        for table in (*TABLES, *BESIDE):
            shutil.rmtree(folder / table, ignore_errors=True)
        if not isinstance(error, OSError):
            raise
        raise OnsetStudyError(
            f"the parts in {folder} cannot be made ({error.strerror}). Make room, or choose another folder, and give "
            "the same command again"
        ) from None


def split_tables(
    cases: str | Path,
    cold_tests: str | Path,
    into: str | Path,
    *,
    beside: Mapping[str, str | Path] | None = None,
    parts: int = 32,
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
    parts : int
        A case goes to the part of the CRC-32 of its code, so both tables agree.
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
    # A mended value may leave the size as it was: the time of saving tells.
    sources = {"cases": Path(cases), "cold_tests": Path(cold_tests)}
    sources |= {table: Path(path) for table, path in (beside or {}).items()}
    there = [p for p in sources.values() if p.exists()]
    stamp = "\n".join(f"{p.name} {p.stat().st_size} {p.stat().st_mtime_ns}" for p in there)
    if done.exists() and done.read_text(encoding="utf-8") == f"{parts}\n{stamp}":
        return folder
    for source in sources.values():
        if not source.exists():
            raise RecordsError(
                problem_in(source, "there is no such file", "check the name and the folder", "not_there")
            )
    with _all_or_none(folder):
        done.unlink(missing_ok=True)
        for old in (path for table in (*TABLES, *BESIDE) for path in (folder / table).glob("*.csv")):
            old.unlink()
        for table, source in sources.items():
            inside = folder / table
            inside.mkdir(parents=True, exist_ok=True)
            _split(source, inside, parts, progress)
            _reach_disk(inside)
        # Only once all parts have reached the disk.
        write_bytes(done, f"{parts}\n{stamp}".encode())
    return folder


def _reach_disk(inside: Path) -> None:
    for path in inside.glob("*.csv"):
        with path.open("rb+") as file:
            os.fsync(file.fileno())
    reach_disk(inside)


def _split(source: Path, inside: Path, parts: int, progress: Progress | None) -> None:
    layout = csv_layout(source)
    chunks = pd.read_csv(
        source,
        sep=layout.delimiter,
        names=range(layout.width),
        encoding=layout.encoding,
        encoding_errors="replace" if layout.encoding == "cp1252" else "strict",
        chunksize=CHUNK_ROWS,
        **UNTOUCHED,
    )
    headings: list[str] = []
    read = 0
    for chunk in chunks:
        rows = chunk
        if not headings:
            headings = chunk.iloc[0].fillna("").tolist()
            rows = chunk.iloc[1:]
        # Row 1 holds the headings.
        read = _split_chunk(rows, headings, source, inside, parts, before=max(read, 1))
        if progress is not None:
            progress(read, read, f"splitting {source.name}")
    # A part without a row of this table still has its headings.
    for number in range(parts):
        path = inside / f"part-{number:04d}.csv"
        if not path.exists():
            pd.DataFrame(columns=[PLACE, *headings]).to_csv(path, index=False, lineterminator="\n")


def _split_chunk(
    rows: pd.DataFrame, headings: list[str], source: Path, inside: Path, parts: int, *, before: int
) -> int:
    """Put rows into their parts; returns the row of the source that was read last."""
    known = [normal_heading(heading) for heading in headings]
    if "case_id" not in known:
        mend = "add it: code of the case, the same in both tables"
        raise RecordsError(problem_in(source, "the column case_id is missing", mend, "missing_column"))
    codes = rows[known.index("case_id")].fillna("").str.strip()
    of = codes.map(lambda code: zlib.crc32(code.encode("utf-8")) % parts)
    placed = rows.copy()
    placed.insert(0, PLACE, np.arange(before, before + len(rows)) + 1)
    for number, own in placed.groupby(of, sort=True):
        path = inside / f"part-{int(number):04d}.csv"
        shown = [PLACE, *headings] if not path.exists() else False
        own.to_csv(path, mode="a", header=shown, index=False, lineterminator="\n")
    return before + len(rows)
