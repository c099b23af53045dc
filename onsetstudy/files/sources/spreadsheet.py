"""Tables of records as they were written: two CSV files, a folder with both, one workbook, or the recorder's store."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import itertools
import re
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO, TextIO, TypeVar

import pandas as pd

from onsetstudy.core.errors import Problem, RecordsError, Where, require
from onsetstudy.files.guard import problem_in
from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.sources.unread_cells import Unread, unread_by_library
from onsetstudy.files.store import is_store
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.check import check_records
from onsetstudy.records.checks.headings import TITLES, normal_heading
from onsetstudy.records.checks.open_tables import OPEN_TABLES, fold_open_tables
from onsetstudy.records.checks.parse import NO_RESULT
from onsetstudy.records.checks.wide_sheet import MARK, unfold_wide
from onsetstudy.records.model import OpenTables, RawTable, Records

Paths = str | Path | Sequence[str | Path]
TABLES = ("cases", "cold_tests")
UNTOUCHED: dict[str, Any] = {
    "header": None,
    "index_col": False,
    "dtype": str,
    "keep_default_na": False,
    "na_values": [""],
    "skip_blank_lines": False,
    "engine": "c",
}
"""How a CSV file is read so that every cell stays as it is written."""
WIDE = f"the first cell of a wide sheet, which has one row a case, says {MARK} (onsetstudy template PROTOCOL --wide)"
DELIMITERS = ",;\t"
Read = TypeVar("Read")
_problem = partial(problem_in, code="file")
BOOKS, TEXTS = (".xlsx", ".xlsm"), (".csv", ".txt", ".tsv")


def read_records(
    path_or_paths: Paths,
    protocol: Protocol,
    *,
    drop_unknown: bool = False,
    strict: bool = False,
    today: dt.date | None = None,
) -> Records:
    """Checked records.

    Parameters
    ----------
    path_or_paths : path or sequence of paths
        A workbook with the sheets ``cases`` and ``cold_tests``, a folder with ``cases.csv`` and ``cold_tests.csv``, or
        those two files; a wide sheet (.xlsx or .csv); or the recorder's store. In a folder ``injections.csv``,
        ``adverse_events.csv`` and ``screening.csv`` are read with them (open tables, docs/data-dictionary.md).
    protocol : Protocol
        What was promised.
    drop_unknown, strict
        As in :func:`onsetstudy.records.checks.check.check_records`.
    today : date or None
        Cases after it lie in the future; by default the date on this computer.

    Raises
    ------
    RecordsError
        If files are missing or cannot be read, a table's headings cannot be used, or no case can be used.

    Examples
    --------
    >>> from onsetstudy import read_protocol, read_records
    >>> protocol = read_protocol("protocols/infiltration_audit.toml")
    >>> records = read_records("data/synthetic/audit", protocol)
    >>> len(records.cases)
    72
    """
    require(protocol, Protocol, "protocol", "give what read_protocol(path) made")
    cases, cold_tests, beside = _with_open_tables(path_or_paths, protocol)
    today = dt.date.today() if today is None else today
    records = check_records(cases, cold_tests, protocol, drop_unknown=drop_unknown, strict=strict, today=today)
    return replace(records, open_tables=beside, queries=(*records.queries, *_supplements_told(records, beside)))


def _supplements_told(records: Records, beside: OpenTables) -> tuple[Problem, ...]:
    """That one of several supplements stands in no dose: whoever looks at a total has to know."""
    both = beside.supplements.merge(records.cases[["case_id", "agent"]], on="case_id")
    other = both["rescue_agent"].notna() & (both["rescue_agent"] != both["agent"])
    untold = both["rescue_volume_ml"].isna() | (other & both["rescue_percent"].isna())
    told = partial(
        Problem,
        what="a supplement without its volume or strength: its dose is not counted",
        mend="enter volume and concentration",
        code="supplement_dose",
    )
    rows = both.loc[untold, "source_row"]
    return tuple(told(where=Where(file="injections.csv", row=int(row)) if row == row else Where()) for row in rows)


def _with_open_tables(path_or_paths: Paths, protocol: Protocol | None) -> tuple[RawTable, RawTable, OpenTables]:
    """The two tables, open ones folded in: those that lie in the same folder."""
    paths = _given(path_or_paths)
    if len(paths) == 1 and is_store(paths[0]):
        return _store(paths[0], protocol)
    cases, cold_tests = read_tables(paths, protocol)
    names = _files_in(paths[0]) if paths[0].is_dir() else {}
    beside = {t: read_csv_table(names[f"{t}.csv"]) for t in OPEN_TABLES if f"{t}.csv" in names}
    return fold_open_tables(cases, cold_tests, beside)


def _given(path_or_paths: Paths) -> list[Path]:
    """The files or folders that were given, which are there."""
    require(path_or_paths, (str, Path, Sequence), "path_or_paths", "give a workbook, a folder or two CSV files")
    given = [path_or_paths] if isinstance(path_or_paths, str | Path) else list(path_or_paths)
    for one in given:
        require(one, (str, Path), "path_or_paths", "give the name of a file or folder")
    if not given:
        raise RecordsError("no file was given; give a workbook, a folder or two CSV files")
    paths = [Path(p) for p in given]
    if missing := [p for p in paths if not p.exists()]:
        mend = "check the name and the folder"
        raise RecordsError([_problem(p, f"there is no file or folder {p}", mend) for p in missing])
    return paths


def read_tables(path_or_paths: Paths, protocol: Protocol | None = None) -> tuple[RawTable, RawTable]:
    """The two tables of records as untouched text: ``cases`` and ``cold_tests``.

    A store of the recorder is refused where it belongs to another study than ``protocol``.
    """
    paths = _given(path_or_paths)
    if len(paths) == 1 and paths[0].is_dir():
        paths = _in_folder(paths[0])
    if len(paths) == 1 and paths[0].suffix.lower() in BOOKS:
        return _workbook(paths[0])
    if len(paths) == 1 and is_store(paths[0]):
        return _store(paths[0], protocol)[:2]
    if len(paths) == 1 and (rows := _wide_csv(paths[0])) is not None:
        return unfold_wide(rows, file=paths[0].name)
    if other := [p for p in paths if p.suffix.lower() not in (*BOOKS, *TEXTS) and not p.is_dir()]:
        mend = "save it as .xlsx, or its two tables as .csv"
        raise RecordsError([_problem(p, f"a file {p.suffix or p.name} is not read as records", mend) for p in other])
    found: dict[str, Path] = {}
    for path in paths:
        name = path.stem.lower()
        found.setdefault("cold_tests" if "cold" in name or ("test" in name and "case" not in name) else "cases", path)
    if len(paths) != 2 or len(found) != 2:
        what = f"records are two tables, and {len(paths)} file{'s were' if len(paths) != 1 else ' was'} given"
        mend = f"give one workbook (.xlsx), a folder, or the two files cases.csv and cold_tests.csv; {WIDE}"
        raise RecordsError(_problem(paths[0], what, mend))
    return read_csv_table(found["cases"]), read_csv_table(found["cold_tests"])


def _store(path: Path, protocol: Protocol | None) -> tuple[RawTable, RawTable, OpenTables]:
    """The two tables of a store, and what it keeps beside them: every event, who was screened, how its clocks ran."""
    folded = read_store(path, protocol)
    screening = None if folded.screening.empty else folded.screening
    kept = {name: getattr(folded, name) for name in ("adverse_events", "clocks", "supplements")}
    return folded.cases, folded.cold_tests, OpenTables(screening=screening, **kept)


def _files_in(folder: Path) -> dict[str, Path]:
    """Files of a folder by their names, however these are written."""
    return {p.name.lower(): p for p in sorted(folder.iterdir()) if p.is_file()}


def _in_folder(folder: Path) -> list[Path]:
    names = _files_in(folder)
    pair = [names[f"{table}.csv"] for table in TABLES if f"{table}.csv" in names]
    books = [] if pair else [p for name, p in names.items() if name.endswith(BOOKS) and not name.startswith("~$")]
    if len(pair) == 2 or len(books) == 1:
        return pair or books
    missing = " and ".join(f"{table}.csv" for table in TABLES if f"{table}.csv" not in names)
    what = f"the folder has no {missing}" + (f", but {len(books)} workbooks" if books else "")
    mend = "give the one workbook that is meant" if books else "put it there, or give one workbook"
    raise RecordsError(_problem(folder, what, mend))


# CSV ------------------------------------------------------------------------------------------------------------------


def read_csv_table(path: Path) -> RawTable:
    """One CSV file as untouched text."""
    how = how_to_read(path, workbook="rename it to .xlsx and give it alone")
    return _raw(pd.read_csv(path, low_memory=False, **how), path)


def how_to_read(path: Path, *, workbook: str = "save its two sheets as CSV") -> dict[str, Any]:
    """Arguments of pandas' reader under which every cell of a CSV file, however large, stays as it is written.

    ``workbook`` is what to do with a workbook that is called so.

    Raises
    ------
    RecordsError
        If it is not a CSV file, is empty, has rows with more cells than headings, or a quotation mark is not closed.
    """
    if path.is_dir():
        raise RecordsError(_problem(path, "this is a folder, not a table", "give the .csv file in it"))
    with _opened(path) as file:
        if file.read(4) == b"PK\x03\x04":
            raise RecordsError(_problem(path, "this is a workbook, not a CSV file", workbook))
    return {**_as_text(path, lambda text: _layout(path, text)), **UNTOUCHED}


def _layout(path: Path, file: TextIO) -> dict[str, Any]:
    """Encoding, separator and columns."""
    heading = file.readline()
    # A heading between quotation marks may have lines.
    while heading.count('"') % 2 and heading.count("\n") < TITLES and (more := file.readline()):
        heading += more
    if not heading.strip():
        if file.read().strip():
            raise RecordsError(_problem(path, "there is no heading in row 1", "write the headings into row 1"))
        raise RecordsError(_problem(path, "the file is empty", "enter the headings and the records"))
    delimiter = max(DELIMITERS, key=heading.count)
    file.seek(0)
    _, headings = next(_taken_apart(path, file, delimiter))
    width = len(headings)
    # Looking at lines is quick; a quoted text may hold separators, and only then rows are taken apart one by one.
    if any('"' in line or line.count(delimiter) >= width for line in file):
        file.seek(0)
        long = ((row, len(cells)) for row, cells in _taken_apart(path, file, delimiter) if len(cells) > width)
        if ragged := list(itertools.islice(long, 20)):
            _refuse_title(path, file, otherwise=2 if width == 1 else 1)
            mend = 'put a text that contains the separator between quotation marks, such as "0,18"'
            what = "{} cells in this row, but {} headings"
            raise RecordsError([_problem(path, what.format(n, width), mend, row=row) for row, n in ragged])
    errors = _errors(file.encoding)
    return {"sep": delimiter, "names": range(width), "encoding": file.encoding, "encoding_errors": errors}


def _taken_apart(path: Path, lines: TextIO, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Rows and their cells; a quotation mark that is not closed would take the rows behind it for its text."""
    row = 0
    try:
        for row, cells in enumerate(csv.reader(lines, delimiter=delimiter, strict=True), start=1):
            yield row, cells
    except csv.Error:
        what = "a quotation mark in this row is not closed, or a text goes on behind the closing one"
        mend = 'close it or take it out; inside a text between quotation marks write it twice: ""'
        raise RecordsError(_problem(path, what, mend, row=row + 1)) from None


