"""Kinds of entries of the recorder, and whether an entry is one: told from the data dictionary, refused otherwise."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, cast

from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.chair.case_codes import is_case_code
from onsetstudy.records.chair.event import Event
from onsetstudy.records.chair.event_log import PREPARED_COLUMNS
from onsetstudy.records.chair.mixing_drill import DRILL_TASKS
from onsetstudy.records.chair.screening import SCREENED
from onsetstudy.records.chair.training import moment_faults
from onsetstudy.records.checks.privacy import looks_like_a_person, remark_names_a_person
from onsetstudy.records.schema import CASES, Column, limited
from onsetstudy.records.teeth import TEETH

DERIVED = (
    *("case_id", "practice_id", "case_date", "allocation", "baseline_response", "observation_end_min"),
    *("injection_start", "injection_end", "treatment_start_min", "treatment_end_time", "seated_time", "dismissed_time"),
    *("rescue_min", "rescue_technique", "rescue_volume_ml", "rescue_agent", "rescue_percent", "rescue_vasoconstrictor"),
    *("rescue_dilution", "mixed_to_injection_min", "adverse_event", "adverse_serious"),
)
ENTERED: dict[str, Column] = {c.name: c for c in CASES if c.name not in (*DERIVED, *PREPARED_COLUMNS)}
"""Columns of a case that are typed or chosen at the chair; the others are counted, tapped or kept with the opening."""
PREPARED: dict[str, Column] = {c.name: c for c in CASES if c.name in PREPARED_COLUMNS}
COLUMNS: dict[str, Column] = {c.name: c for c in CASES}
LONGEST_TEXT = 200
LARGEST = 1e300
CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,39}\Z")
IDENT = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{5,63}\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of an entry: codes, a number from ``low`` to ``high``, or a text."""

    codes: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    compulsory: bool = False


_RESPONSE = Key(codes=("felt", "not_felt", "not_done"), compulsory=True)
_ROLE = Key(codes=CODES["tooth_role"], compulsory=True)
_REASON = Key(compulsory=True)
_ANCHOR = Key(low=-1e12, high=1e12, compulsory=True)
_BARE = (
    *("case_opened", "recorded", "preparation", "prepared", "injection_start", "injection_end"),
    *("treatment_start", "treatment_end", "seated", "dismissed", "closed"),
)
KINDS: dict[str, dict[str, Key]] = {
    **{kind: {} for kind in _BARE},
    "baseline": {"tooth_role": _ROLE, "response": Key(codes=CODES["baseline_response"], compulsory=True)},
    "test": {"planned_min": Key(low=0, high=180), "tooth_role": _ROLE, "response": _RESPONSE},
    "supplement": {
        "technique": Key(codes=CODES["rescue_technique"][1:], compulsory=True),
        "agent": Key(codes=CODES["agent"]),
        "volume_ml": Key(low=0.05, high=20),
    },
    "adverse_event": {
        "kind": Key(codes=COLUMNS["adverse_event"].codes, compulsory=True),
        "serious": Key(codes=COLUMNS["adverse_serious"].codes),
        "note": Key(),
    },
    "withdrawn": {"reason": Key()},
    "correction": {"reason": _REASON, "instead": Key()},
    "followed_up": {"note": Key()},
    "unblinded": {"reason": _REASON},
    "paused": {"reason": _REASON},
    "resumed": {"reason": _REASON},
    "trained": {
        "assessor": Key(compulsory=True),
        "sequence": Key(),
        "moment": Key(low=1, high=100, compulsory=True),
        "response": Key(codes=CODES["response"], compulsory=True),
    },
    "screened": {"reason": Key(codes=tuple(SCREENED), compulsory=True)},
    "drilled": {
        "mixer": Key(compulsory=True),
        "task": Key(codes=tuple(str(k + 1) for k in range(len(DRILL_TASKS))), compulsory=True),
        "read_ml": Key(low=0, high=5, compulsory=True),
        "seconds": Key(low=0, high=3600, compulsory=True),
    },
    "anchor": {
        "boot": Key(compulsory=True),
        "server_s": _ANCHOR,
        "server_wall_s": _ANCHOR,
        "half_s": Key(low=0, high=3600, compulsory=True),
    },
}
OF_COLUMNS = {"case_opened": ENTERED, "recorded": ENTERED, "preparation": PREPARED}
"""Entries that hold columns of a case."""
STUDY_KINDS = ("paused", "resumed", "trained", "screened", "drilled", "anchor")
"""Entries that belong to no case."""


def entry_faults(event: Event, protocol: Protocol, *, corrected: Event | None = None) -> list[str]:
    """What is wrong with an entry, in sentences; none if it can be stored.

    ``corrected`` is the entry whose place a correction takes. Whether it contradicts other entries of its case is for
    the check of the tables to say.
    """
    faults = _frame_faults(event)
    if event.kind not in KINDS:
        return [*faults, "this kind of entry is not known"]
    if event.kind == "correction":
        return faults + _correction_faults(event, protocol, corrected)
    if event.kind == "case_opened" and event.case_id and (unfit := protocol.study.code_fault(event.case_id)):
        faults.append(unfit)
    if event.kind == "trained":
        faults += moment_faults(event.payload)
    keys, columns = KINDS[event.kind], OF_COLUMNS.get(event.kind, {})
    if event.kind == "preparation" and "reason" in event.payload:  # why it is another than was to be expected
        keys = {"reason": _REASON}
    faults += _payload_faults({k: v for k, v in event.payload.items() if k not in columns}, keys)
    return faults + [
        f for k, v in event.payload.items() if k in columns for f in _column_faults(columns[k], v, protocol)
    ]


