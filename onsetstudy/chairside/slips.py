"""The one place where the recorder opens a slip: the same opening and the same log as at the command line."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from onsetstudy.chairside.views import SlipView, slip_view
from onsetstudy.core.errors import DesignError
from onsetstudy.files.sealed.opening import open_next, recover_arms
from onsetstudy.files.sealed.opening_log import lines_of_case, log_path, log_so_far
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.allocation import ARMS_JOIN


def open_slip_for(
    sealed: Path,
    protocol: Protocol,
    case_id: str,
    opened: Mapping[str, Any],
    *,
    by: str,
    now: dt.datetime,
    passphrase: str = "",
) -> SlipView:
    """Open the next slip for a case as it was set up, and say what it says for this injection.

    Parameters
    ----------
    sealed : Path
        File of the practice.
    protocol : Protocol
    case_id : str
    opened : mapping
        What was entered when the case was opened: the levels of the strata, the patient and the period.
    by : str
        Code of the person who opens.
    now : datetime
    passphrase : str
        What is printed inside the envelope of the slip, for files whose slips each have one.

    Raises
    ------
    DesignError, RecordsError
        As :func:`onsetstudy.files.sealed.opening.open_next`.
    """
    strata = () if protocol.allocation is None else protocol.allocation.strata
    levels = {name: str(opened[name]) for name in strata if name != "practice_id" and opened.get(name)}
    whose, period = _whose(protocol, case_id, opened)
    told = open_next(
        sealed, case_id=whose, levels=levels, opened_by=by, now=now, passphrase=passphrase, study=protocol.study
    )
    if period > len(told.arms):
        raise DesignError(f"the slip {told.slip} is of {len(told.arms)} injections, and this is number {period}")
    side = told.sides[period - 1] if len(told.sides) >= period else ""
    return slip_view(protocol, case_id, told.arms[period - 1], slip=told.slip, side=side, again=told.again)


def opened_slip(sealed: Path, protocol: Protocol, case_id: str, opened: Mapping[str, Any]) -> SlipView | None:
    """What the slip says that was opened for a case, by the log beside the sealed file; ``None`` where none was.

    Raises
    ------
    RecordsError
        If there is a log that was changed.
    """
    whose, period = _whose(protocol, case_id, opened)
    # An arm by minimisation rests on all lines before its own.
    lines = lines_of_case(recover_arms(log_so_far(log_path(sealed)), sealed), whose)
    for slip, told in lines[["slip", "arms"]].astype(str).itertuples(index=False):
        arms = told.split(ARMS_JOIN)
        if period <= len(arms) and arms[period - 1]:
            return slip_view(protocol, case_id, arms[period - 1], slip=slip, again=True)
    return None


def _whose(protocol: Protocol, case_id: str, opened: Mapping[str, Any]) -> tuple[str, int]:
    """Whose slip it is (the patient's, where each has both arms), and which of its injections."""
    if protocol.study.paired:
        return str(opened.get("patient_id", "")), int(opened.get("period") or 1)
    return case_id, 1
