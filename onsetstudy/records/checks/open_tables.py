"""Open tables, one row an injection, an event or a person screened, folded into the two tables that are analysed.

What two tables say of one fact has to agree; where it does not, nothing is chosen and nothing is read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.headings import normal_heading
from onsetstudy.records.checks.parse import finite_number
from onsetstudy.records.checks.supplements import OF_A_SUPPLEMENT, typed_supplements
from onsetstudy.records.model import OpenTables, RawTable

ROLES = ("planned", "supplemental")
OUTCOMES = ("included", "declined", "not_eligible")
REASONS = {
    "age": "of an age that the protocol does not admit",
    "procedure": "a procedure that the protocol does not admit",
    "tooth_or_pulp": "a tooth or pulp that the protocol does not admit",
    "allergy": "allergy to what is compared",
    "medical": "other medical reason",
    "medicines": "medicines taken",
    "no_consent_possible": "could not give consent",
    "other": "other reason",
}
"""Why a person was not eligible, as codes: a free text might name somebody, and is printed."""
OF_THE_CASE = (
    "agent",
    "agent_percent",
    "vasoconstrictor",
    "vasoconstrictor_dilution",
    "mix_mode",
    "bicarbonate_ml",
    "bicarbonate_percent",
)
"""What all planned injections of a case have in common: the analysis knows one solution a case."""
OPEN_TABLES: dict[str, tuple[str, ...]] = {
    "injections": (*("case_id", "number", "role", "technique", "volume_ml", "minute", "reason", "lot"), *OF_THE_CASE),
    "adverse_events": ("case_id", "number", "kind", "serious", "onset_min", "end_date", "relation", "note"),
    "screening": ("screening_id", "practice_id", "date", "outcome", "reason", "case_id"),
}
"""Columns of the tables beside ``cases`` and ``cold_tests``."""
NEEDED = {
    "injections": ("case_id", "number", "role", "technique", "volume_ml"),
    "adverse_events": ("case_id", "number", "kind", "serious"),
    "screening": ("screening_id", "practice_id", "date", "outcome"),
}
KEYS = {"injections": ("case_id", "number"), "adverse_events": ("case_id", "number"), "screening": ("screening_id",)}
CODED = {
    "injections": {
        "role": ROLES,
        "technique": tuple(dict.fromkeys((*CODES["technique"], *CODES["rescue_technique"]))),
        "agent": CODES["agent"],
    },
    "adverse_events": {"kind": CODES["adverse_event"], "serious": CODES["serious"]},
    "screening": {"outcome": OUTCOMES, "reason": tuple(REASONS)},
}
ALSO = {
    "cases": {"operator": "clinician_id", "slip": "allocation_slip", "pulpal_diagnosis": "pulp_status"},
    "adverse_events": {"minute": "onset_min"},
}
"""Headings of the open tables, and what the analysis calls them."""
CONTRADICTION, HEADING = "contradiction", "heading"
ONLY_OPEN = ("planned_min", "method", "tooth", "assessor")
"""Columns of open cold tests that the earlier table has not."""


@dataclass(slots=True, eq=False)
class _Open(Findings):
    """A table under the headings that the analysis knows, and the problems found in it."""

    @property
    def frame(self) -> pd.DataFrame:
        """What was written, and what other tables have put beside it."""
        return self.raw.frame

    def text(self, row: int, column: str) -> str:
        """What a cell says; empty where it is empty or there is no such column."""
        return (self.cell(row, column) or "").strip()

    def number(self, row: int, column: str) -> float | None:
        """A number with a point or a comma; refused where it is none."""
        value = _number(text) if (text := self.text(row, column)) else None
        if text and (value is None or value < 0):
            self.refuse(
                row, column, "not_a_number", f"{text} is not a number of 0 or more", "write a number such as 1.8"
            )
            return None
        return value

    def texts(self, column: str) -> list[str]:
        """What all cells of a column say."""
        return [_said(value) for value in self.frame[column]] if column in self.frame else [""] * len(self.frame)

    def rows(self) -> dict[str, list[int]]:
        """Rows of every case, in the order in which they stand."""
        found: dict[str, list[int]] = {}
        for row, code in enumerate(self.texts("case_id")):
            if code:
                found.setdefault(code, []).append(row)
        return found

    def refuse_empty(self, column: str, what: str, mend: str) -> None:
        """Refuse every row without an entry in a column."""
        for row, text in enumerate(self.texts(column)):
            if not text:
                self.refuse(row, column, "missing", what, mend)

    def total(self, rows: list[int]) -> str:
        """Sum of the volumes of some injections; that of one as it was written."""
        if len(rows) == 1:
            return self.text(rows[0], "volume_ml")
        return f"{sum(max(_number(self.text(row, 'volume_ml')) or 0.0, 0.0) for row in rows):.6g}"


def _said(value: object) -> str:
    return "" if value is None or value != value else str(value).strip()


def fold_open_tables(
    cases: RawTable, cold_tests: RawTable, beside: Mapping[str, RawTable]
) -> tuple[RawTable, RawTable, OpenTables]:
    """The two tables that are analysed, from the open ones.

    Parameters
    ----------
    cases, cold_tests : RawTable
        Open tables or earlier ones; earlier ones with nothing beside them come back as they are.
    beside : mapping of str to RawTable
        Tables of :data:`OPEN_TABLES` that were given.

    Returns
    -------
    tuple of RawTable, RawTable, OpenTables
        Planned injections give the solution and the sum of their volumes, the first supplemental one the minute and
        technique of the supplement, and supplements of several solutions stand beside, each by its own; of several
        events a serious one stands in the case; tests that were not done are none, and those that stand for no planned
        minute are extra ones.

    Raises
    ------
    RecordsError
        If a code is unknown, a key stands twice, a case is missing or tables contradict each other; with all problems.
    """
    case, tests = _Open("cases", _renamed(cases, "cases")), _Open("cold_tests", _renamed(cold_tests, "cold_tests"))
    if not beside and not _is_open(case, tests):
        return cases, cold_tests, OpenTables()
    tables = {name: _checked(raw, name) for name, raw in beside.items()}
    if any(problem.code == HEADING for problem in _told(tables.values())):
        raise RecordsError(_told(tables.values()))
    known = {code: rows[0] for code, rows in case.rows().items()}
    for name, table in tables.items():
        for code, rows in table.rows().items():
            if code not in known:
                mend = "correct the code or enter the case"
                table.refuse(rows[0], "case_id", "no_case", f"there is no case {code}", mend)
        if name != "screening":
            table.refuse_empty("case_id", "a row without a case", "enter the code of the case")
    told: dict[str, pd.DataFrame] = {}
    if injections := tables.get("injections"):
        told["supplements"] = typed_supplements(injections, _fold_injections(case, injections, known))
    if events := tables.get("adverse_events"):
        _fold_events(case, events, known)
    if screening := tables.get("screening"):
        _check_screening(screening, known)
    folded = _fold_tests(case, tests, known)
    if problems := _told((case, tests, *tables.values())):
        raise RecordsError(problems)
    return case.raw, folded, OpenTables(**{name: table.frame for name, table in tables.items()}, **told)


def _told(tables: Iterable[_Open]) -> list[Problem]:
    """What is wrong in some tables."""
    return [problem for table in tables for _, problem in table.problems]


def _is_open(case: _Open, tests: _Open) -> bool:
    """Whether two tables with nothing beside them are written as open ones."""
    if "response" in case.frame and "response" not in tests.frame:
        return False  # The two were taken for each other: the check of headings says so.
    response = tests.frame["response"] if list(tests.frame.columns).count("response") == 1 else pd.Series(dtype=object)
    return (
        any(column in tests.frame for column in ONLY_OPEN)
        or any(normal_heading(h) in ALSO["cases"] for h in case.raw.frame.columns)
        or bool((response.astype("string").str.strip() == "not_done").any())
    )


def _renamed(raw: RawTable, name: str) -> RawTable:
    """A copy of a table under the headings that the analysis knows."""
    also = ALSO.get(name, {})
    frame = raw.frame.copy().astype(object)
    headings = [normal_heading(h) for h in frame.columns]
    if not any(also.get(h) in headings for h in headings):  # Where both names stand, the check of headings says so.
        frame.columns = pd.Index([also.get(h, h) for h in headings])
    return replace(raw, frame=frame, source_row=pd.Series(np.asarray(raw.source_row)))


def _checked(raw: RawTable, name: str) -> _Open:
    """A table beside the two, its headings, codes and keys held against what they may be."""
    table = _Open(name, _renamed(raw, name))
    headings, known = [str(h) for h in table.frame.columns], OPEN_TABLES[name]
    faults = {h: "this heading stands twice" for h in headings if headings.count(h) > 1}
    faults |= {h: "this column is not in the dictionary" for h in headings if h not in known}
    told = [(h, faults[h], "take the column out", h) for h in dict.fromkeys(headings) if h in faults]
    told += [(h, f"there is no column {h}", "add it", "") for h in NEEDED[name] if h not in headings]
    for heading, what, mend, value in told:
        where = Where(file=raw.file, sheet=raw.sheet, row=1, column=heading)
        table.problems.append((0, Problem(what=what, where=where, mend=mend, value=value, code=HEADING)))
    if table.problems:
        return table
    filled = np.array([any(table.text(row, h) for h in headings) for row in range(len(table.frame))], dtype=bool)
    frame = table.frame[filled].reset_index(drop=True).reindex(columns=list(known))
    table = _Open(name, replace(raw, frame=frame, source_row=table.raw.source_row[filled]))
    for column in NEEDED[name]:
        table.refuse_empty(column, f"{column} is missing", f"enter {column}")
    for column, codes in CODED[name].items():
        for row, text in enumerate(table.texts(column)):
            if text and text not in codes:
                table.refuse(row, column, "code", f"{text} is not a code of {column}", f"write {', '.join(codes)}")
    seen: dict[tuple[str, ...], int] = {}
    for row, key in enumerate(zip(*map(table.texts, KEYS[name]), strict=True)):
        if key in seen:
            what = f"{' '.join(key)} stands in row {table.line(seen[key])} already"
            table.refuse(row, KEYS[name][-1], "duplicate", what, "give every row a number of its own")
        seen.setdefault(key, row)
    return table


def _number(text: str) -> float | None:
    return finite_number(text.replace(",", ".")) if text.count(",") + text.count(".") <= 1 else None


def _same(one: str, other: str) -> bool:
    """Whether two cells say the same: as numbers, if both are."""
    first, second = _number(one), _number(other)
    if first is not None and second is not None:
        return abs(first - second) < 1e-9
    return one.casefold() == other.casefold()


def _put(
    case: _Open, at: int, column: str, source: _Open, row: int, said: str | None = None, value: str | None = None
) -> None:
    """Write a value into the row of a case; what already stands there has to say the same.

    It is what a row of another table says, by default under the same heading.
    """
    said = column if said is None else said
    value = source.text(row, said) if value is None else value
    if not value:
        return
    if not (there := case.text(at, column)):
        if column not in case.frame:
            case.frame[column] = pd.Series([None] * len(case.frame), dtype=object, index=case.frame.index)
        case.frame.iloc[at, list(case.frame.columns).index(column)] = value
    elif not _same(there, value):
        what = f"{value}, but {case.raw.file} row {case.line(at)} says {column} {there}"
        mend = f"correct one of them, or leave {column} out of {case.raw.file}"
        source.refuse(row, said, CONTRADICTION, what, mend)


def _rows_of(known: Mapping[str, int], table: _Open) -> list[tuple[int, list[int]]]:
    """Of each case that a table tells of, its row and those of the table."""
    return [(known[code], rows) for code, rows in table.rows().items() if code in known]


def _fold_injections(case: _Open, table: _Open, known: Mapping[str, int]) -> list[int]:
    """Write injections into their cases; rows of supplements whose doses a case has no room for come back."""
    by_case, beside = _rows_of(known, table), []
    for at, unordered in by_case:
        rows = sorted(unordered, key=lambda row: _number(table.text(row, "number")) or 0.0)
        for row in rows:
            table.number(row, "volume_ml")
        if planned := [row for row in rows if table.text(row, "role") == "planned"]:
            _put(case, at, "technique", table, planned[0])
            _solution(case, at, table, planned)
            _put(case, at, "volume_ml", table, planned[0], value=table.total(planned))
        supplements = [row for row in rows if table.text(row, "role") == "supplemental"]
        if not _supplement(case, at, table, supplements):
            beside += supplements
    told = {at for at, _ in by_case}
    for code, at in known.items():
        if at not in told and not case.text(at, "volume_ml"):
            case.refuse(at, "case_id", "missing", f"{code} has no injection", f"enter it in {table.raw.file}")
    return beside


def _solution(case: _Open, at: int, table: _Open, planned: list[int]) -> None:
    """One solution a case: planned injections of different ones cannot be told apart by the analysis."""
    first = planned[0]
    for column in OF_THE_CASE:
        for row in planned[1:]:
            if not _same(table.text(row, column), table.text(first, column)):
                told = table.text(first, column) or "nothing"
                what = f"planned injections of one case differ: number {table.text(first, 'number')} says {told}"
                table.refuse(
                    row, column, CONTRADICTION, what, "enter one solution for the planned injections of a case"
                )
        _put(case, at, column, table, first)


def _supplement(case: _Open, at: int, table: _Open, rows: list[int]) -> bool:
    """Write the first supplement into its case, and all of them where they are one dose; whether they were."""
    timed: list[tuple[float, int]] = []
    for row in rows:
        if minute := table.number(row, "minute"):
            timed.append((minute, row))
        elif minute == 0 or not table.text(row, "minute"):
            mend = "enter the minute; within the first it is e.g. 0.5"
            table.refuse(row, "minute", "missing", "a supplemental injection without its minute", mend)
    if not timed:
        if not rows and case.text(at, "rescue_min"):
            what = f"a supplement at this minute that {table.raw.file} does not know"
            case.refuse(at, "rescue_min", CONTRADICTION, what, f"enter it in {table.raw.file}, or take it out here")
        return not rows
    row = min(timed)[1]
    _put(case, at, "rescue_min", table, row, "minute")
    _put(case, at, "rescue_technique", table, row, "technique")
    alike = all(_same(table.text(r, c), table.text(row, c)) for r in rows for c in OF_A_SUPPLEMENT)
    # Volumes add up for one solution; of a part of them, or of two solutions, no sum would be true.
    if one := alike and all(_number(table.text(r, "volume_ml")) for r in rows):
        _put(case, at, "rescue_volume_ml", table, row, "volume_ml", table.total(rows))
        for said, column in OF_A_SUPPLEMENT.items():
            _put(case, at, column, table, row, said)
    return one


def _fold_events(case: _Open, table: _Open, known: Mapping[str, int]) -> None:
    for at, rows in _rows_of(known, table):
        if not (told := [row for row in rows if table.text(row, "kind") != "none"]):
            _put(case, at, "adverse_event", table, rows[0], "kind")
            continue
        serious = [row for row in told if table.text(row, "serious") == "yes"]
        # The case has room for one event: any of those told is in agreement with it.
        already = case.text(at, "adverse_event")
        row = next((row for row in told if table.text(row, "kind") == already), (serious or told)[0])
        _put(case, at, "adverse_event", table, row, "kind")
        _put(case, at, "adverse_serious", table, row, "serious", "yes" if serious else None)


def _check_screening(table: _Open, known: Mapping[str, int]) -> None:
    for row in range(len(table.frame)):
        outcome, code = table.text(row, "outcome"), table.text(row, "case_id")
        if outcome == "not_eligible" and not table.text(row, "reason"):
            table.refuse(row, "reason", "missing", "not eligible, without a reason", "enter the reason")
        if outcome in ("declined", "not_eligible") and code:
            what = f"{outcome}, but there is the case {code}"
            table.refuse(row, "case_id", CONTRADICTION, what, "write included, or take the code of the case out")
        if outcome == "included" and not code:
            table.refuse(row, "case_id", "missing", "included, without a case", "enter the code of the case")
    for code, rows in table.rows().items():
        for row in rows[1:]:
            table.refuse(row, "case_id", "duplicate", f"{code} was included twice", "correct the code of the case")
    if len(table.frame) and (unseen := [code for code in known if code not in table.rows()]):
        others = f" and {len(unseen) - 1} other{'s' if len(unseen) > 2 else ''}" if unseen[1:] else ""
        what = f"the case{'s' if others else ''} {unseen[0]}{others} {'were' if others else 'was'} never screened"
        mend = f"enter a row of screening for {'each' if others else 'it'}"
        where = Where(file=table.raw.file, column="case_id")
        table.problems.append((0, Problem(what=what, where=where, mend=mend, code=CONTRADICTION)))


def _fold_tests(case: _Open, tests: _Open, known: Mapping[str, int]) -> RawTable:
    """Cold tests as the earlier table has them."""
    open_ones = [c for c in ONLY_OPEN if c in tests.frame]
    done = np.array([text != "not_done" for text in tests.texts("response")], dtype=bool)
    codes, teeth = tests.texts("case_id"), tests.texts("tooth")
    for row, (code, tooth) in enumerate(zip(codes, teeth, strict=True)):
        if tooth and code in known:
            column = "control_tooth" if tests.text(row, "tooth_role") == "control" else "tooth"
            _put(case, known[code], column, tests, row, "tooth")
    frame = tests.frame
    if "planned_min" in open_ones:
        kinds = ["planned" if text else "extra" for text in tests.texts("planned_min")]
        for row, (told, kind) in enumerate(zip(tests.texts("test_kind"), kinds, strict=True)):
            if told and told != kind:
                what = f"{told}, but planned_min says {kind}"
                tests.refuse(row, "test_kind", CONTRADICTION, what, "correct planned_min, or leave test_kind out")
        frame = frame.assign(test_kind=kinds)
    frame = frame.drop(columns=open_ones)[done].reset_index(drop=True)
    return replace(tests.raw, frame=frame, source_row=pd.Series(np.asarray(tests.raw.source_row)[done]))
