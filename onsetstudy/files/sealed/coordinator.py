"""Slips opened by who keeps the list, case by case as practices ask: nothing that holds an arm lies at a practice."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from onsetstudy.core.errors import DesignError
from onsetstudy.design.allocation.results import Slip
from onsetstudy.files.output import alone
from onsetstudy.files.sealed.described_list import COORDINATOR, read_description
from onsetstudy.files.sealed.kept_allocation import read_slips
from onsetstudy.files.sealed.opening import refuse_case, stratum_of
from onsetstudy.files.sealed.opening_log import Opened, lines_of_case, log_opening, log_so_far
from onsetstudy.protocol.model import StudyIdentity
from onsetstudy.records.checks.privacy import looks_like_a_person

ASKED_JOIN = " > "
"""In the log between the code of who asked and that of who opened."""


def coordinator_log(folder: Path, practice: str) -> Path:
    """Where openings for a practice are logged: beside the list, one log a practice, to be handed to it.

    Raises
    ------
    DesignError
        If the code could leave the folder.
    """
    if not practice or set(practice) & set("/\\") or not practice.isprintable():
        raise DesignError("this is no code of a practice; nothing was opened")
    return folder / f"opened-{practice}.csv"


def open_from_list(
    folder: Path,
    *,
    practice: str,
    case_id: str,
    levels: Mapping[str, str],
    asked_by: str,
    opened_by: str,
    now: dt.datetime,
    study: StudyIdentity,
    slip: str = "",
) -> Opened:
    """Open the next slip of a stratum for a case of a practice, from the whole list, and log it.

    Parameters
    ----------
    folder : Path
        Of a list that was drawn to be opened by its keeper.
    practice, case_id : str
    levels : mapping
        Level of each stratum column, ``{"technique": "ianb"}``.
    asked_by, opened_by : str
        Codes of who asked and of who opens.
    now : datetime
    study : StudyIdentity
        Whose pattern of codes the case has to fit.
    slip : str
        The slip that the practice expects; another than the next is refused.

    Raises
    ------
    DesignError
        If the case has a slip already, the slip is not the next, the codes or levels are none, or all are opened.
        Nothing is opened then.
    RecordsError
        If list or log were changed.
    """
    case_id = case_id.strip()
    log_file = coordinator_log(folder, practice)
    about = read_description(folder / "list.json")
    if about.get("opening") != COORDINATOR:
        raise DesignError(
            "the slips of this list are opened at the practices; two who open one list would give a slip twice. Draw a "
            "list with --way coordinator"
        )
    if about["study"] != study.id:
        raise DesignError("this list is of another study than the protocol; nothing was opened. Give its own")
    slips = read_slips(folder / "list.csv")
    with alone(log_file):
        log = log_so_far(log_file, about["protocol"])
        _refuse(case_id, practice, (asked_by, opened_by), log, slips, study)
        following = _next(slips, log, practice, about["strata"], levels)
        if slip and slip != following.slip:
            raise DesignError(f"the next slip is {following.slip}, not {slip}: slips are opened in order")
        opened = Opened(slip=following.slip, stratum=following.stratum, arms=following.arms, sides=following.sides)
        who = f"{asked_by}{ASKED_JOIN}{opened_by}"
        log_opening(log_file, log, about["protocol"], opened, case_id=case_id, opened_by=who, now=now)
    return opened


def _refuse(
    case_id: str, practice: str, who: Sequence[str], log: pd.DataFrame, slips: Sequence[Slip], study: StudyIdentity
) -> None:
    for code in who:
        if not code.strip() or ASKED_JOIN.strip() in code or looks_like_a_person(code):
            raise DesignError("give the codes of who asked and of who opens, not names; nothing was opened")
    if fault := study.code_fault(case_id, practice):
        raise DesignError(f"{fault}; nothing was opened. Ask for the code as it stands in the records")
    practices = sorted({s.practice_id for s in slips})
    if practice not in practices:
        raise DesignError(f"the list has no slips of this practice; it has: {', '.join(practices)}")
    before = lines_of_case(log, case_id)
    if len(before):
        raise DesignError(
            f"this case has slip {before['slip'].iloc[0]} already, opened at {before['opened_at'].iloc[0]}; a case has "
            "one slip. What it said stands in the log"
        )
    refuse_case(case_id, who[0], {"practice": practice, "practices": practices}, log)


def _next(
    slips: Sequence[Slip], log: pd.DataFrame, practice: str, strata: Sequence[str], levels: Mapping[str, str]
) -> Slip:
    """The slip that follows those that were opened, which have to be the first ones of their stratum."""
    stratum = stratum_of(practice, [name for name in strata if name != "practice_id"], levels)
    own = [s for s in slips if s.stratum == stratum]
    opened = log.loc[log["stratum"] == stratum, "slip"].astype(str).tolist()
    if not own:
        raise DesignError(f"the list has no stratum {stratum}; nothing was opened")
    if opened != [s.slip for s in own[: len(opened)]]:
        raise DesignError(f"the slips of {stratum} were opened out of order; restore list and log from your backup")
    if len(opened) == len(own):
        raise DesignError(f"there are {len(own)} slips of {stratum} and all have been opened; draw a further list")
    return own[len(opened)]
