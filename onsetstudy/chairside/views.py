"""What each role may see: frozen values, one a role. Only these are ever sent.

The page of the tester, of whoever treats, and the overview have no field for an arm, and the entries that they are made
from hold none. What a slip said and what was mixed is in :class:`MixingView` alone.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from onsetstudy.chairside.case_flow import CaseState, RunningLog
from onsetstudy.chairside.clock import Reading
from onsetstudy.protocol.model import Protocol, Quarter, Schedule
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.chair.agreement import Agreement
from onsetstudy.records.chair.case_questions import Question, asked_after, asked_before, question_of, words
from onsetstudy.records.chair.event import Event
from onsetstudy.records.chair.event_kinds import COLUMNS
from onsetstudy.records.chair.mixing_drill import DrillResult, DrillTask
from onsetstudy.records.chair.screening import SCREENED
from onsetstudy.records.schema import LIP_BLOCKS
from onsetstudy.records.teeth import TEETH

PADDED_TO = 4096
SERIOUS = {"yes": "Yes", "no": "No", "not_recorded": "Not known yet"}
PREPARED = ("prepared", "injected", "treated")
RUNNING = ("opened", "waiting", *PREPARED)


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupView:
    """What the page needs to know of the protocol."""

    role: str
    title: str
    practice: str
    practising: bool
    invented: bool
    teeth: tuple[tuple[str, str, str], ...]
    schedule: Schedule
    confirmations: int
    paired: bool
    watching: bool
    before: tuple[Question, ...]
    after: tuple[Question, ...]
    supplements: tuple[tuple[str, str], ...]
    adverse_events: tuple[tuple[str, str], ...]
    serious: tuple[tuple[str, str], ...]
    screened: tuple[tuple[str, str], ...]
    lip_blocks: tuple[str, ...]
    pain_scale: str
    anxiety_scale: str
    paired_roles: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChairView:
    """Entries for the tester and for whoever treats; ``clocks`` ties their page loads to the computer's clock.

    ``paused`` says that no further case begins, and why; empty while the study is under way.
    """

    entries: tuple[Event, ...]
    clocks: Mapping[str, float]
    last: int
    paused: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockView(Reading):
    """The computer's clocks, and ``axis_s``, by which the pages tell each other's times."""

    axis_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainingView:
    """A recorded sequence as somebody who trains may see it, in practice.

    ``moments`` are what the invented patient shows or says, in order, and not what was meant by it. ``finished`` tells
    whether this assessor has answered them all; ``agreements`` with others who have, and ``next_step``, are empty till
    then.
    """

    sequence: str
    following: str
    moments: tuple[str, ...]
    finished: bool
    agreements: tuple[Agreement, ...]
    next_step: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CardView:
    """What the code on a patient's card tells.

    ``injections`` are those recorded here; ``period`` is the number of the next one, empty where it has to be asked;
    ``why`` tells why no case may be opened today, empty if one may.
    """

    injections: int
    period: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillView:
    """The mixing drill, in practice: its tasks in order, and how everybody did."""

    tasks: tuple[DrillTask, ...]
    results: tuple[DrillResult, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingCase:
    """A case for which a cartridge is to be prepared, or was."""

    case_id: str
    technique: str
    agent: str
    cartridge_ml: float | None
    opened_slip: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MixingView:
    """The mixer's page: what waits, what was prepared and may be corrected, the arms, and how each is prepared."""

    waiting: tuple[WaitingCase, ...]
    prepared: tuple[WaitingCase, ...]
    arms: tuple[tuple[str, str, str, str], ...]
    sealed: bool
    randomised: bool
    paused: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SlipView:
    """What the slip of a case says, for the mixer, or what it received; ``differs`` tells what to mind about it."""

    case_id: str
    slip: str
    arm: str
    label: str
    preparation: str
    side: str
    again: bool
    differs: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """Completeness, pace, and what will decide by the protocol. No result, nothing by arm: there is no field for it."""

    title: str
    quarter: str
    injected: int
    injected_quarter: int
    planned_quarter: int | None
    running: tuple[str, ...]
    not_injected: int
    incomplete: tuple[tuple[str, tuple[str, ...]], ...]
    not_closed: tuple[str, ...]
    follow_up_due: tuple[str, ...]
    tests_answered: int
    tests_not_done: int
    paused: str
    assessed: int
    not_included: tuple[tuple[str, int], ...]
    decides: tuple[str, ...]


def as_json(view: Any, *, padded: bool = False) -> bytes:
    """A view as JSON; padded to a multiple of 4,096 bytes where its length could tell something."""
    body = json.dumps(dataclasses.asdict(view), sort_keys=True, separators=(",", ":")).encode("ascii")
    return body + b" " * (-len(body) % PADDED_TO) if padded else body


