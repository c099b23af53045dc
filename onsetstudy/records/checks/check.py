"""Records checked: every problem found at once, good rows go on, refused rows are kept with their reasons."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import warnings
from collections.abc import Sequence
from dataclasses import replace
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandera.errors import SchemaErrors

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.canonical import digest_of_rows, digest_of_text
from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.protocol.vocabulary import SYNONYMS
from onsetstudy.records.checks.crosscheck import check_codes, crosscheck_cases, crosscheck_readings
from onsetstudy.records.checks.findings import REFUSALS, Findings
from onsetstudy.records.checks.headings import NO_CASE, heading_problems, normal_heading, unread_columns
from onsetstudy.records.checks.no_records import read, refused, set_no_records_aside
from onsetstudy.records.checks.orphans import hold_back_likely_cases, refuse_many_without_case, tests_without_case
from onsetstudy.records.checks.parse import admits, missing_value, parse_column
from onsetstudy.records.checks.privacy import check_privacy
from onsetstudy.records.model import RawTable, Records
from onsetstudy.records.schema import ALWAYS, TABLES, Column, limited, pandera_schema

GROUPED = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")
"""A number that may have a sign between its thousands."""
REJECTED = ("table", "file", "sheet", "source_row", "code", "reason", "reasons")
"""What is told of a refused row before what was written in it."""


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
        If a table has headings that cannot be used, if no case of the whole is accepted or many of its cold tests are
        of no case, or if ``strict`` and a row is refused; with all problems found.

    Notes
    -----
    A refused cold test refuses its case: an unreadable test may have been felt or not, and leaving it out could make
    an onset of two tests that were not consecutive. So does one without a case, as far as it can be told whose it is. A
    refused case takes its readings with it.
    """
    raws = {"cases": cases, "cold_tests": cold_tests}
    if unusable := heading_problems(raws, drop_unknown=drop_unknown, whole=whole):
        raise RecordsError(unusable)
    unread = unread_columns(raws) if drop_unknown else []
    of_cases, of_tests = (Findings(name, _known_columns(raw, name)) for name, raw in raws.items())
    _read(of_cases, protocol)
    clock_min = _read(of_tests, protocol)
    _hold_to_dictionary(of_cases, protocol)
    _hold_to_dictionary(of_tests, protocol, clock_min)
    check_privacy(of_cases)
    check_codes(of_cases, of_tests, protocol.study)
    crosscheck_cases(of_cases, protocol, today=today)
    belongs = crosscheck_readings(of_cases, of_tests, clock_min, protocol)
    for found in (of_cases, of_tests):
        _second_looks(found)
        set_no_records_aside(found)
    hold_back_likely_cases(of_cases, of_tests, belongs, protocol)
    _refuse_together(of_cases, of_tests, belongs)
    records = _records(of_cases, of_tests, unread)
    if strict and len(refused(records)):
        raise RecordsError(records.problems)
    # In a wide sheet every test stands in the row of its case.
    if whole and not cold_tests.places:
        where = Where(file=cold_tests.file, sheet=cold_tests.sheet)
        tests = read(records, "cold_tests")
        refuse_many_without_case(tests_without_case(records), tests, where, records.problems)
    if whole and len(records.cases) == 0:
        raise RecordsError([nothing_left(records, Where(file=cases.file, sheet=cases.sheet)), *records.problems])
    return records


def nothing_left(records: Records, where: Where) -> Problem:
    """That no case can be used: told first, because another protocol is the usual reason for many different faults."""
    what, mend = NO_CASE
    if cases := read(records, "cases"):
        what = f"none of {cases} cases can be used"
        mend = "is this the protocol of these records? Otherwise correct the rows named here"
    return Problem(what=what, where=where, mend=mend, code="nothing_left")


def _known_columns(raw: RawTable, table: str) -> RawTable:
    """The dictionary's columns in its order, but those that nobody filled in; rows that are wholly empty go too."""
    headings = [normal_heading(heading) for heading in raw.frame.columns]
    known = {column.name: headings.index(column.name) for column in TABLES[table] if column.name in headings}
    frame = raw.frame.iloc[:, list(known.values())].set_axis(list(known), axis=1).astype(object)
    filled = frame.notna().to_numpy()
    asked = np.isin(list(known), ALWAYS[table])
    rows, columns = np.flatnonzero(filled.any(axis=1)), np.flatnonzero(filled.any(axis=0) | asked)
    frame = frame.iloc[rows, columns].reset_index(drop=True)
    places = tuple(raw.places[row] for row in rows.tolist()) if raw.places else ()
    return replace(raw, frame=frame, source_row=pd.Series(np.asarray(raw.source_row)[rows]), places=places)


