"""A store of the recorder read as records, and what it keeps beside them: it stands wherever a workbook stands."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from onsetstudy.core.errors import RecordsError
from onsetstudy.files.guard import problem_in
from onsetstudy.files.output import write_escaped
from onsetstudy.files.store import EventStore, preparations_path
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.chair.event import Event
from onsetstudy.records.chair.event_log import FoldedLog, StudyFacts, fold_events

DRIFT_COLUMNS = ("case_id", "clock", "drift_ppm", "apart_s", "wall_apart_s")
FACTS = ("study_id", "practice_id", "allocation", "clock_zero")


def facts_of(protocol: Protocol, practice: str) -> dict[str, str]:
    """Facts with which a store of a study is made."""
    told = (protocol.study.id, practice, protocol.study.allocation, protocol.schedule.clock_zero)
    return dict(zip(FACTS, told, strict=True))


def refuse_other_study(path: Path, facts: dict[str, str], promised: dict[str, str]) -> None:
    """Refuse a store of another study or practice, or one whose minutes count from something else.

    Raises
    ------
    RecordsError
        If it is one.
    """
    for name, value in promised.items():
        if facts.get(name) != value:
            what = f"its {name} is {facts.get(name)}, and not {value}"
            mend = "give the protocol and the practice that the store was made with"
            raise RecordsError(problem_in(path, what, mend, "other_study"))


def _kept(path: Path) -> tuple[dict[str, str], tuple[Event, ...]]:
    """Facts and entries of a store."""
    with EventStore(path) as store:
        return store.facts(), store.events()


def read_store(path: Path, protocol: Protocol | None = None) -> FoldedLog:
    """The two tables from a store and the preparations beside it.

    Raises
    ------
    RecordsError
        If it is not a store that can be read, or belongs to another study than ``protocol``.
    """
    told, events = _kept(path)
    if protocol is not None:
        refuse_other_study(path, told, facts_of(protocol, told.get("practice_id", "")))
    beside = preparations_path(path)
    _, preparations = _kept(beside) if beside.exists() else ({}, ())
    if missing := [name for name in FACTS if name not in told]:
        raise RecordsError(problem_in(path, f"the store does not say its {missing[0]}", "restore a backup", "store"))
    return fold_events(events, preparations, StudyFacts(**{name: told[name] for name in FACTS}, file=path.name))


def export_store(path: Path, folder: Path) -> list[Path]:
    """Write the open tables of a store, for their owner.

    They are ``cases.csv``, ``cold_tests.csv``, ``adverse_events.csv``, ``screening.csv`` (everybody who was assessed)
    and ``clock_drift.csv``, which tells how far each page's clock ran apart from the computer's, by case, and how far
    its time of day was apart.

    Cells that a spreadsheet would take for a formula get an apostrophe in front.
    """
    folded = read_store(path)
    drift = [
        (d.case_id, d.clock, _told(d.drift_ppm, 1), _told(d.apart_s, 3), _told(d.wall_apart_s, 0)) for d in folded.drift
    ]
    tables = {
        "cases": folded.cases.frame.dropna(axis=1, how="all"),
        "cold_tests": folded.cold_tests.frame,
        "adverse_events": folded.adverse_events,
        "clock_drift": pd.DataFrame(drift, columns=list(DRIFT_COLUMNS), dtype=object),
        "screening": folded.screening,
    }
    return [write_escaped(folder / f"{name}.csv", frame) for name, frame in tables.items()]


def _told(value: float | None, places: int) -> str:
    return "" if value is None else f"{value:.{places}f}"
