"""How far each case is: from the entries alone, without an arm."""

from __future__ import annotations

import bisect
import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from onsetstudy.protocol.ledger import Standing
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.chair.case_questions import NEW_QUESTIONS, asked_after, asked_before, words
from onsetstudy.records.chair.event import Event, in_force
from onsetstudy.records.chair.event_clock import SOME_TIME, Moment, exactly, local_time
from onsetstudy.records.chair.screening import Screening, screening_of
from onsetstudy.records.schema import LIP_BLOCKS

TIMED = ("baseline", "injection_start", "injection_end", "test")
"""What belongs to a case that runs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseState:
    """How far a case is.

    ``phase`` is one of opened, not_testable, waiting (for the cartridge), prepared, injected, treated, withdrawn and
    closed. ``missing`` are fields that the protocol asks for and nobody entered; ``tests`` and ``tests_not_done``
    count planned tests that were answered, and those passed over before the last one answered.
    """

    case_id: str
    phase: str
    injected: bool
    opened: Mapping[str, Any]
    day: str
    missing: tuple[str, ...]
    tests: int
    tests_not_done: int
    follow_up_due: bool


def case_state(
    case_id: str, entries: Iterable[Event], protocol: Protocol, *, day_of: Callable[[Event], str]
) -> CaseState:
    """State of a case from its entries in force."""
    events = list(entries)
    kinds = {e.kind: e for e in reversed(events)}  # of each kind the first
    told = {name: v for e in events if e.kind in ("case_opened", "recorded") for name, v in e.payload.items()}
    target = [e for e in events if e.payload.get("tooth_role") == "target"]
    baseline = next((str(e.payload["response"]) for e in reversed(target) if e.kind == "baseline"), "")
    tests = (e.payload for e in target if e.kind == "test")
    answered = {test.get("planned_min") for test in tests if test["response"] != "not_done"}
    harm = any(e.kind == "adverse_event" and e.payload["kind"] != "none" for e in events)
    planned = [m for m in protocol.schedule.tests_min if answered and m <= max(a or 0 for a in answered)]
    zero = kinds.get(protocol.schedule.clock_zero)
    injected = zero is not None
    wanted = (*asked_before(protocol), *(asked_after(protocol) if injected else ()))
    skipped = {"lip_numb"} if told.get("technique") not in LIP_BLOCKS else set()
    if told.get("vasoconstrictor") in (None, "", "none", "felypressin"):
        skipped.add("vasoconstrictor_dilution")
    skipped |= {name for name in NEW_QUESTIONS if name not in told}
    first = zero or kinds.get("case_opened")
    return CaseState(
        case_id=case_id,
        phase=_phase(kinds, baseline, protocol),
        injected=injected,
        opened=told,
        day="" if first is None else day_of(first),
        missing=tuple(n for n in wanted if told.get(n) in (None, "") and n not in skipped),
        tests=len(answered),
        tests_not_done=sum(1 for m in planned if m not in answered),
        follow_up_due=harm and "followed_up" not in kinds,
    )


def _phase(kinds: Mapping[str, Event], baseline: str, protocol: Protocol) -> str:
    for kind, phase in (
        ("closed", "closed"),
        ("withdrawn", "withdrawn"),
        ("treatment_start", "treated"),
        ("injection_end", "injected"),
        ("prepared", "prepared"),
    ):
        if kind in kinds:
            return phase
    needed = protocol.schedule.baseline_response == "required"
    if needed and not baseline:
        return "opened"
    return "not_testable" if needed and baseline == "not_felt" else "waiting"


@dataclass(frozen=True, slots=True, kw_only=True)
class Visits:
    """Injections of one patient in this store: which (``periods``), and the day on which the washout ends."""

    periods: tuple[str, ...]
    free: dt.date | None

    def fault(self, day: dt.date, period: str | None = None) -> str:
        """What is wrong with a further injection on a day (of this number, if it is known); empty if nothing is."""
        if period in self.periods:
            return "this injection of the patient is there already: look at the number of the injection on the card"
        late = self.free is None or day >= self.free
        return "" if late else f"the washout of this patient ends on {self.free}"


def visits_of(states: Iterable[CaseState], patient_id: str, protocol: Protocol) -> Visits:
    """Injections that a patient had, by the code on the card."""
    own = [s for s in states if s.injected and s.opened.get("patient_id") == patient_id]
    last = max((dt.date.fromisoformat(s.day) for s in own), default=None)
    rule = protocol.allocation
    washout_days = rule.washout_days if rule is not None and protocol.study.paired else 0
    return Visits(
        periods=tuple(sorted(str(s.opened.get("period") or "") for s in own)),
        free=None if last is None else last + dt.timedelta(days=washout_days),
    )


class RunningLog:
    """Entries of the store in memory, by case, and the clocks they were made by; kept up by what is new."""

    def __init__(self) -> None:
        self.last = 0
        self.standing = Standing()
        self._screened: dict[str | None, Event] = {}
        self._practised: set[str] = set()
        self._cases: dict[str, list[Event]] = {}
        self._order: list[Event] = []
        self.clocks: dict[str, float] = {}
        self._base: dict[str, float] = {}

    def take(self, events: Iterable[Event]) -> None:
        """Add entries that are new in the store."""
        for event in events:
            self.last = max(self.last, event.seq)
            if event.kind in ("drilled", "trained") or event.corrects in self._practised:
                self._practised.add(event.id)
                continue  # for whoever mixes, or for whoever has answered the same; sent to no other page
            if event.kind == "screened" or event.corrects in self._screened:
                self._screened[event.id] = event
                continue
            if event.kind == "anchor":
                told = event.payload
                axis_s = self.axis_s(str(told["boot"]), float(told["server_s"]), float(told["server_wall_s"]))
                self.clocks[event.clock] = axis_s - event.at_monotonic
                continue
            if event.kind in ("paused", "resumed"):
                self.standing = Standing(kind=event.kind, reason=str(event.payload["reason"]))
            if event.case_id is not None:
                self._cases.setdefault(event.case_id, []).append(event)
            self._order.append(event)

    def axis_s(self, boot: str, server_s: float, server_wall_s: float) -> float:
        """Seconds on the one axis of all clocks: the wall clock's at the first anchor of a start, counted on."""
        return self._base.setdefault(boot, server_wall_s - server_s) + server_s

    def entries(self, after: int) -> list[Event]:
        """Entries behind a place; from the beginning, those of cases that are not closed."""
        if after > 0:
            return self._order[bisect.bisect(self._order, after, key=lambda e: e.seq) :]
        # That a case was finished may have been a mistake, and taken back.
        closed = {case_id for case_id in self._cases if any(e.kind == "closed" for e in self.case(case_id))}
        return [e for e in self._order if e.case_id not in closed]

    def case(self, case_id: str) -> list[Event]:
        """Entries of a case that are in force."""
        return in_force(self._cases.get(case_id, ()))

    def states(self, protocol: Protocol) -> list[CaseState]:
        """States of all cases, in the order in which they were opened."""
        return [case_state(case_id, self.case(case_id), protocol, day_of=self.day) for case_id in self._cases]

    def state(self, case_id: str | None, protocol: Protocol) -> CaseState | None:
        """State of a case; ``None`` where nothing was entered of it."""
        if case_id is None or case_id not in self._cases:
            return None
        return case_state(case_id, self.case(case_id), protocol, day_of=self.day)

    def moment(self, event: Event) -> Moment:
        """When an entry was made on the axis of all clocks, by the last anchor of its page."""
        if event.clock not in self.clocks:
            return SOME_TIME
        return exactly(self.clocks[event.clock] + event.at_monotonic)

    def day(self, event: Event) -> str:
        """Day of an entry, by the computer's clock where its page was tied to it."""
        return local_time(event, self.moment(event)).date().isoformat()

    def place_fault(self, event: Event, zero: str) -> str:
        """Why an entry of a case cannot stand where it would; empty if it can. Tests count from the entry ``zero``."""
        if event.case_id is None or event.kind in ("case_opened", "correction"):
            return ""
        there = {e.kind: e for e in self.case(event.case_id)}
        if "case_opened" not in there:
            return "no case of this code was opened"
        if event.kind == "test" and zero not in there:
            return f"the minutes of tests count from the {words(zero)}: enter that first"
        if event.kind not in TIMED or "closed" not in there:
            return ""
        # What was tapped before and comes late, from a page that was away, is taken.
        return "the case was closed before" if self.moment(event).low_s > self.moment(there["closed"]).high_s else ""

    def screening(self) -> Screening:
        """Counts of the screening log."""
        opened = (e for e in self._order if e.kind in ("case_opened", "correction"))
        return screening_of([*self._screened.values(), *opened])

    def opened_by(self, case_id: str) -> str | None:
        """Name of the entry that opened a case."""
        return next((e.id for e in self._cases.get(case_id, ()) if e.kind == "case_opened"), None)