def _refuse_title(path: Path, file: TextIO, *, otherwise: int) -> None:
    """Refuse a line above the headings: beside it all rows seem too long."""
    file.seek(0)
    lines = enumerate(itertools.islice(file, TITLES), start=1)
    found = (row for row, line in lines if "case_id" in map(normal_heading, re.split(f'[{DELIMITERS}"]', line)))
    if (at := next(found, otherwise)) > 1:
        mend = f"the headings have to stand in row 1: take out what stands above row {at}"
        raise RecordsError(_problem(path, "these are no headings", mend, row=1))


def _wide_csv(path: Path) -> list[list[str]] | None:
    """All cells of a wide sheet saved as CSV; ``None`` if the file is none."""
    if path.is_dir() or path.suffix.lower() not in TEXTS:
        return None
    text = _as_text(path, lambda file: file.read())
    if not text.lstrip().strip('"').startswith(MARK):
        return None
    heading = next((line for line in text.splitlines() if line.lstrip('" ').lower().startswith("case_id")), "")
    return [cells for _, cells in _taken_apart(path, io.StringIO(text), max(DELIMITERS, key=heading.count))]


def _opened(path: Path) -> BinaryIO:
    try:
        return path.open("rb")
    except OSError as error:
        mend = "close it in other programs, see that you may read it, and try again"
        raise RecordsError(_problem(path, f"it cannot be read ({error.strerror})", mend)) from None


