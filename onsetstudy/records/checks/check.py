"""Records checked: every problem found at once, good rows go on, refused rows are kept with their reasons."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import warnings
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from pandera.errors import SchemaErrors

from onsetstudy.core.canonical import digest_of_rows, digest_of_text
from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.protocol.vocabulary import SYNONYMS
from onsetstudy.records.checks.codes import as_cases_spell, check_codes
from onsetstudy.records.checks.crosscheck import crosscheck_cases, crosscheck_readings, row_of_case
from onsetstudy.records.checks.findings import REFUSALS, Findings
from onsetstudy.records.checks.headings import heading_problems, normal_heading, unread_columns
from onsetstudy.records.checks.no_records import set_no_records_aside
from onsetstudy.records.checks.parse import parse_column
from onsetstudy.records.checks.privacy import check_privacy
from onsetstudy.records.model import RawTable, Records
from onsetstudy.records.schema import TABLES, Column, limited, pandera_schema

__all__ = ["check_records", "nothing_left"]

GROUPED = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")
"""A number that may have a sign between its thousands."""


def check_records(
    cases: RawTable,
    cold_tests: RawTable,
    protocol: Protocol,
    *,
    drop_unknown: bool = False,
    strict: bool = False,
    today: dt.date | None = None,
    whole: bool = True,
) -> Records:
    """Checked records from the two tables as they were written.

    Parameters
    ----------
    cases, cold_tests : RawTable
        Untouched text.
    protocol : Protocol
        Gives notation, instruments, clock zero and quarters.
    drop_unknown : bool
        Leave columns that the dictionary does not know unread instead of refusing the table.
    strict : bool
        Refuse everything if a single row is refused.
    today : date or None
        Dates after it are refused; ``None`` does not ask.
    whole : bool
        Whether these are all the records. One part of them may hold no case, or none that can be used.

    Returns
    -------
    Records
        Accepted and refused rows add up to the rows read, in both tables.

    Raises
    ------
    RecordsError
        If a table has headings that cannot be used, if no case of the whole is accepted, or if ``strict`` and a row is
        refused; with all problems found.

    Notes
    -----
    A refused cold test refuses its case: an unreadable test may have been felt or not, and leaving it out could make
    an onset of two tests that were not consecutive. A refused case takes its readings with it.
    """
    raws = {"cases": cases, "cold_tests": cold_tests}
    unusable = heading_problems(raws, drop_unknown=drop_unknown, whole=whole)
    if unusable:
        raise RecordsError(unusable)
    unread = unread_columns(raws) if drop_unknown else []
    raws = {name: _known_columns(raw, name) for name, raw in raws.items()}
    found = {name: Findings(name, raw) for name, raw in raws.items()}
    (typed, _), (tests, clock_min) = (_typed(raw, name, found[name], protocol) for name, raw in raws.items())
    of_cases, of_tests = found["cases"], found["cold_tests"]
    _schema(typed, None, of_cases, protocol)
    _schema(tests, clock_min, of_tests, protocol)
    check_privacy(of_cases)
    check_codes(typed, of_cases, protocol.study)
    tests["case_id"] = as_cases_spell(tests["case_id"], typed)
    crosscheck_cases(typed, of_cases, protocol, today=today)
    readings = crosscheck_readings(typed, of_cases, tests, clock_min, of_tests, protocol)
    for name, raw in raws.items():
        set_no_records_aside(raw, name, found[name])
    _refuse_together(typed, of_cases, readings, of_tests)
    records = _records(typed, readings, found)
    records = replace(records, queries=(*unread, *records.queries))
    if strict and (of_cases.refused.any() or of_tests.refused.any()):
        raise RecordsError(records.problems)
    if whole and len(records.cases) == 0:
        raise RecordsError([nothing_left(records, Where(file=cases.file, sheet=cases.sheet)), *records.problems])
    return records


def nothing_left(records: Records, where: Where) -> Problem:
    """That no case can be used: told first, because another protocol is the usual reason for many different faults."""
    mend = "is this the protocol of these records? Otherwise correct the rows named here"
    return Problem(
        what=f"none of {records.rows_read} cases can be used",
        where=where,
        mend=mend if records.problems else "enter at least one case",
        code="nothing_left",
    )


def _known_columns(raw: RawTable, table: str) -> RawTable:
    """The dictionary's columns in its order; rows that are wholly empty are passed over."""
    frame = raw.frame.copy()
    frame.columns = pd.Index([normal_heading(h) for h in frame.columns])
    frame = frame.reindex(columns=[c.name for c in TABLES[table]])
    filled = frame.notna().any(axis=1).to_numpy()
    source_row = pd.Series(np.asarray(raw.source_row)[filled])
    return replace(raw, frame=frame[filled].reset_index(drop=True).astype(object), source_row=source_row)