def _read(found: Findings, protocol: Protocol) -> FloatArray | None:
    """Read the columns of a table; of cold tests, the times of day that stand for minutes come back."""
    columns: dict[str, NDArray[Any]] = {}
    clock_min = None
    for heading, count in found.raw.merged.items():
        text = "the value of merged cells was read for each of their rows"
        found.repairs[normal_heading(heading), "merged_cells", text] += count
    for column in TABLES[found.table]:
        if column.name not in found.raw.frame:
            columns[column.name] = np.full(len(found.refused), missing_value(column))
            continue
        parsed = parse_column(
            found.raw.frame[column.name],
            limited(column, protocol),
            tooth_notation=protocol.schedule.tooth_notation,
            date_epoch=found.raw.date_epoch,
            declared=protocol.study.practices if column.name == "practice_id" else (),
        )
        columns[column.name] = parsed.values
        found.repaired(column.name, parsed.repairs)
        thing = {"date": "date", "clock": "time of day", "minute": "time", "tooth": "tooth"}.get(column.kind, "number")
        for row, (code, mend) in parsed.faults.items():
            what = f'the {thing} "{found.cell(row, column.name)}" cannot be read'
            what = f"{column.name} is a formula without a stored result" if code == "no_result" else what
            found.refuse(row, column.name, code, what, mend)
        if parsed.clock_min is not None and found.table == "cold_tests":
            clock_min = parsed.clock_min
        elif parsed.clock_min is not None:
            what, mend = '"{value}" is a time of day', "write minutes after the end of injection, as 9 or 9:30"
            found.refuse_where(~np.isnan(parsed.clock_min), column.name, "not_a_time", what, mend)
    found.typed = pd.DataFrame(columns)
    return clock_min


def _second_looks(found: Findings) -> None:
    """List what is possible but unusual, times of day by the minutes that they stand for."""
    for column in TABLES[found.table]:
        if column.query_high is None:
            continue
        number, low, high = found.numbers(column.name), column.query_low, column.query_high
        unusual = (number > high) if low is None else (number < low) | (number > high)
        usual = f"up to {high:g}" if low is None else f"{low:g} to {high:g}"
        mend = f"usual is {usual} {column.unit}; is it right?"
        what = f"{{number:.6g}} {column.unit} is unusual"
        found.query(unusual, column.name, "unusual", what, mend, number=number)


def _hold_to_dictionary(found: Findings, protocol: Protocol, clock_min: FloatArray | None = None) -> None:
    """The dictionary's requirements, asked of the typed table by pandera, all at once."""
    # A column that nobody filled in breaks none.
    columns = {c.name: limited(c, protocol) for c in TABLES[found.table] if c.name in found.raw.frame}
    try:
        with warnings.catch_warnings():
            # The failures of a small table, put together inside pandera, may have columns without a value.
            warnings.simplefilter("ignore", FutureWarning)
            pandera_schema(tuple(columns.values())).validate(found.typed, lazy=True)
    except SchemaErrors as error:
        told = {(row, problem.where.column) for row, problem in found.problems}
        if clock_min is not None:
            # Times of day are set against the case later on.
            told |= {(row, "minute") for row in np.flatnonzero(~np.isnan(clock_min)).tolist()}
        failed = error.failure_cases.dropna(subset="index")[["column", "check", "index", "failure_case"]]
        for name, check, row, value in failed.itertuples(index=False):
            if (int(row), name) not in told:
                told.add((int(row), name))
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
        as_read, mend = _as_read(str(written), float(str(value)), column)
        what = f"{written}{as_read} is outside {low:g} to {high:g} {unit}"
        mend = mend or column.hint or f"enter a value from {low:g} to {high:g} {unit}"
        found.refuse(row, column.name, "range", what, mend)


def _as_read(written: str, value: float, column: Column) -> tuple[str, str]:
    """How a number with a sign in it was read, and how to write the one that was meant where that is likely.

    In half of the world a point stands between thousands, in the other half it begins the decimals.
    """
    if not set(written) & set(".,:"):
        return "", ""
    shown = "" if written == f"{value:g}" else f" (read as {value:g})"
    meant = re.sub("[.,]", "", written) if GROUPED.fullmatch(written) else ""
    if meant and admits(column, float(meant)):
        return shown, f"if {meant} is meant, write {meant}, with no sign between thousands"
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


