"""Locking a protocol: what was promised, on which day, and every change since with its reason."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from typing import Any

from onsetstudy.core.errors import Problem, ProtocolError
from onsetstudy.protocol.earlier_names import todays_key
from onsetstudy.protocol.lock_results import LockStanding, LockVersion, PlannedAnalysis, ProtocolLock
from onsetstudy.protocol.model import Protocol

Changes = tuple[tuple[str, str, str], ...]
ABSENT = "not there"
# Tables of the protocol that say what is computed, against those that say how the study is run.
PLAN_TABLES = ("analysis", "onset", "rescue", "pain", "anxiety", "looks", "testing", "population")


def first_lock(protocol: Protocol, *, day: dt.date) -> ProtocolLock:
    """Version 1, locked on ``day``."""
    version = LockVersion(number=1, day=day.isoformat(), digest=protocol.digest, reason="first version")
    return ProtocolLock(study_id=protocol.study.id, versions=(version,))


def amend(lock: ProtocolLock, protocol: Protocol, *, changes: Changes, reason: str, day: dt.date) -> ProtocolLock:
    """The next version.

    Parameters
    ----------
    lock : ProtocolLock
    protocol : Protocol
        As it is now.
    changes : tuple of (key, before, after)
        From ``changed_keys``.
    reason : str
        Why; it is printed in the protocol document and the report.
    day : date
        Not before the version before.

    Raises
    ------
    ProtocolError
        If nothing changed, no reason is given, the study is another one or the day lies before the last version.
    """
    latest = lock.latest
    problems = []
    if protocol.study.id != lock.study_id:
        what = f"the lock is of the study {lock.study_id}, not {protocol.study.id}"
        problems.append(Problem(what=what, mend="give the lock of this study", code="study"))
    elif protocol.digest == latest.digest:
        what = f"nothing has changed since version {latest.number} of {latest.day}"
        problems.append(Problem(what=what, code="unchanged"))
    elif not reason.strip():
        keys = ", ".join(key for key, _, _ in changes[:5]) or "the protocol"
        what = f"the locked protocol was changed ({keys}) without a reason"
        problems.append(Problem(what=what, mend="give the reason of the amendment with --reason", code="reason"))
    if day.isoformat() < latest.day:
        what = f"{day} lies before version {latest.number} of {latest.day}"
        problems.append(Problem(what=what, mend="give the day of today", code="day"))
    if problems:
        raise ProtocolError(problems)
    version = LockVersion(
        number=latest.number + 1, day=day.isoformat(), digest=protocol.digest, reason=reason.strip(), changes=changes
    )
    return ProtocolLock(study_id=lock.study_id, versions=(*lock.versions, version))


def changed_keys(before: Mapping[str, Any], after: Mapping[str, Any]) -> Changes:
    """Keys that differ between two normalised contents, by today's names, with both values as JSON text."""
    old, new = _flat(before), _flat(after)
    changed = sorted(key for key in old.keys() | new.keys() if old.get(key) != new.get(key))
    return tuple((todays_key(key), old.get(key, ABSENT), new.get(key, ABSENT)) for key in changed)


def _flat(content: Mapping[str, Any], stem: str = "") -> dict[str, str]:
    flat: dict[str, str] = {}
    for key, value in content.items():
        name = f"{stem}.{key}" if stem else str(key)
        if isinstance(value, Mapping):
            flat |= _flat(value, name)
        else:
            flat[name] = json.dumps(value, ensure_ascii=False, sort_keys=True)
    return flat


def lock_standing(
    protocol: Protocol, lock: ProtocolLock | None, *, first_case: dt.date | None, changes: Changes = ()
) -> LockStanding:
    """Whether the plan was made before the first case and was kept, and which analyses it named.

    Parameters
    ----------
    protocol : Protocol
        The one that the report follows.
    lock : ProtocolLock or None
        ``None``: never locked.
    first_case : date or None
        Day of the first case recorded.
    changes : tuple of (key, before, after)
        Against the version locked last, if the protocol differs from it.
    """
    first = "" if first_case is None else first_case.isoformat()
    if lock is None:
        status = "not_locked"
    elif lock.latest.digest != protocol.digest:
        status = "changed"
    else:
        status = "locked_before" if not first or lock.versions[0].day <= first else "locked_late"
    versions = () if lock is None else lock.versions
    return LockStanding(
        status=status,
        first_case=first,
        versions=versions,
        changes=changes if status == "changed" else (),
        analyses=_analyses(protocol, versions, first),
    )


def _analyses(protocol: Protocol, versions: tuple[LockVersion, ...], first: str) -> tuple[PlannedAnalysis, ...]:
    late = [v for v in versions[1:] if first and v.day > first]
    touched = [v.day for v in late if any(key.split(".")[0] in PLAN_TABLES for key, _, _ in v.changes)]
    plan, amended = protocol.plan, touched[-1] if touched else ""
    ranked = {"primary": (plan.primary,), "secondary": plan.secondary, "sensitivity": plan.sensitivity}
    found = [
        PlannedAnalysis(analysis=name, status=status, amended=amended)
        for status, names in ranked.items()
        for name in names
    ]
    named = {plan.primary, *plan.secondary}
    outcomes = ["success_difference", "hazard_ratio", "rmst_difference", "not_numb_difference"]
    outcomes += [] if protocol.pain is None else ["pain_difference"]
    outcomes += ["treatment_success_difference"] if protocol.tells_treatment else []
    described = [*(o for o in outcomes if o not in named), "by_quarter", "by_technique", "by_practice"]
    return (*found, *(PlannedAnalysis(analysis=name, status="described") for name in described))
