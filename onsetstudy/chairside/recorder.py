"""What the server does with entries: checks them, stores them, opens slips, and says what each role may see."""

from __future__ import annotations

import dataclasses
import datetime as dt
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, field
from pathlib import Path
from typing import Any

from onsetstudy.chairside import views
from onsetstudy.chairside.case_flow import CaseState, RunningLog, visits_of
from onsetstudy.chairside.clock import ServerClock
from onsetstudy.chairside.preparations import held_to_case, preparation_faults, received
from onsetstudy.chairside.sessions import ALONE, MAY, MIXER, TESTER, TREATING
from onsetstudy.chairside.slips import open_slip_for, opened_slip
from onsetstudy.core.errors import OnsetStudyError, RecordsError
from onsetstudy.files.store import EventStore
from onsetstudy.protocol.ledger import STOPS, Standing
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.chair.agreement import agreement_on, latest_sequence, next_step, training_answers, who_finished
from onsetstudy.records.chair.event import Event, in_force
from onsetstudy.records.chair.event_kinds import entry_faults
from onsetstudy.records.chair.mixing_drill import DRILL_TASKS, drill_results
from onsetstudy.records.chair.training import following_sequence, moments_of
from onsetstudy.records.checks.privacy import looks_like_a_person

TEXTS = ("id", "kind", "clock", "at_wall", "device")
OTHERS = {"at_monotonic": int | float, "payload": dict, "case_id": str | None, "corrects": str | None}
FRAME: dict[str, Any] = {**dict.fromkeys(TEXTS, str), **OTHERS}
"""What an entry that the page sends holds."""
STUDY_ONLY = ("paused", "resumed", "unblinded", "followed_up")
LEDGERED = ("paused", "resumed", "unblinded")
MOST_ENTRIES = 100
TAKEN = "another entry has this name"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of one entry: ``written``, ``known`` or ``refused``, and why."""

    id: str
    state: str
    why: str = ""


def _refused(key: str, why: str) -> Answer:
    return Answer(id=key, state="refused", why=why)


def event_from_json(value: Any) -> Event | None:
    """An entry as the page sends it; ``None`` if the value has not the shape of one."""
    if not isinstance(value, dict):
        return None
    told = {"payload": {}, "case_id": None, "corrects": None, **value}
    if told.keys() != FRAME.keys() or not all(isinstance(told[name], shape) for name, shape in FRAME.items()):
        return None
    number = told["at_monotonic"]
    if isinstance(number, bool) or not abs(number) < 1e12:
        return None
    return Event(**{**told, "at_monotonic": float(number)})


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerDoor:
    """How the ledger of the study is reached.

    ``event`` enters what happens; ``standing`` tells whether the study is under way; ``refuse_cut`` raises where the
    log of a sealed file lacks openings that the ledger holds; ``opened`` enters the openings of a file.
    """

    event: Callable[[str, Mapping[str, str]], object]
    standing: Callable[[], Standing]
    refuse_cut: Callable[[Path], object]
    opened: Callable[[Path], object]


@dataclass(eq=False)
class Recorder:
    """A practice's study while the page is open.

    Parameters
    ----------
    protocol : Protocol
    store, preparations : EventStore
        Entries of the chair; what the slips said and what was mixed.
    practice : str
    sealed : Path or None
        Sealed file of the practice.
    clock : ServerClock
        By default the one that is there.
    practising : bool
        Whether these are invented patients.
    ledger : LedgerDoor or None
        Where pauses, unblindings and openings are entered; ``None`` on invented patients.
    shared : bool
        Whether tablets of the same surgery may be paired; it is served by TLS then.
    """

    protocol: Protocol
    store: EventStore
    preparations: EventStore
    _: KW_ONLY
    practice: str
    sealed: Path | None = None
    # The name is looked up as a recorder is made: another clock may stand in its place.
    clock: ServerClock = field(default_factory=lambda: ServerClock())
    practising: bool = False
    ledger: LedgerDoor | None = None
    shared: bool = False

    def __post_init__(self) -> None:
        self._log = RunningLog()
        self._log.take(self.store.events())
        self._lock = threading.Lock()

    def setup(self, role: str) -> views.SetupView:
        """What the page of a role needs to know of the protocol."""
        return views.setup_view(
            self.protocol,
            role=role,
            practice=self.practice,
            practising=self.practising,
            paired_roles=roles_offered(self.protocol) if self.shared and "study" in MAY[role] else (),
        )

    def clock_view(self) -> views.ClockView:
        """The computer's clocks now, and the one axis of all clocks."""
        now = self.clock.read()
        with self._lock:
            axis_s = self._log.axis_s(now.boot, now.server_s, now.server_wall_s)
        return views.ClockView(**dataclasses.asdict(now), axis_s=axis_s)

    # Entries ----------------------------------------------------------------------------------------------------------

    def add(self, role: str, values: Any) -> list[Answer]:
        """Check and store entries in their order; each is answered on its own.

        Raises
        ------
        StoreUnavailable
            If the disk is full or the store locked: none is stored, and all may be sent again.
        """
        if not isinstance(values, list) or len(values) > MOST_ENTRIES:
            return []
        with self._lock:
            return [self._add(role, value) for value in values]

    def _add(self, role: str, value: Any) -> Answer:
        event = event_from_json(value)
        if event is None:
            key = value.get("id") if isinstance(value, dict) else ""
            return _refused(key if isinstance(key, str) else "", "this is no entry")
        if why := self._refusal(role, event) or self._entry_fault(event):
            return _refused(event.id, why)
        state = self.store.append([event])[0]
        if state == "refused":
            return _refused(event.id, TAKEN)
        if state == "written":
            self._log.take(self.store.events(after=self._log.last))
        return Answer(id=event.id, state=state)

    def _entry_fault(self, event: Event) -> str:
        """Enter what concerns the study in its ledger, before it is stored; sent again, it is not entered twice.

        Why it could not be: all that was tapped behind it would wait for the ledger otherwise. Empty if it was.
        """
        if self.ledger is None or event.kind not in LEDGERED or self.store.event(event.id) is not None:
            return ""
        body = {"reason": str(event.payload["reason"])}
        if event.kind == "unblinded":
            (slip, _), given = self._slip_told(self._state(event.case_id)), self._last_prepared(event.case_id)
            typed = None if given is None else given.payload.get("allocation_slip")
            body |= {"case": str(event.case_id), "slip": str((typed if slip is None else slip.slip) or "none")}
        try:
            self.ledger.event(event.kind, body)
        except OnsetStudyError as error:
            return str(error)
        return ""

    def _slip_of(self, state: CaseState) -> views.SlipView | None:
        """What the slip says that was opened for a case; ``None`` where none was, or none is known here."""
        return None if self.sealed is None else opened_slip(self.sealed, self.protocol, state.case_id, state.opened)

    def _slip_told(self, state: CaseState | None) -> tuple[views.SlipView | None, str]:
        """The same, and what is wrong in a log that was changed: none is taken from it, and unblinding goes on."""
        try:
            return None if state is None else self._slip_of(state), ""
        except RecordsError as error:
            return None, str(error).rstrip(".")

    def _state(self, case_id: str | None) -> CaseState | None:
        return self._log.state(case_id, self.protocol)

    def _last_prepared(self, case_id: str | None) -> Event | None:
        return next((e for e in reversed(self._prepared()) if e.case_id == case_id), None)

    def _refusal(self, role: str, event: Event) -> str:
        """Why an entry is not stored; empty if it is."""
        corrected = None if event.corrects is None else self.store.event(event.corrects)
        faults = entry_faults(event, self.protocol, corrected=corrected)
        if event.kind == "preparation" or (corrected is not None and corrected.kind == "preparation"):
            faults.append("what was mixed is entered on the mixer's page")
        if event.kind in ("trained", "drilled") and not self.practising:
            faults.append("training belongs to practice, on invented patients")
        needed = "study" if event.kind in STUDY_ONLY else "mixing" if event.kind == "drilled" else ""
        of_all = event.kind in ("anchor", "prepared", "drilled")
        if (needed and needed not in MAY[role]) or not (of_all or "chair" in MAY[role]):
            faults.append("this role may not do that")
        if not faults and self.store.event(event.id) is None:
            # A case is closed too, whatever becomes of the study.
            turns = event.kind in STOPS and event.case_id is None
            faults.append(self._standing().turn_fault(event.kind) if turns else "")
            faults.append(self._log.place_fault(event, self.protocol.schedule.clock_zero))
        if event.kind == "case_opened" and not any(faults):
            before = self._log.opened_by(str(event.case_id))
            if before not in (None, event.id):
                faults.append("a case of this code is there already")
            if before is None:
                faults.append(self._standing().halt)
            if not str(event.case_id).startswith(f"{self.practice}-"):
                faults.append("the code of the case does not begin with that of the practice")
            if before is None and self.protocol.study.paired:
                day = dt.date.fromisoformat(self._log.day(event))
                visits = visits_of(self._log.states(self.protocol), str(event.payload.get("patient_id")), self.protocol)
                faults.append(visits.fault(day, str(event.payload.get("period"))))
        return "; ".join(filter(None, faults))

    def _standing(self) -> Standing:
        """How the study stands by its ledger, for invented patients by their own entries.

        Over a ledger that cannot be read no further case begins; those that are open go on.
        """
        try:
            return self._log.standing if self.ledger is None else self.ledger.standing()
        except OnsetStudyError as error:
            return Standing(kind="paused", reason=str(error))

    def card(self, patient_id: str, today: dt.date) -> views.CardView:
        """What the store knows of the code on a patient's card, before a case is opened: no arm, and no case."""
        with self._lock:
            visits = visits_of(self._log.states(self.protocol), patient_id, self.protocol)
        known = CODES["period"][: len(self.protocol.arms)] if self.protocol.study.paired else CODES["period"]
        left = [period for period in known if period not in visits.periods]
        why = visits.fault(today) if left else "this patient had every injection that the protocol has"
        # Injections that were not recorded here are not known here: of a new code the number is asked.
        period = left[0] if left and visits.periods else ""
        return views.CardView(injections=len(visits.periods), period=period, why=why)

    def chair(self, after: int) -> views.ChairView:
        """Entries behind a place in the store."""
        with self._lock:
            return views.chair_view(self._log, after, paused=self._standing().halt)

    def overview(self, today: dt.date) -> views.Overview:
        """Completeness and pace."""
        with self._lock:
            return views.overview(self._log, self.protocol, today, paused=self._standing().halt)

    def training(self, assessor: str = "", sequence: str = "") -> views.TrainingView:
        """A sequence to train on; by default the one that was answered last, so that everybody gets the same.

        Nobody is told of another's answers before having given all of one's own.

        Raises
        ------
        OnsetStudyError
            If these are not invented patients, the code may name a person, or there is no such sequence.
        """
        if not self.practising:
            raise OnsetStudyError("training belongs to practice, on invented patients: --practise")
        if looks_like_a_person(assessor):
            raise OnsetStudyError("this may name a person; use a code")
        answers = training_answers(self.store.events())
        name, who = sequence or latest_sequence(answers), assessor.upper()
        moments = moments_of(name)
        if moments is None:
            raise OnsetStudyError("there is no sequence of this name")
        finished = who_finished(answers, name)
        told = agreement_on(name, {one: answers[name][one] for one in finished}, of=who) if who in finished else ()
        return views.TrainingView(
            sequence=name,
            following=following_sequence(name),
            moments=tuple(m.shown for m in moments),
            finished=who in finished,
            agreements=told,
            next_step=next_step(name, told) if who in finished else "",
        )

    def drill(self) -> views.DrillView:
        """Tasks of the mixing drill, and how those who mix have done.

        Raises
        ------
        OnsetStudyError
            If these are not invented patients.
        """
        if not self.practising:
            raise OnsetStudyError("the mixing drill belongs to practice, on invented patients: --practise")
        return views.DrillView(tasks=DRILL_TASKS, results=drill_results(self.store.events()))

    # The mixer --------------------------------------------------------------------------------------------------------

    def mixing(self) -> views.MixingView:
        """Cases that wait for their cartridge, those that have it and run, and how each arm is prepared."""
        with self._lock:
            states = self._log.states(self.protocol)
            paused = self._standing().halt
        states = [s for s in states if s.phase in ("waiting", *views.PREPARED)]
        slips = {str(e.case_id): str(e.payload.get("allocation_slip") or "") for e in self._prepared()}
        slips |= {s.case_id: slip.slip for s in states if (slip := self._slip_told(s)[0]) is not None}
        return views.MixingView(
            waiting=views.cases_in(("waiting",), states, slips),
            prepared=views.cases_in(views.PREPARED, states, slips),
            arms=tuple((a.code, self.protocol.label(a.code), a.preparation, a.mix_mode) for a in self.protocol.arms),
            sealed=self.sealed is not None,
            randomised=self.protocol.study.randomised,
            paused=paused,
        )

    def _prepared(self) -> Sequence[Event]:
        return in_force(self.preparations.events())

    def open_slip(self, case_id: str, by: str, now: dt.datetime, passphrase: str = "") -> views.SlipView:
        """Open the slip of a case that waits.

        Raises
        ------
        OnsetStudyError
            If there is no sealed file, the case does not wait, the study is paused, or the slip cannot be opened.
        """
        if self.sealed is None:
            raise OnsetStudyError("there is no sealed file here; open the paper envelope and enter its number")
        with self._lock:
            case, halt = self._state(case_id), self._standing().halt
        if case is None or case.phase != "waiting":
            raise OnsetStudyError(f"{case_id} does not wait for a cartridge; nothing was opened")
        if halt and self._slip_of(case) is None:
            raise OnsetStudyError(f"{halt}; nothing was opened")
        if self.ledger is not None:
            self.ledger.refuse_cut(self.sealed)
        told = open_slip_for(self.sealed, self.protocol, case_id, case.opened, by=by, now=now, passphrase=passphrase)
        if self.ledger is not None:
            self.ledger.opened(self.sealed)
        return told

    def prepare(self, role: str, values: Mapping[str, Any]) -> list[Answer]:
        """Keep what was mixed apart, and tell the chair no more than that it is prepared.

        ``values`` holds the entries ``preparation`` and ``prepared`` of one case; the second is stored only once the
        first is on the disk.
        """
        kept, told = event_from_json(values.get("preparation")), event_from_json(values.get("prepared"))
        if kept is None or told is None or (kept.kind, told.kind) != ("preparation", "prepared"):
            return [_refused("", "this is no preparation")]
        faults = preparation_faults(kept, self.protocol)
        if kept.case_id != told.case_id:
            faults.append("the two entries are of different cases")
        if not faults:
            with self._lock:
                case, halt = self._state(kept.case_id), self._standing().halt
            kept, faults = held_to_case(
                kept,
                "" if case is None else case.phase,
                slip=None if case is None else self._slip_of(case),
                slip_needed=self.sealed is not None and self.protocol.study.randomised,
                before=self._last_prepared(kept.case_id),
                halt=halt,
            )
        if faults:
            return [_refused(kept.id, "; ".join(faults))]
        state = self.preparations.append([kept])[0]
        if state == "refused":
            return [_refused(kept.id, TAKEN)]
        return [Answer(id=kept.id, state=state), *self.add(role, [values["prepared"]])]

    def unblind(self, role: str, value: Any) -> tuple[Answer, views.SlipView | None]:
        """Log an emergency unblinding with its reason, and only then say what the case received and its slip says."""
        answer = self.add(role, [value])[0]
        if answer.state == "refused" or value.get("kind") != "unblinded":
            return answer, None
        case_id = str(value["case_id"])
        with self._lock:
            slip, doubt = self._slip_told(self._state(case_id))
        told = received(self.protocol, self._last_prepared(case_id), slip, doubt)
        return dataclasses.replace(answer, why=doubt and f"{doubt}. Open the sealed envelope of the case"), told


def roles_offered(protocol: Protocol) -> tuple[str, ...]:
    """Roles of a study: one clinician alone where nobody who tests is blinded, else the mixer apart."""
    return (TESTER, TREATING, MIXER) if dict(protocol.study.blinding).get("assessor") == "yes" else (ALONE,)