def _refuse_together(cases: Findings, tests: Findings, belongs: IntArray) -> None:
    """A case goes with its refused readings, readings go with their refused case."""
    faulty = np.flatnonzero(tests.refused & (belongs >= 0))
    rows, first, count = np.unique(belongs[faulty], return_index=True, return_counts=True)
    good = ~cases.refused[rows]
    for row, reading, n in zip(rows[good].tolist(), faulty[first][good].tolist(), count[good].tolist(), strict=True):
        place = f"row {tests.line(reading)} of the cold tests"
        if tests.raw.places:
            place = f"column {tests.raw.places[reading]['minute'][1]}"
        what, them = f"a cold test of this case was refused ({place})", "it"
        if n > 1:
            what, them = f"{n} cold tests of this case were refused, the first in {place}", "them"
        mend = f"correct {them} there, and the case can be used"
        cases.refuse(row, "case_id", "reading_refused", what, mend)
    for reading in np.flatnonzero(~tests.refused & np.append(cases.refused, False)[belongs]).tolist():
        tests.mark(reading, "case_refused")


def _rejects(tables: Sequence[Findings]) -> pd.DataFrame:
    """Refused rows of all tables as they were written, in the columns of both, each with its reasons."""
    refused = []
    for found in tables:
        rows = np.flatnonzero(found.refused)
        first, reasons = found.first[rows].tolist(), found.reasons()
        told = {
            "table": found.table,
            "file": found.raw.file,
            "sheet": found.raw.sheet,
            "source_row": found.raw.source_row.iloc[rows],
            "code": first,
            "reason": [REFUSALS[code] for code in first],
            "reasons": [reasons.get(row, f"{REFUSALS[code]}.") for row, code in zip(rows.tolist(), first, strict=True)],
        }
        if rows.size:
            refused.append(found.raw.frame.iloc[rows].assign(**told))
    columns = list(dict.fromkeys((*REJECTED, *(column.name for found in tables for column in TABLES[found.table]))))
    if not refused:
        return pd.DataFrame(np.empty((0, len(columns)), dtype=object), columns=columns)
    return pd.concat(refused, ignore_index=True).reindex(columns=columns)


def _kept(found: Findings, *order: str) -> pd.DataFrame:
    """Accepted rows of a typed table in an order of their own, each with its place in the sheet."""
    rows = found.typed.assign(source_row=found.raw.source_row.astype(int))[~found.refused]
    return rows.sort_values(list(order), kind="stable", ignore_index=True)


def _placed(found: Findings, told: Sequence[tuple[int, Problem]]) -> list[Problem]:
    """What was found, in the order of rows, where it was written; once where several rows have a cell in common."""
    placed: dict[tuple[Where, str], Problem] = {}
    for row, problem in sorted(told, key=itemgetter(0)):
        where = problem.where
        if found.raw.places and (place := found.raw.places[row].get(where.column or "")):
            where = replace(where, row=place[0], column=place[1])
        placed.setdefault((where, problem.what), replace(problem, where=where))
    return list(placed.values())


def _records(of_cases: Findings, of_tests: Findings, unread: Sequence[Problem]) -> Records:
    good, tests = _kept(of_cases, "case_id"), _kept(of_tests, "case_id", "minute", "tooth_role")
    quarters = {day: Quarter.of(day).label for day in set(good["case_date"])}
    good["quarter"] = [quarters[day] for day in good["case_date"]]
    good["case_date"] = pd.to_datetime(good["case_date"])
    if not good.empty and good["observation_end_min"].isna().any():
        last = tests.groupby("case_id")["minute"].max()
        good["observation_end_min"] = good["observation_end_min"].fillna(good["case_id"].map(last))
    both = (of_cases, of_tests)
    unusual = [p for found in both for p in _placed(found, [q for q in found.queries if not found.refused[q[0]]])]
    return Records(
        cases=good,
        readings=tests,
        rejects=_rejects(both),
        problems=tuple(p for found in both for p in _placed(found, found.problems)),
        queries=(*unread, *unusual),
        repairs=tuple(repair for found in both for repair in found.repair_list()),
        rows_read=len(of_cases.refused),
        readings_read=len(of_tests.refused),
        digest=_digest(good, tests),
    )


def _digest(*frames: pd.DataFrame) -> str:
    """SHA-256 of the accepted content, whatever the order of the rows, where they stood and who read them.

    Made of plain values: the same under every version of the library of tables. Digests from before were of that
    library's own hash and differ from one version to the next; they are kept as they were written.
    """
    parts = []
    for frame in frames:
        content = frame.drop(columns=["source_row", "notes"], errors="ignore")
        values = content.to_numpy(dtype=object, copy=True)
        filled = pd.notna(values)
        values[~filled] = None
        columns = zip(content.columns, values.T, np.any(filled, axis=0), strict=True)
        parts.append(digest_of_rows({name: column.tolist() for name, column, told in columns if told}))
    return digest_of_text("records 2", *parts)