def _typed(raw: RawTable, table: str, found: Findings, protocol: Protocol) -> tuple[pd.DataFrame, pd.Series | None]:
    """The typed columns of a table, and of cold tests the times of day that stand for minutes."""
    columns: dict[str, pd.Series] = {}
    clock_min = None
    for column in TABLES[table]:
        parsed = parse_column(
            raw.frame[column.name].astype("string"),
            limited(column, protocol),
            tooth_notation=protocol.schedule.tooth_notation,
            date_epoch=raw.date_epoch,
            declared=protocol.study.practices if column.name == "practice_id" else (),
        )
        columns[column.name] = parsed.values
        found.repaired(column.name, parsed.repairs)
        thing = {"date": "date", "clock": "time of day", "minute": "time", "tooth": "tooth"}.get(column.kind, "number")
        for row, (code, mend) in parsed.faults.items():
            what = f'the {thing} "{found.cell(row, column.name)}" cannot be read'
            found.refuse(row, column.name, code, what, mend)
        if table == "cold_tests":
            clock_min = parsed.clock_min if clock_min is None else clock_min
        elif parsed.clock_min is not None:
            what, mend = '"{value}" is a time of day', "write minutes after the end of injection, as 9 or 9:30"
            found.refuse_where(parsed.clock_min.notna(), column.name, "not_a_time", what, mend)
        _second_looks(parsed.values, column, found)
    return pd.DataFrame(columns, index=raw.frame.index), clock_min


def _second_looks(values: pd.Series, column: Column, found: Findings) -> None:
    if column.query_high is None:
        return
    number, low, high = values.astype(float), column.query_low, column.query_high
    unusual = (number > high) if low is None else (number < low) | (number > high)
    usual = f"up to {high:g}" if low is None else f"{low:g} to {high:g}"
    mend = f"usual is {usual} {column.unit}; is it right?"
    found.query(unusual, column.name, "unusual", f"{{value}} {column.unit} is unusual", mend)


def _schema(typed: pd.DataFrame, clock_min: pd.Series | None, found: Findings, protocol: Protocol) -> None:
    """The dictionary's requirements, asked of the typed table by pandera, all at once."""
    columns = {c.name: limited(c, protocol) for c in TABLES[found.table]}
    try:
        with warnings.catch_warnings():
            # The failures of a small table, put together inside pandera, may have columns without a value.
            warnings.simplefilter("ignore", FutureWarning)
            pandera_schema(tuple(columns.values())).validate(typed, lazy=True)
    except SchemaErrors as error:
        told = {name: found.unread(name) for name in columns}
        if clock_min is not None:
            # Times of day are set against the case later on.
            told["minute"] |= clock_min.notna().to_numpy()
        failed = error.failure_cases.dropna(subset="index")[["column", "check", "index", "failure_case"]]
        for name, check, row, value in failed.itertuples(index=False):
            if not told[name][int(row)]:
                told[name][int(row)] = True
                _refuse_cell(found, int(row), columns[name], str(check), value)


def _refuse_cell(found: Findings, row: int, column: Column, check: str, value: object) -> None:
    written = found.cell(row, column.name)
    if check == "not_nullable":
        found.refuse(row, column.name, "missing", f"{column.name} is empty", f"fill it in: {column.meaning}")
    elif check == "field_uniqueness":
        what = f"the case code {value} stands in more than one row"
        found.refuse(row, column.name, "duplicate", what, "give every case its own code")
    elif column.codes:
        near = _meant(str(value), column.codes)
        mend = f"write one of {', '.join(column.codes)}"
        mend = f"did you mean {near}? Otherwise {mend}" if near else mend
        found.refuse(row, column.name, "code", f'"{written}" is not a known code', mend)
    else:
        low, high = column.low, column.high
        if column.unit == "%" and low is not None and 0 < float(str(value)) < low:
            what = f"{written} looks like a fraction of one"
            found.refuse(row, column.name, "percent", what, f"write per cent: {100 * float(str(value)):g}")
            return
        unit = "on the protocol's scale" if column.scored else column.unit
        as_read, mend = _as_read(str(written), float(str(value)), (low, high))
        what = f"{written}{as_read} is outside {low:g} to {high:g} {unit}"
        found.refuse(row, column.name, "range", what, mend or f"enter a value from {low:g} to {high:g} {unit}")


def _as_read(written: str, value: float, admitted: tuple[float | None, float | None]) -> tuple[str, str]:
    """How a number with a sign in it was read, and how to write the one that was meant where that is likely.

    In half of the world a point stands between thousands, in the other half it begins the decimals.
    """
    if not set(written) & set(".,:"):
        return "", ""
    shown = "" if written == f"{value:g}" else f" (read as {value:g})"
    low, high = admitted
    if GROUPED.fullmatch(written) and low is not None and high is not None:
        meant = float(re.sub("[.,]", "", written))
        if low <= meant <= high:
            return shown, f"if {meant:.0f} is meant, write {meant:.0f}, with no sign between thousands"
    return shown, ""


ALIKE = 0.8
"""How alike a misspelt code is: "destruction" is not "extraction" (own choice)."""


