"""How the records were: what was refused, queried and read although unusual, and how the testing went."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pandas as pd

from onsetstudy.core.errors import Problem
from onsetstudy.core.intervals import REASONS
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.findings import REFUSALS
from onsetstudy.records.checks.no_records import NO_RECORD, read, refused
from onsetstudy.records.checks.privacy import PSEUDONYMS
from onsetstudy.records.model import Records
from onsetstudy.records.validity.completeness import missing_fields
from onsetstudy.study.results import ChairClocks, DataQuality, Notice

TESTING = {
    "missed_tests": "planned cold tests before onset that were not done: the interval is wider there",
    "invalid_cycles": "tests left out because the control tooth did not feel the cold, or was not recorded",
    "left_censored": "teeth that were numb at their first valid test already",
    "returned": "teeth in which sensation returned after a confirmed onset, while tests went on",
}


def _queried(problems: Iterable[Problem]) -> tuple[Notice, ...]:
    """What was unusual. A heading that is not known may name somebody, so a report only counts such columns."""
    found = list(problems)
    unread = sum(p.code == "unread_column" for p in found)
    text = "columns that the data dictionary does not know were left unread"
    told = _grouped((p for p in found if p.code != "unread_column"), _example)
    return (*told, Notice(code="unread_column", text=text, count=unread)) if unread else told


def _example(problem: Problem) -> str:
    """What was unusual in an accepted row; a code that the study does not know may be somebody's name."""
    value = problem.value or ""
    return problem.what.replace(value, "a code") if value and problem.where.column in PSEUDONYMS else problem.what


def _grouped(problems: Iterable[Problem], told: Callable[[Problem], str]) -> tuple[Notice, ...]:
    """Problems of one kind in one column, most frequent first, with the first as the example."""
    kinds: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        kinds.setdefault((problem.code, problem.where.column or ""), []).append(problem)
    return tuple(
        Notice(code=code, text=f"{column}: {told(found[0])}" if column else told(found[0]), count=len(found))
        for (code, column), found in sorted(kinds.items(), key=lambda item: (-len(item[1]), item[0]))
    )


def _chair_clocks(records: Records, onset: pd.DataFrame) -> ChairClocks | None:
    """How the clocks ran in the analysed cases that were recorded at the chair; ``None`` where none was."""
    table = records.open_tables.clocks
    told = None if table is None else table[table["case_id"].isin(onset["case_id"])]
    if told is None or told.empty:
        return None
    apart = told["apart_s"].dropna()
    return ChairClocks(
        cases=len(told),
        measured=len(apart),
        apart_s=None if apart.empty else float(apart.max()),
        widened=int(told["widened"].sum()),
    )


def data_quality(
    protocol: Protocol, records: Records, onset: pd.DataFrame, *, quarter: str | None = None
) -> DataQuality:
    """Quality of the records behind the analysed cases.

    Parameters
    ----------
    onset : DataFrame
        Derived onset of the analysed cases, with ``arm``, ``reason``, ``missed_tests``, ``invalid_cycles``.
    quarter : str, optional
        Whose cases are asked about what is missing; default: of all quarters.
    """
    counts = {
        "missed_tests": onset["missed_tests"].sum(),
        "invalid_cycles": onset["invalid_cycles"].sum(),
        "left_censored": (onset["reason"] == "numb_at_first_test").sum(),
        "returned": (onset["loss_right_min"] < float("inf")).sum(),
    }
    testing = tuple(Notice(code=code, text=text, count=int(counts[code])) for code, text in TESTING.items())
    arms = protocol.arm_codes
    reasons = tuple(
        (code, text, tuple(int(((onset["reason"] == code) & (onset["arm"] == arm)).sum()) for arm in arms))
        for code, text in REASONS.items()
    )
    lost = (problem for problem in records.problems if problem.code not in NO_RECORD)
    return DataQuality(
        rows_read=read(records, "cases"),
        rows_refused=len(refused(records, "cases")),
        readings_read=read(records, "cold_tests"),
        readings_refused=len(refused(records, "cold_tests")),
        # Never what was written there: a refused value may be a name or a day of birth.
        refused=_grouped(lost, lambda problem: REFUSALS.get(problem.code, "a value that cannot be used")),
        queried=_queried(records.queries),
        repaired=tuple(Notice(code=r.code, text=f"{r.column}: {r.text}", count=r.count) for r in records.repairs),
        testing=testing,
        onset_reasons=reasons,
        missing=missing_fields(records, protocol, quarter=quarter),
        clocks=_chair_clocks(records, onset),
    )