def _as_text(path: Path, read: Callable[[TextIO], Read]) -> Read:
    """What is read of a text file, in UTF-8 or UTF-16, or as older spreadsheets write."""
    with _opened(path) as file:
        two_bytes = file.read(2) in (b"\xff\xfe", b"\xfe\xff")
        file.seek(0)
        while not two_bytes and (block := file.read(1 << 20)):
            if b"\x00" in block:
                raise RecordsError(_problem(path, "the file is not text", "save it again as CSV (UTF-8)"))
    for encoding in ("utf-16",) if two_bytes else ("utf-8-sig", "cp1252"):
        with (
            path.open(encoding=encoding, errors=_errors(encoding), newline="") as text,
            contextlib.suppress(UnicodeDecodeError),
        ):
            return read(text)
    raise RecordsError(_problem(path, "the file is not text", "save it again as CSV (UTF-8)"))


def _errors(encoding: str) -> str:
    """What becomes of signs that an encoding does not have: the last that is tried has to do."""
    return "replace" if encoding == "cp1252" else "strict"


def _raw(frame: pd.DataFrame, path: Path, sheet: str | None = None, date_epoch: str = "1900") -> RawTable:
    """The first row as headings; headings of wholly empty columns are passed over."""
    frame = frame.drop(columns=[i for i in frame if pd.isna(frame.at[0, i]) and frame[i].isna().all()])
    headings, body = frame.iloc[0].fillna("(no heading)").astype(str), frame.iloc[1:].reset_index(drop=True)
    body.columns = pd.Index(headings)
    rows = pd.Series(range(2, len(body) + 2))
    return RawTable(frame=body, source_row=rows, file=path.name, sheet=sheet, date_epoch=date_epoch)


