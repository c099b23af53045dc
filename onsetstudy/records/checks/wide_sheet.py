"""One wide sheet, one row a case: unfolded into the two tables, and folded from them.

A head block holds what all cases share; then one heading a column, among them ``target 2`` for the cold test of the
target tooth at the planned minute 2. A cell says ``felt`` (or 1), ``not_felt`` (0), ``not_done`` or nothing; with
``@ 2.3`` behind it where the test was done at another minute than planned.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

import pandas as pd

from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import CODES, UNMIXED_ARM
from onsetstudy.records.checks.headings import normal_heading
from onsetstudy.records.checks.no_records import sums_up
from onsetstudy.records.checks.parse import NO_RESULT, NOT_APPLICABLE
from onsetstudy.records.model import RawTable
from onsetstudy.records.schema import ALWAYS, CASES, LIP_BLOCKS, asked_columns

MARK = "wide_sheet"
"""First cell of a wide sheet."""
EXTRA = {"extra_target": "target", "extra_control": "control"}
RESPONSES = {
    **dict.fromkeys(("felt", "1", "1.0", "yes", "f"), "felt"),
    **dict.fromkeys(("not_felt", "not felt", "0", "0.0", "no", "n"), "not_felt"),
    **dict.fromkeys(("not_done", "not done", *NOT_APPLICABLE), "not_done"),
}
MINUTE = re.compile(r"(?:(?:target|control|tooth|test|t|min|minute)_?)?(\d+(?:[.,]\d+)?)(?:_?(?:m|mins?|minutes?))?")
"""What is meant for the heading of a test, and not written as one."""
TEST = re.compile(r"(target|control)_(\d+(?:[.,]\d+)?)(?:_min)?")
SHORT = (
    *("case_id", "patient_id", "case_date", "arm", "allocation_slip", "procedure", "tooth", "control_tooth"),
    *("baseline_response", "rescue_min", "rescue_technique", "treatment_start_min", "anxiety_before", "anxiety_after"),
    *("guess_patient", "guess_operator", "guess_assessor", "adverse_event", "adverse_serious"),
)
"""Columns of every wide sheet, as far as the protocol asks for them; :func:`_by_protocol` names those besides."""
SHARED = (
    *("practice_id", "clinician_id", "allocation", "technique", "agent", "agent_percent", "vasoconstrictor"),
    *("vasoconstrictor_dilution", "cartridge_ml"),
)
BY_ARM = ("volume_ml", "mix_mode", "bicarbonate_ml")
KNOWN = frozenset(c.name for c in CASES)
NEEDED = tuple(c for c in CASES if c.required)
_Row = tuple[int, dict[str, str], dict[str, tuple[int, str]]]
"""Row of the sheet, what it says by columns, and the places of what it says elsewhere."""


def wide_columns(protocol: Protocol) -> tuple[str, ...]:
    """Headings of an empty wide sheet: what the protocol needs of each case, and a column a planned minute.

    What is left out can be recorded all the same, under its heading of the dictionary.
    """
    wanted = {*SHORT, *_by_protocol(protocol)}
    own = tuple(c.name for c in asked_columns("cases", protocol) if c.name in wanted)
    roles = ("target",) if protocol.schedule.control_tooth == "none" else ("target", "control")
    return (*own, *(f"{role} {minute:g}" for minute in protocol.schedule.tests_min for role in roles))


def _by_protocol(protocol: Protocol) -> Iterator[str]:
    """Columns that one protocol needs and another, which could have them too, does not."""
    plan, techniques = protocol.plan, protocol.eligibility.techniques
    if protocol.study.paired:
        yield "period"
    if not techniques or any(technique in LIP_BLOCKS for technique in techniques):
        yield "lip_numb"
    if protocol.pain is not None:
        yield f"pain_{protocol.pain.moment}"
    if "treatment_success_difference" in (plan.primary, *plan.secondary):
        yield "pain_treatment"
    yield from (name for name in plan.covariates if name not in SHARED + BY_ARM)


def head_keys(protocol: Protocol) -> tuple[str, ...]:
    """Keys of the head block: what all cases share, and what all of one arm do."""
    return (*SHARED, *(f"{arm}: {name}" for arm in protocol.arm_codes for name in BY_ARM))


def unfold_wide(
    rows: Sequence[Sequence[str | None]], *, file: str, sheet: str | None = None
) -> tuple[RawTable, RawTable]:
    """The two tables of a wide sheet.

    Parameters
    ----------
    rows : sequence of rows of text
        All cells from the first row on; ``None`` or empty where nothing is written.
    file, sheet : str
        For places of problems; both tables name the row of the wide sheet.

    Raises
    ------
    RecordsError
        If there are no headings, a head key or a test cell cannot be read, or a case contradicts the head.
    """
    wide = _Wide(rows, file, sheet)
    wide.read_head()
    for row in range(wide.start + 1, len(wide.cells)):
        if any(wide.cells[row]):
            wide.read_case(row)
    wide.refuse_unfilled()
    if wide.problems:
        raise RecordsError(wide.problems)
    own = [h for h in wide.headings if h and not TEST.fullmatch(h) and h not in EXTRA]
    columns = list(dict.fromkeys([*own, *(name for _, name in wide.head)]))
    kinds = ["test_kind"] if any("test_kind" in test for _, test, _ in wide.tests) else []
    of_tests = ["case_id", "minute", "tooth_role", "response", *kinds]
    return wide.table(wide.cases, columns), wide.table(wide.tests, of_tests)


class _Wide:
    """A wide sheet while it is being unfolded; rows are counted from 0 here and from 1 in problems."""

    def __init__(self, rows: Sequence[Sequence[str | None]], file: str, sheet: str | None) -> None:
        self.file, self.sheet = file, sheet
        self.problems: list[Problem] = []
        self.cells = [[("" if c is None else str(c)).strip() for c in row] for row in rows]
        if not (starts := [i for i, row in enumerate(self.cells) if row and normal_heading(row[0]) == "case_id"]):
            self.refuse(0, "case_id", "", "no row begins with case_id", "keep the row of headings of the template")
            raise RecordsError(self.problems)
        self.start = starts[0]
        self.headings = [normal_heading(h) for h in self.cells[self.start]]
        for heading in dict.fromkeys(h for h in self.headings if h and self.headings.count(h) > 1):
            self.refuse(self.start, heading, heading, "this heading stands twice", "leave one of them out")
        for heading in self.headings:
            if not TEST.fullmatch(heading) and (minute := MINUTE.fullmatch(heading)):
                role = "control" if heading.startswith("control") else "target"
                mend = f"did you mean {role} {minute[1]}?"
                self.refuse(self.start, heading, heading, "this is no heading of a test, which has a tooth", mend)
        self.head: dict[tuple[str, str], tuple[str, int]] = {}
        self.unfilled: dict[tuple[str, str], int] = {}
        self.cases: list[_Row] = []
        self.tests: list[_Row] = []

    def refuse(self, row: int, column: str, value: str, what: str, mend: str, code: str = "wide") -> None:
        where = Where(file=self.file, sheet=self.sheet, row=row + 1, column=column)
        self.problems.append(Problem(what=what, where=where, mend=mend, value=value, code=code))

    def read_head(self) -> None:
        """What all cases share, or all of one arm."""
        for i, row in enumerate(self.cells[: self.start]):
            key, value = row[0] if row else "", row[1] if len(row) > 1 else ""
            if not key or normal_heading(key) == MARK:
                continue
            arm, _, name = key.rpartition(":")
            name, arm = normal_heading(name), arm.strip().lower()
            earlier = [line for (a, n), (_, line) in self.head.items() if n == name and (a == arm or "" in (a, arm))]
            if name not in KNOWN:
                mend = "write one of its columns, or take the row out"
                self.refuse(i, key, value, f"{key} is not a column of the dictionary", mend)
            elif arm and arm not in CODES["arm"]:
                mend = f"write {' or '.join(f'{known}: {name}' for known in CODES['arm'])}, or take the row out"
                self.refuse(i, key, value, f"{arm} is not an arm", mend)
            elif value and earlier:
                what = f"cell B{earlier[0]} of the head tells {name} for these cases already"
                self.refuse(i, key, value, what, f"leave one of the rows {earlier[0]} and {i + 1} out")
            elif value:
                self.head[arm, name] = value, i + 1
            else:
                self.unfilled[arm, name] = i + 1

    def refuse_unfilled(self) -> None:
        """What every case needs, or every case of an arm, and neither the head nor a column says."""
        arms = {"", *(case.get("arm", "").lower() for _, case, _ in self.cases)}
        for column in (c for c in NEEDED if c.name not in self.headings and ("", c.name) not in self.head):
            # Where one arm is told, the others are asked about once they have cases; so is what one arm alone needs.
            partly = column.required != "always" or any(name == column.name for _, name in self.head)
            lines = [
                line
                for (arm, name), line in self.unfilled.items()
                if name == column.name and (not partly or arm in arms) and column.required in ("always", arm)
            ]
            if partly and not lines:
                continue
            what, mend = f"the column {column.name} is missing", f"add it: {column.meaning}"
            if lines:
                keys = " and ".join(self.cells[line - 1][0] for line in lines)
                what = f"{keys} is not filled in, neither in the head nor in a column"
                cells = " and ".join(f"cell B{line}" for line in lines)
                mend = f"write it into {cells} of the head, or give it to every case in a column: {column.meaning}"
            self.refuse(lines[0] - 1 if lines else self.start, column.name, "", what, mend, "missing_column")

    def read_case(self, i: int) -> None:
        """One row: the case, and its tests."""
        row = self.cells[i]
        told = {h: v for h, v in zip(self.headings, row, strict=False) if h and v}
        headings = self.headings + [""] * (len(row) - len(self.headings))
        if loose := [v for h, v in zip(headings, row, strict=False) if v and not h]:
            mend = "give it one, or put texts with the separator between quotation marks"
            self.refuse(i, "", loose[0], "a cell without a heading", mend)
        case = {h: v for h, v in told.items() if not TEST.fullmatch(h) and h not in EXTRA}
        if (baseline := RESPONSES.get(case.get("baseline_response", "").lower())) is not None:
            # A cold test too, and answered like the others: the dictionary has no word for one that was not done.
            case["baseline_response"] = "" if baseline == "not_done" else baseline
        places: dict[str, tuple[int, str]] = {}
        self.cases.append((i + 1, case, places))
        if self.no_record(case, told):
            # Told once, with the other lines that are none; what all cases share is not of it.
            return
        for (arm, name), (value, line) in self.head.items():
            if arm not in ("", case.get("arm", "").lower()):
                continue
            if name not in case:
                case[name], places[name] = value, (line, self.cells[line - 1][0])
            elif case[name] != value:
                whose = f"all {'not buffered' if arm == UNMIXED_ARM else arm} cases" if arm else "all cases"
                what = f"{case[name]}, but row {line} of the head says {value} for {whose}"
                self.refuse(i, name, case[name], what, "correct one of them, or give it to every case in a column")
        for heading, cell in told.items():
            for minute, role, text, kind in _tests_of(heading, cell):
                self.read_test(i, heading, cell, (case.get("case_id", ""), minute, role, text, kind))

    def no_record(self, case: Mapping[str, str], told: Mapping[str, str]) -> bool:
        """Whether a row is one of sums, or repeats headings or units: no code of a case, and no readable test."""
        if sums_up(case, [name for name in ALWAYS["cases"] if name in self.headings]):
            return True
        tests = [text for heading, cell in told.items() for _, _, text, _ in _tests_of(heading, cell)]
        readable = any(text.partition("@")[0].strip().lower() in RESPONSES for text in tests)
        return bool(tests) and not readable and not any(map(str.isdigit, case.get("case_id", "")))

    def read_test(self, i: int, heading: str, cell: str, test: tuple[str, str, str, str, str]) -> None:
        """One test of a cell; one that was not done is none."""
        code, minute, role, text, kind = test
        answer, _, done = (part.strip() for part in text.partition("@"))
        response = RESPONSES.get(answer.lower())
        mend = "write felt or 1, not_felt or 0, not_done or nothing; a minute behind @"
        if answer == NO_RESULT:
            mend = "open the workbook in your spreadsheet program and save it"
            self.refuse(i, heading, cell, "a formula without a stored result", mend, "no_result")
        elif response is None:
            self.refuse(i, heading, cell, f"{text} is not felt, not_felt or not_done", mend, "code")
        elif kind and not done:
            self.refuse(i, heading, cell, "an extra test without its minute", mend, "missing")
        elif response != "not_done":
            made = {"case_id": code, "minute": done or minute, "tooth_role": role, "response": response}
            places = dict.fromkeys(("minute", "response"), (i + 1, heading))
            self.tests.append((i + 1, made | ({"test_kind": kind} if kind else {}), places))

    def table(self, rows: Sequence[_Row], columns: Sequence[str]) -> RawTable:
        """What was unfolded, as if it had been written so."""
        cells = [[row.get(c) or None for c in columns] for _, row, _ in rows]
        frame = pd.DataFrame(cells, columns=list(columns), dtype=object)
        at, places = pd.Series([line for line, _, _ in rows], dtype=int), tuple(elsewhere for _, _, elsewhere in rows)
        above = self.start + 1
        return RawTable(frame=frame, source_row=at, file=self.file, sheet=self.sheet, heading_row=above, places=places)


def _tests_of(heading: str, cell: str) -> list[tuple[str, str, str, str]]:
    """Minute, tooth role, text and kind of every test in a cell."""
    if found := TEST.fullmatch(heading):
        return [(found[2].replace(",", "."), found[1], part, "") for part in cell.split("|")]
    if role := EXTRA.get(heading):
        return [("", role, part.strip(), "extra") for part in cell.split("|")]
    return []
