"""Small studies written in one line: the records of a practice without the typing."""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path

import pandas as pd

from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.check import check_records
from onsetstudy.records.model import RawTable, Records
from onsetstudy.study.practice import analyse as carried_out
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.sets.counted_set import CountedSet

PROTOCOLS = Path(__file__).parents[2] / "protocols"
NO_LIST = "a study written for a test"
_CHECKED: dict[str, Records] = {}
"""What came of the same rows under the same protocol."""


def protocol(name: str = "mandibular_block_group", **changes: object) -> Protocol:
    """A shipped protocol, parts of it replaced: ``plan={"primary": "pain"}``."""
    found = read_protocol(PROTOCOLS / f"{name}.toml")
    for part, values in changes.items():
        whole = getattr(found, part)
        found = dataclasses.replace(
            found, **{part: dataclasses.replace(whole, **values) if isinstance(values, dict) else values}
        )
    return found


def set_of(cells: pd.DataFrame, protocol: Protocol, values: pd.DataFrame | None = None) -> CountedSet:
    """Counts as they are analysed, with scores or without."""
    return CountedSet(frame=cells, protocol=protocol, **({} if values is None else {"values": values}))


@cache
def shipped_records() -> Records:
    """The invented records of the group, read once for all who look at them and change nothing."""
    return read_records([PROTOCOLS.parent / "data" / "synthetic"], protocol())


@cache
def shipped_audit() -> Records:
    """The invented records of the audit, in the same way."""
    return read_records([PROTOCOLS.parent / "data" / "synthetic" / "audit"], protocol("infiltration_audit"))


def case(number: int, arm: str = "plain", **more: str) -> dict[str, str]:
    """One row of cases, as written."""
    buffered = {"mix_mode": "replace", "bicarbonate_ml": "0.18"} if arm == "buffered" else {}
    row = {
        "case_id": f"P01-{number:04d}",
        "practice_id": "P01",
        "clinician_id": "P01-A",
        "patient_id": f"P01-K{number:03d}",
        "case_date": "2026-08-03",
        "arm": arm,
        "allocation": "randomised",
        "tooth": "36",
        "technique": "ianb",
        "agent": "lidocaine",
        "volume_ml": "1.8",
    }
    return {**row, **buffered, **more}


def readings_of(number: int, answers: str, *, control: bool = True) -> list[dict[str, str]]:
    """Cold tests at minutes 1, 2, …: ``f`` felt, ``n`` not felt, ``.`` not done; then a felt control beside each."""
    rows = []
    for minute, answer in enumerate(answers, start=1):
        if answer == ".":
            continue
        base = {"case_id": f"P01-{number:04d}", "minute": str(minute)}
        rows.append({**base, "tooth_role": "target", "response": "felt" if answer == "f" else "not_felt"})
        if control:
            rows.append({**base, "tooth_role": "control", "response": "felt"})
    return rows


def raw(rows: list[dict[str, str]], file: str) -> RawTable:
    frame = pd.DataFrame(rows, dtype=object)
    frame = frame.where(frame.notna(), None)
    return RawTable(frame=frame, source_row=pd.Series(range(2, len(frame) + 2)), file=file)


def records(
    cases: list[dict[str, str]], readings: list[dict[str, str]], promised: Protocol, **options: object
) -> Records:
    # What is checked does not hang on the analysis planned, but for whose cases belong together.
    asked = repr((cases, readings, options, promised.plan.cluster, dataclasses.replace(promised, plan=None)))
    if asked not in _CHECKED:
        _CHECKED[asked] = check_records(raw(cases, "cases.csv"), raw(readings, "cold_tests.csv"), promised, **options)
    found = _CHECKED[asked]
    return dataclasses.replace(found, cases=found.cases.copy(), readings=found.readings.copy())


def study(arms: dict[str, list[str]], promised: Protocol | None = None, **more: str) -> tuple[Protocol, Records]:
    """A study from the answers of each case by arm: ``{"plain": ["fffnn", …]}``."""
    promised = protocol() if promised is None else promised
    cases, readings = [], []
    for arm, answers in arms.items():
        for answer in answers:
            number = len(cases) + 1
            cases.append(case(number, arm, **more))
            readings += readings_of(number, answer)
    return promised, records(cases, readings, promised)


def analyse(promised: Protocol, found: Records, **options: object) -> StudyResults:
    """Results of a study whose arms nobody listed."""
    return carried_out.analyse(promised, found, without_list=NO_LIST, **options)
