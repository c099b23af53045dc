"""What was tapped at the chair, folded into the two tables that a spreadsheet has.

Entries are only ever added. A correction is an entry of its own with a reason; it takes another's place, and the
earlier one stays in the store. Which arm a case received is in no entry of the chair: preparations are kept apart,
with the opening of the slip, and join the others here alone.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from onsetstudy.records.chair.event import Event, in_force
from onsetstudy.records.chair.event_clock import WALL_APART_S, CaseDrift, Moment, case_drift, local_time, place_events
from onsetstudy.records.chair.screening import screening_table
from onsetstudy.records.model import RawTable, supplements_beside
from onsetstudy.records.schema import CASES, COLD_TESTS, Column

PREPARED_COLUMNS = (
    "arm",
    "allocation_slip",
    "mix_mode",
    "bicarbonate_ml",
    "bicarbonate_percent",
    "mixing_min",
    "volume_ml",
)
"""Columns that tell the arm, or could: they stand in preparations and never in an entry of the chair."""
SOONEST_SUPPLEMENT_MIN = next(c.low or 0.0 for c in CASES if c.name == "rescue_min")
FLAG = "clocks disagreed: times of this case are wider than tapped"
TWO_ARMS = "two preparations tell different arms; enter the one that was injected"
OTHERWISE = "prepared otherwise than expected"
WALL_FLAG = "the times of day of a page and of the computer were apart: date and times are the computer's"
TWICE_FLAG = "two pages told a cold test otherwise: the answer that was written first is taken"
EARLY_FLAG = "cold tests tapped before clock zero are left out"
ADVERSE_COLUMNS = ("case_id", "number", "kind", "serious", "minute", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyFacts:
    """What of the protocol the tables need: study, practice, how arms come about, and what minutes count from."""

    study_id: str
    practice_id: str
    allocation: str
    clock_zero: str
    file: str = ""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FoldedLog:
    """Tables as a spreadsheet would hold them, untyped text.

    ``adverse_events`` has a row for each of a case's events (the table of cases has room for one); ``flagged`` are
    cases whose clocks could not be reconciled, and ``widened`` those of them whose tests are only known to lie between
    two moments; ``not_injected`` cases were opened and never injected, and are in no table. ``clocks`` has a row for
    each case: ``case_id``, ``apart_s`` (seconds by which a page's clock ran from the computer's while it timed the
    case, the most of its pages; missing where it was not measured), ``wall_apart_s`` (the same of the time of day) and
    ``widened``; ``drift`` tells it of each of its pages. ``supplements`` are those of two agents, or with a volume that
    is not known, as in ``OpenTables``. ``screening`` is the open table of everybody who was assessed,
    without rows where nobody was noted as not included.
    """

    cases: RawTable
    cold_tests: RawTable
    adverse_events: pd.DataFrame
    flagged: tuple[str, ...]
    not_injected: tuple[str, ...]
    widened: tuple[str, ...]
    clocks: pd.DataFrame
    drift: tuple[CaseDrift, ...]
    screening: pd.DataFrame
    supplements: pd.DataFrame


def fold_events(events: Sequence[Event], preparations: Sequence[Event], facts: StudyFacts) -> FoldedLog:
    """The two tables of records from the entries of the chair and the preparations kept apart.

    Parameters
    ----------
    events : sequence of Event
        All entries of the store, anchors of the clocks included.
    preparations : sequence of Event
        Entries of the kind ``preparation``, and corrections of them.
    facts : StudyFacts

    Returns
    -------
    FoldedLog
        Minutes to a thousandth. A test whose moment is only known to lie between two is entered at the earlier one if
        the cold was felt and at the later one if not, so that onset lies in the interval told.
    """
    ordered = sorted(events, key=lambda e: e.seq)
    moments = place_events(ordered)
    by_case: dict[str, list[Event]] = {}
    for event in (held := in_force(ordered)):
        if event.case_id is not None:
            by_case.setdefault(event.case_id, []).append(event)
    prepared = _prepared(preparations)
    drift = case_drift(ordered, moments)
    wrong_day = {d.case_id for d in drift if abs(d.wall_apart_s) > WALL_APART_S}
    injected = {c: own for c, own in by_case.items() if any(event.kind == facts.clock_zero for event in own)}
    folded = [_Case(case_id, entries, moments, facts) for case_id, entries in injected.items()]
    cases = [case.row(prepared.get(case.case_id, {}), apart=case.case_id in wrong_day) for case in folded]
    tests = [row for case in folded for row in case.tests()]
    adverse = [row for case in folded for row in case.adverse()]
    widened = tuple(case.case_id for case in folded if case.widened)
    return FoldedLog(
        cases=_table(cases, CASES, facts.file, "cases"),
        cold_tests=_table(tests, COLD_TESTS, facts.file, "cold_tests"),
        adverse_events=pd.DataFrame(adverse, columns=list(ADVERSE_COLUMNS), dtype=object),
        flagged=tuple(case.case_id for case in folded if case.flagged),
        not_injected=tuple(case_id for case_id in by_case if case_id not in injected),
        widened=widened,
        clocks=_clocks_table([case.case_id for case in folded], widened, drift),
        drift=drift,
        screening=screening_table(held, moments, facts.practice_id),
        supplements=supplements_beside([row for case in folded for row in case.several()]),
    )


def _prepared(preparations: Sequence[Event]) -> dict[str, dict[str, Any]]:
    """What was mixed for each case, with what has to be noted of it.

    Earlier recorders kept a second preparation beside the first. Where they tell different arms, none is taken.
    """
    found: dict[str, dict[str, Any]] = {}
    for event in in_force(preparations):
        before = found.get(str(event.case_id), {})
        told = found[str(event.case_id)] = dict(event.payload)
        if before and before.get("arm") != told.get("arm"):
            told.update(arm=None, notes=TWO_ARMS)
    for event in preparations:
        if reason := event.payload.get("reason"):
            told = found.get(str(event.case_id), {})
            told["notes"] = "; ".join(filter(None, (told.get("notes"), f"{OTHERWISE}: {reason}")))
    return found


def _clocks_table(case_ids: Sequence[str], widened: Sequence[str], drift: Sequence[CaseDrift]) -> pd.DataFrame:
    apart: dict[str, float] = {}
    wall = dict.fromkeys(case_ids, 0.0)
    for told in drift:
        wall[told.case_id] = max(told.wall_apart_s, wall.get(told.case_id, 0.0), key=abs)
        if told.apart_s is not None:
            apart[told.case_id] = max(told.apart_s, apart.get(told.case_id, 0.0))
    rows = [(case_id, apart.get(case_id, math.nan), wall[case_id], case_id in widened) for case_id in case_ids]
    return pd.DataFrame(rows, columns=["case_id", "apart_s", "wall_apart_s", "widened"])


class _Case:
    """Entries of one case that was injected, and its clock zero."""

    def __init__(
        self, case_id: str, entries: Sequence[Event], moments: Mapping[str, Moment], facts: StudyFacts
    ) -> None:
        self.case_id, self.facts, self.moments = case_id, facts, moments
        self.entries = entries
        self.first: dict[str, Event] = {}
        for event in entries:
            self.first.setdefault(event.kind, event)
        self.zero_event = self.first[facts.clock_zero]
        self.zero = moments[self.zero_event.id]
        self.flagged, self.widened = False, False
        self.given = [event.payload for event in entries if event.kind == "supplement"]
        tests = [event for event in entries if event.kind == "test"]
        # Before the injection has ended no test tells of onset, whatever was felt.
        self.early = [event for event in tests if moments[event.id].high_s < self.zero.low_s]
        # Two pages may answer one planned test of a tooth: it is no second test. What was done comes before all else.
        answers: dict[tuple[Any, Any], Event] = {}
        self.twice = False
        for event in sorted((e for e in tests if e not in self.early), key=_not_done):
            planned = event.payload.get("planned_min")
            first = answers.setdefault((event.id if planned is None else planned, event.payload["tooth_role"]), event)
            self.twice |= not _not_done(event) and event.payload["response"] != first.payload["response"]
        self.timed = list(answers.values())

    def minute(self, event: Event) -> tuple[float, float] | None:
        """Earliest and latest minute after clock zero; ``None`` where nothing bounds it."""
        moment = self.moments[event.id]
        low = (moment.low_s - self.zero.high_s) / 60
        high = (moment.high_s - self.zero.low_s) / 60
        self.flagged |= moment.flagged or self.zero.flagged
        return (max(low, 0.0), max(high, 0.0)) if math.isfinite(low) and math.isfinite(high) else None

    def first_minute(self, kind: str) -> float | None:
        """Earliest minute of the first entry of a kind; ``None`` where there is none, or nothing bounds it."""
        found = self.minute(self.first[kind]) if kind in self.first else None
        return None if found is None else found[0]

    def tests(self) -> list[dict[str, str]]:
        """Rows of cold tests; those that could not be done are none."""
        felt = {e.payload.get("planned_min"): e.payload.get("response") for e in self.timed if _is_target(e)}
        rows = []
        for event in self.timed:
            if _not_done(event):
                continue
            response = event.payload["response"]
            self.widened |= self.moments[event.id].flagged or self.zero.flagged
            if (minute := self.minute(event)) is None:
                continue
            # A control tooth stands beside its target: it moves with what the target said.
            decides = response if _is_target(event) else felt.get(event.payload.get("planned_min"), response)
            at = minute[0] if decides == "felt" else minute[1]
            # The page asks for a planned minute; a test that stands for none was an extra one.
            kind = "extra" if event.payload.get("planned_min") is None else "planned"
            row = (self.case_id, f"{at:.3f}", event.payload["tooth_role"], response, kind)
            rows.append(dict(zip((c.name for c in COLD_TESTS), row, strict=True)))
        return sorted(rows, key=lambda row: float(row["minute"]))

    def row(self, prepared: Mapping[str, Any], *, apart: bool) -> dict[str, str]:
        """Row of the table of cases; ``apart`` where a page's time of day was not the computer's."""
        facts = self.facts
        told: dict[str, Any] = {
            "case_id": self.case_id,
            "practice_id": facts.practice_id,
            "allocation": facts.allocation,
        }
        for event in self.entries:
            if event.kind in ("case_opened", "recorded"):
                told.update(event.payload)
            if event.kind == "baseline" and event.payload.get("tooth_role") == "target":
                told["baseline_response"] = event.payload["response"]
        told.update(self._times(), **self._supplement(), **self._harm())
        told.update({k: v for k, v in prepared.items() if k in PREPARED_COLUMNS})
        if prepared.get("mix_mode", "none") != "none":
            told["mixed_to_injection_min"] = self._mixed_to_injection()
        flags = {FLAG: self.flagged, WALL_FLAG: apart, EARLY_FLAG: self.early, TWICE_FLAG: self.twice}
        noted = (told.get("notes"), prepared.get("notes"), *(flag for flag, holds in flags.items() if holds))
        told["notes"] = "; ".join(str(note) for note in noted if note)
        names = [c.name for c in CASES]
        return {k: _text(v) for k, v in told.items() if k in names and v is not None and v != ""}

    def _times(self) -> dict[str, Any]:
        """Date and clock time at clock zero by the computer's clock, with the page's offset; the others from there."""
        zero_wall = local_time(self.zero_event, self.zero)
        told: dict[str, Any] = {"case_date": zero_wall.date().isoformat()}
        for column in ("injection_start", "injection_end", "treatment_end_time", "seated_time", "dismissed_time"):
            event = self.first.get(column.removesuffix("_time"))
            if event is not None and math.isfinite(after := self.moments[event.id].low_s - self.zero.low_s):
                told[column] = (zero_wall + dt.timedelta(seconds=round(after))).strftime("%H:%M:%S")
        if (minute := self.first_minute("treatment_start")) is not None:
            told["treatment_start_min"] = f"{minute:.3f}"
        if ends := [m[1] for e in self.timed if (m := self.minute(e)) is not None]:
            told["observation_end_min"] = f"{max(ends):.3f}"
        return told

    def _supplement(self) -> dict[str, Any]:
        event, minute = self.first.get("supplement"), self.first_minute("supplement")
        if event is None or minute is None:
            return {}
        # The earliest minute of a widened interval may be that of the injection itself.
        minute = max(minute, SOONEST_SUPPLEMENT_MIN)
        told: dict[str, Any] = {"rescue_min": f"{minute:.3f}", "rescue_technique": event.payload.get("technique")}
        # Volumes add up for one solution; of a part of them, or of two agents, no sum would be true.
        if not self.several():
            told["rescue_volume_ml"] = f"{sum(float(payload['volume_ml']) for payload in self.given):g}"
            told["rescue_agent"] = event.payload.get("agent")
        return told

    def several(self) -> list[dict[str, Any]]:
        """Supplements of two agents, or of which not all volumes are told: each by its own."""
        alike = len({payload.get("agent") for payload in self.given}) < 2
        if alike and all(payload.get("volume_ml") for payload in self.given):
            return []
        return [
            {"case_id": self.case_id, "rescue_agent": p.get("agent"), "rescue_volume_ml": p.get("volume_ml")}
            for p in self.given
        ]

    def _harm(self) -> dict[str, Any]:
        """The table has room for one event: a serious one before others, and any before none."""
        if not (events := [e.payload for e in self.entries if e.kind == "adverse_event"]):
            return {}
        told = min(events, key=lambda p: (p.get("serious") != "yes", p.get("kind") == "none"))
        return {"adverse_event": told.get("kind"), "adverse_serious": told.get("serious")}

    def adverse(self) -> list[dict[str, str]]:
        """All adverse events of the case, numbered."""
        rows: list[dict[str, str]] = []
        for event in self.entries:
            if event.kind == "adverse_event" and event.payload.get("kind") != "none":
                minute = self.minute(event)
                at = "" if minute is None else f"{minute[0]:.1f}"
                kind, serious, note = (_text(event.payload.get(key)) for key in ("kind", "serious", "note"))
                row = (self.case_id, str(len(rows) + 1), kind, serious, at, note)
                rows.append(dict(zip(ADVERSE_COLUMNS, row, strict=True)))
        return rows

    def _mixed_to_injection(self) -> str | None:
        ready, start = self.first.get("prepared"), self.first.get("injection_start")
        if ready is None or start is None:
            return None
        minutes = (self.moments[start.id].low_s - self.moments[ready.id].low_s) / 60
        return f"{minutes:.2f}" if math.isfinite(minutes) and minutes >= 0 else None


def _not_done(event: Event) -> bool:
    return bool(event.payload["response"] == "not_done")


def _is_target(event: Event) -> bool:
    return event.payload.get("tooth_role") == "target"


def _text(value: object) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    return str(value) if value is not None else ""


def _table(rows: Sequence[Mapping[str, str]], columns: Sequence[Column], file: str, sheet: str) -> RawTable:
    names = [c.name for c in columns]
    frame = pd.DataFrame([[row.get(name) for name in names] for row in rows], columns=names, dtype=object)
    return RawTable(frame=frame, source_row=pd.Series(range(2, len(frame) + 2)), file=file, sheet=sheet, timed=True)