def unreadable(event: Event) -> list[str]:
    """Why a stored entry cannot be read, in sentences; none if it can.

    A store is a file, and a file may hold anything. Whether the entry could be stored today is another question: codes
    and limits of earlier recorders may have been others.
    """
    faults, payload = _time_faults(event), cast("object", event.payload)
    if not isinstance(payload, Mapping):
        return [*faults, "what was entered is no list of fields"]
    for name, key in KINDS.get(event.kind, {}).items():
        value = payload.get(name)
        fits = isinstance(value, str) if key.low is None else _is_number(value)
        if name != "instead" and not fits and (key.compulsory or value is not None):
            faults.append(f"{name} {'is missing' if value is None else 'is not what it must be'}")
    return faults


def _correction_faults(event: Event, protocol: Protocol, corrected: Event | None) -> list[str]:
    if corrected is None or corrected.kind in ("correction", "anchor"):
        return ["a correction names the entry that was wrong"]
    faults = [] if corrected.case_id == event.case_id else ["a correction belongs to the case that it corrects"]
    if (instead := event.payload.get("instead")) is not None:
        if not isinstance(instead, Mapping):
            return [*faults, "a correction gives the entry anew, or nothing"]
        faults += entry_faults(replace(corrected, payload=instead, corrects=None), protocol)
    return faults + _payload_faults({k: v for k, v in event.payload.items() if k != "instead"}, KINDS["correction"])


def _frame_faults(event: Event) -> list[str]:
    named = {"id": event.id, "clock": event.clock, "device": event.device}
    named |= {} if event.corrects is None else {"corrects": event.corrects}
    faults = [f"{part} is no name of an entry" for part, name in named.items() if not _ident(name)]
    if event.kind in STUDY_KINDS:
        if event.case_id is not None:
            faults.append("this entry belongs to no case")
    elif event.kind != "correction" and (event.case_id is None or not is_case_code(event.case_id)):
        faults.append("the code of the case is mistyped: its last sign does not fit")
    return faults + _time_faults(event)


def _time_faults(event: Event) -> list[str]:
    faults = []
    if not (isinstance(event.at_monotonic, float) and math.isfinite(event.at_monotonic) and event.at_monotonic >= 0):
        faults.append("the time of the page is no number")
    try:
        told = dt.datetime.fromisoformat(event.at_wall)
        if told.tzinfo is None:
            faults.append("the time of day has no offset")
        else:
            told.astimezone(dt.UTC)  # the first and the last day of all years may lie outside of them there
    except (TypeError, ValueError, OverflowError):
        faults.append("the time of day cannot be read")
    return faults


def _ident(value: object) -> bool:
    return isinstance(value, str) and IDENT.match(value) is not None


def _payload_faults(payload: Mapping[str, Any], keys: Mapping[str, Key]) -> list[str]:
    faults = [f"{name} is missing" for name, key in keys.items() if key.compulsory and _blank(payload.get(name))]
    for name, value in payload.items():
        if (key := keys.get(name)) is None:
            faults.append(f"{_shown(name)} does not belong here")
        elif value is not None:
            faults += _value_faults(name, value, key)
    return faults


def _blank(value: object) -> bool:
    return value is None or (isinstance(value, str) and not value.strip())


def _column_faults(column: Column, value: Any, protocol: Protocol) -> list[str]:
    if value is None:
        return []
    if column.kind == "tooth":
        known = isinstance(value, str) and value in TEETH[protocol.schedule.tooth_notation]
        return [] if known else [f"{_shown(value)} is no tooth in the notation of this study"]
    faults = _value_faults(column.name, value, limited(column, protocol))
    if column.name == "clinician_id" and not faults and CODE.match(value) is None:
        faults.append("the code of the operator has letters, digits and hyphens only")
    if column.name == "patient_id" and not faults and not is_case_code(str(value)):
        faults.append("the code of the patient is mistyped: its last sign does not fit")
    return faults


def _value_faults(name: str, value: Any, key: Key | Column) -> list[str]:
    if key.codes:
        return [] if value in key.codes else [f"{_shown(value)} is not a code of {name}"]
    if (low := key.low) is not None and (high := key.high) is not None:
        return [] if _is_number(value) and low <= value <= high else [f"{name} lies outside {low:g} to {high:g}"]
    if not isinstance(value, str) or len(value) > LONGEST_TEXT or not value.isprintable():
        return [f"{name} is no text of at most {LONGEST_TEXT} signs"]
    named = remark_names_a_person if name in ("note", "notes", "reason") else looks_like_a_person
    return [f"{name} may name a person; use a code"] if named(value) else []


def _is_number(value: object) -> bool:
    """A whole number may be too large for the others; nothing at the chair comes near."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < LARGEST


def _shown(value: object) -> str:
    return str(value)[:40].encode("ascii", "backslashreplace").decode("ascii")