def watches(protocol: Protocol) -> bool:
    """Whether a protocol only watches what was adopted: one test, at the target minute, that needs no confirmation.

    The page then asks for the end of the injection alone: minutes that count from its start need another.
    """
    plan = protocol.schedule
    once = plan.tests_min == (protocol.onset.target_min,) and plan.clock_zero == "injection_end"
    return protocol.watch is not None and once and protocol.onset.confirmations == 1


def setup_view(
    protocol: Protocol, *, role: str, practice: str, practising: bool, paired_roles: tuple[str, ...] = ()
) -> SetupView:
    """What the page of a role needs to know of the protocol; ``paired_roles`` are those a tablet may be paired for."""
    return SetupView(
        role=role,
        title=protocol.study.title,
        practice=practice,
        practising=practising,
        invented=protocol.study.invented,
        teeth=tuple((code, t.arch, t.dentition) for code, t in TEETH[protocol.schedule.tooth_notation].items()),
        schedule=protocol.schedule,
        confirmations=protocol.onset.confirmations,
        paired=protocol.study.paired,
        watching=watches(protocol),
        before=tuple(question_of(name, protocol) for name in asked_before(protocol)),
        after=tuple(question_of(name, protocol) for name in asked_after(protocol)),
        supplements=tuple((code, words(code)) for code in CODES["rescue_technique"][1:]),
        adverse_events=tuple((code, words(code)) for code in COLUMNS["adverse_event"].codes if code != "none"),
        serious=tuple((code, SERIOUS.get(code, words(code))) for code in COLUMNS["adverse_serious"].codes),
        screened=tuple(SCREENED.items()),
        lip_blocks=LIP_BLOCKS,
        pain_scale=protocol.pain.instrument.scale if protocol.pain else "",
        anxiety_scale=protocol.anxiety.scale if protocol.anxiety else "",
        paired_roles=paired_roles,
    )


def chair_view(log: RunningLog, after: int, *, paused: str) -> ChairView:
    """Entries behind a place in the store, for a page of the chair."""
    entries = tuple(log.entries(after))
    clocks = {clock: log.clocks[clock] for clock in sorted({e.clock for e in entries} & log.clocks.keys())}
    return ChairView(entries=entries, clocks=clocks, last=log.last, paused=paused)


def slip_view(
    protocol: Protocol, case_id: str, arm: str, *, slip: str, side: str = "", again: bool = False
) -> SlipView:
    """What a slip said of a case, and how its arm is prepared."""
    preparation = next(a.preparation for a in protocol.arms if a.code == arm)
    return SlipView(
        case_id=case_id, slip=slip, arm=arm, label=protocol.label(arm), preparation=preparation, side=side, again=again
    )


def cases_in(phases: Sequence[str], states: Sequence[CaseState], slips: Mapping[str, str]) -> tuple[WaitingCase, ...]:
    """Cases in some phases, as whoever mixes sees them."""
    return tuple(
        WaitingCase(
            case_id=s.case_id,
            technique=words(str(s.opened.get("technique", ""))),
            agent=str(s.opened.get("agent", "")),
            cartridge_ml=s.opened.get("cartridge_ml"),
            opened_slip=slips.get(s.case_id, ""),
        )
        for s in states
        if s.phase in phases
    )


def overview(log: RunningLog, protocol: Protocol, today: dt.date, *, paused: str) -> Overview:
    """Completeness of all cases, pace of the quarter, and how many were assessed and not included."""
    states, screening, quarter = log.states(protocol), log.screening(), Quarter.of(today)
    after = [s for s in states if s.injected]
    first, last = quarter.first_day.isoformat(), quarter.last_day.isoformat()
    month = None if protocol.planning is None else protocol.planning.cases_per_month
    return Overview(
        title=protocol.study.title,
        quarter=quarter.label,
        injected=len(after),
        injected_quarter=sum(1 for s in after if first <= s.day <= last),
        planned_quarter=None if month is None else round(3 * month / max(len(protocol.study.practices), 1)),
        running=tuple(s.case_id for s in states if s.phase in RUNNING),
        not_injected=len(states) - len(after),
        incomplete=tuple((s.case_id, s.missing) for s in after if s.missing),
        not_closed=tuple(s.case_id for s in after if s.phase in ("injected", "treated")),
        follow_up_due=tuple(s.case_id for s in states if s.follow_up_due),
        tests_answered=sum(s.tests for s in after),
        tests_not_done=sum(s.tests_not_done for s in after),
        paused=paused,
        assessed=screening.assessed,
        not_included=tuple((SCREENED[code], n) for code, n in screening.reasons),
        decides=what_decides(protocol),
    )


def what_decides(protocol: Protocol) -> tuple[str, ...]:
    """The conditions of the rule of adoption, as declared before the first case; empty where there is none."""
    rule = protocol.adoption
    if rule is None:
        return ()
    if rule.none_because is not None:
        return (f"No rule was declared, because {rule.none_because.rstrip('.')}.",)
    return tuple(f"{text[0].upper()}{text[1:]}." for text in rule.conditions)