def _meant(written: str, codes: tuple[str, ...]) -> str | None:
    """The code of another word for the same, else the one spelled so; a word that merely looks like it is another."""
    word = " ".join(written.casefold().replace("_", " ").replace("-", " ").split())
    if (code := SYNONYMS.get(word)) in codes:
        return code
    near = difflib.get_close_matches(word.replace(" ", "_"), codes, n=1, cutoff=ALIKE)
    return near[0] if near else None


def _refuse_together(cases: pd.DataFrame, found: Findings, readings: pd.DataFrame, tests: Findings) -> None:
    """A case goes with its refused readings, readings go with their refused case."""
    belongs = row_of_case(cases, readings)
    for reading in np.flatnonzero(tests.refused & belongs.notna().to_numpy()):
        row = int(belongs.iloc[reading])
        if not found.refused[row]:
            place = int(tests.raw.source_row.iloc[reading])
            what = f"a cold test of this case was refused (row {place} of the cold tests)"
            found.refuse(row, "case_id", "reading_refused", what, "mend that row, and the case can be used")
    gone = belongs.notna().to_numpy() & ~tests.refused
    gone[gone] = found.refused[belongs[gone].astype(int).to_numpy()]
    for reading in np.flatnonzero(gone):
        tests.mark(int(reading), "case_refused")


def _rejects(found: Findings) -> pd.DataFrame:
    rows = np.flatnonzero(found.refused)
    reasons = found.reasons()
    frame = found.raw.frame.iloc[rows].reset_index(drop=True)
    first = [str(found.first[row]) for row in rows]
    told = {
        "table": found.table,
        "file": found.raw.file,
        "sheet": found.raw.sheet,
        "source_row": found.raw.source_row.iloc[rows].to_numpy(),
        "code": first,
        "reason": [REFUSALS[code] for code in first],
        "reasons": [reasons.get(int(row), f"{REFUSALS[code]}.") for row, code in zip(rows, first, strict=True)],
    }
    return pd.concat([pd.DataFrame(told, index=frame.index), frame], axis=1)


def _records(cases: pd.DataFrame, readings: pd.DataFrame, found: dict[str, Findings]) -> Records:
    kept = {name: ~f.refused for name, f in found.items()}
    good = cases[kept["cases"]].copy()
    good["source_row"] = found["cases"].raw.source_row[kept["cases"]].astype(int)
    good["case_date"] = pd.to_datetime(good["case_date"])
    good["quarter"] = [Quarter.of(day.date()).label for day in good["case_date"]]
    good = good.sort_values("case_id", kind="stable").reset_index(drop=True)
    tests = readings[kept["cold_tests"]].copy()
    tests["source_row"] = found["cold_tests"].raw.source_row[kept["cold_tests"]].astype(int)
    tests = tests.sort_values(["case_id", "minute", "tooth_role"], kind="stable").reset_index(drop=True)
    if not good.empty and good["observation_end_min"].isna().any():
        last = tests.groupby("case_id")["minute"].max()
        good["observation_end_min"] = good["observation_end_min"].fillna(good["case_id"].map(last))
    rejects = {name: _rejects(f) for name, f in found.items()}
    # The same columns whichever table was refused: who reads them need not ask.
    columns = list(dict.fromkeys(c for frame in rejects.values() for c in frame.columns))
    refused = [frame for frame in rejects.values() if len(frame)] or [rejects["cases"]]
    return Records(
        cases=good,
        readings=tests,
        rejects=pd.concat(refused, ignore_index=True).reindex(columns=columns),
        problems=tuple(p for f in found.values() for _, p in sorted(f.problems, key=lambda item: item[0])),
        queries=tuple(
            p for f in found.values() for row, p in sorted(f.queries, key=lambda item: item[0]) if not f.refused[row]
        ),
        repairs=tuple(r for f in found.values() for r in f.repair_list()),
        rows_read=len(cases),
        readings_read=len(readings),
        digest=_digest(good, tests),
    )


def _plain(column: pd.Series[Any]) -> list[object]:
    """Values of a column as Python's own, ``None`` where missing."""
    missing = column.isna().to_numpy()
    return [None if gone else value for gone, value in zip(missing, column.tolist(), strict=True)]


SINCE = (
    "test_kind", "rescue_volume_ml", "rescue_agent", "rescue_percent", "rescue_vasoconstrictor", "rescue_dilution",
)  # fmt: skip
"""Columns added since digests are of plain values."""


def _digest(cases: pd.DataFrame, readings: pd.DataFrame) -> str:
    """SHA-256 of the accepted content, whatever the order of the rows, where they stood and who read them.

    Made of plain values: the same under every version of the library of tables. Digests from before were of that
    library's own hash and differ from one version to the next; they are kept as they were written.
    """
    parts = []
    for frame in (cases, readings):
        content = frame.drop(columns=["source_row", "notes"], errors="ignore")
        # A column that nobody filled in was not there when earlier records were read.
        content = content.drop(columns=[c for c in SINCE if c in content and content[c].isna().all()])
        plain = {str(name): _plain(column) for name, column in content.items()}
        parts.append(digest_of_rows(plain))
    return digest_of_text("records 2", *parts)