# Workbooks ------------------------------------------------------------------------------------------------------------


def _workbook(path: Path) -> tuple[RawTable, RawTable]:
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        return _tables_of_book(path)
    # Much of a workbook is unpacked and parsed only when its cells are asked for; a fault of XML is one of syntax.
    except (zipfile.BadZipFile, zlib.error, InvalidFileException, LookupError, OSError, SyntaxError, ValueError):
        mend = "open it in your spreadsheet program, take a password off if it has one, and save it again as .xlsx"
        raise RecordsError(_problem(path, "the workbook cannot be read", mend)) from None


def _tables_of_book(path: Path) -> tuple[RawTable, RawTable]:
    import openpyxl
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    with contextlib.closing(openpyxl.load_workbook(path, read_only=True, data_only=True)) as book:
        for sheet in book.worksheets:
            sheet.reset_dimensions()  # some programs write a wrong size, and what lies beyond would not be read
        unread = unread_by_library(path)
        sheets = {name.strip().lower().replace(" ", "_"): name for name in book.sheetnames}
        marked = (sheet.title for sheet in book.worksheets if sheet.cell(1, 1).value == MARK)
        if wide := sheets.get("wide", next(marked, None)):
            cells = [[_cell(v) for v in row] for row in book[wide].iter_rows(values_only=True)]
            for row, column in unread[wide].formulas:
                cells[row][column] = NO_RESULT
            return unfold_wide(cells, file=path.name, sheet=wide)
        there = f"there are {', '.join(book.sheetnames)}"
        if missing := [
            _problem(path, f"the workbook has no sheet {table}", f"name the sheet {table}; {there}; {WIDE}")
            for table in TABLES
            if table not in sheets
        ]:
            raise RecordsError(missing)
        epoch = "1904" if book.epoch == CALENDAR_MAC_1904 else "1900"
        named = [sheets[table] for table in TABLES]
        cases, cold_tests = (_sheet(book[name], path, name, epoch, unread[name]) for name in named)
        return cases, cold_tests


def _sheet(sheet, path: Path, name: str, epoch: str, unread: Unread) -> RawTable:  # type: ignore[no-untyped-def]
    values = list(sheet.iter_rows(values_only=True))
    # Where a column has times of day beside its dates, midnight is one of them.
    timed = {i for row in values for i, v in enumerate(row) if isinstance(v, dt.datetime) and v.time() != dt.time()}
    width = max(map(len, values), default=0)
    rows = [[_cell(v, midnight=i in timed) for i, v in enumerate(row)] + [None] * (width - len(row)) for row in values]
    for at, column in unread.formulas:
        rows[at][column] = NO_RESULT
    merged: Counter[str] = Counter()
    for column, first, last in unread.merged:
        if 0 < first < len(rows) and column < width and (value := rows[first][column]) is not None:
            merged[str(rows[0][column])] += last - first
            for row in rows[first + 1 : last + 1]:
                row[column] = value
    while rows and not any(cell is not None for cell in rows[-1]):
        rows.pop()
    if not rows:
        raise RecordsError(_problem(path, "the sheet is empty", "enter the headings and the records", sheet=name))
    frame = pd.DataFrame(rows, dtype=object)
    return replace(_raw(frame, path, sheet=name, date_epoch=epoch), merged=merged)


def _cell(value: object, *, midnight: bool = False) -> str | None:
    """What a cell shows, as text: whole numbers without a point, dates and times in ISO form."""
    if value is None:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, dt.datetime):
        if value.time() == dt.time() and not midnight:
            return value.date().isoformat()
        return value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, dt.time):
        rounded = dt.datetime.combine(dt.date(2000, 1, 1), value) + dt.timedelta(microseconds=500_000)
        return rounded.time().isoformat(timespec="seconds")
    if isinstance(value, dt.timedelta):
        seconds = round(value.total_seconds())
        return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    text = str(value)
    return text if text.strip() else None
