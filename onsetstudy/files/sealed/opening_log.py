"""Sealed files and their opening logs as they are read from disk, and what proves an opened slip."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from onsetstudy.core.errors import DesignError, RecordsError
from onsetstudy.design.allocation.results import Slip
from onsetstudy.design.allocation.seal import chain_step
from onsetstudy.files.guard import problem_in, read_json, read_text
from onsetstudy.files.output import write_csv
from onsetstudy.files.sealed.sealed_check import sealed_faults
from onsetstudy.protocol.ledger import LedgerEntry, of_kind
from onsetstudy.records.derived.allocation import ARMS_JOIN, LOG_COLUMNS, OLD_LOG_COLUMNS, practices_of

MOST_TOLD = 20
NONCE_COLUMNS = ("slip", "nonce", "sides")
"""What proves an opened slip against its published commitment."""
ENTERED = {"slip": "slip", "case": "case_id", "opened_at": "opened_at", "line": "chain"}
"""What a ledger holds of a line of a log, each with the column that it stands in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A slip that was opened: its arms by period and sides, and whether it had been opened for this case before.

    ``asked`` is the stratum that was asked for where a case comes again: it may be another than ``stratum``.
    """

    slip: str
    stratum: str
    arms: tuple[str, ...]
    sides: tuple[str, ...]
    again: bool = False
    asked: str = ""


def log_path(sealed: Path) -> Path:
    """Where openings of a sealed file are logged: beside it."""
    return sealed.with_name(sealed.stem.replace("sealed", "opened", 1) + ".csv")


def sealed_path(log: Path) -> Path:
    """Where the sealed file of a log of openings is: beside it."""
    return log.with_name(log.stem.replace("opened", "sealed", 1) + ".json")


def read_sealed(path: Path) -> dict[str, Any]:
    """Content of a sealed file.

    Raises
    ------
    DesignError
        If it is none.
    """
    mend = "Give the file sealed-….json of your practice; if it is that file, ask its maker for it anew"

    def refused(*faults: str) -> DesignError:
        told = [f"this is not a sealed file of allocation slips: {fault}" for fault in faults[:MOST_TOLD]]
        if len(faults) > MOST_TOLD:
            told.append(f"there are {len(faults) - MOST_TOLD} more such places")
        return DesignError([problem_in(path, what, mend, "sealed") for what in told])

    content = read_json(path, refuse=refused)
    if faults := sealed_faults(content):
        raise refused(*faults)
    return dict(content)


def nonces_path(log: Path) -> Path:
    """Where the nonces of slips that were opened are kept: beside their log."""
    name = log.name.replace("opened", "nonces", 1)
    return log.with_name(name if name != log.name else f"nonces-{name}")  # of a sealed file that was renamed


def read_nonces(log: Path) -> dict[str, tuple[str, list[str]]]:
    """Nonce and sides of every slip of a log whose slips had passphrases."""
    path = nonces_path(log)
    if not path.exists():
        return {}
    frame = read_plain_table(path, NONCE_COLUMNS, "a list of nonces of opened slips")
    rows = frame.astype(str).itertuples(index=False, name=None)
    return {slip: (nonce, [side for side in sides.split(ARMS_JOIN) if side]) for slip, nonce, sides in rows}


def log_so_far(path: Path, first: str | None = None) -> pd.DataFrame:
    """The log before a further opening; without lines where there is none.

    ``first`` is as of :func:`read_opening_log`.

    Raises
    ------
    RecordsError
        If it was changed.
    """
    if not path.exists():
        return pd.DataFrame({name: pd.Series(dtype=object) for name in LOG_COLUMNS})
    log, broken = read_opening_log(path, first)
    if broken:
        what = f"the opening log was changed at slip {broken[0]}"
        mend = "restore the log from your backup; nothing is opened on top of a broken log"
        raise RecordsError(problem_in(path, what, mend, "log_broken"))
    return log


def lines_of_case(log: pd.DataFrame, case_id: str) -> pd.DataFrame:
    """What was opened for a case, however its code is written: "P01-0003", "p01-0003" and "P01 0003" are one case."""
    return log[log["case_id"].astype(str).map(_spoken) == _spoken(case_id)]


def _spoken(code: str) -> str:
    """A code as it is read out: capitals, and which sign stands between its parts, do not count."""
    return re.sub(r"[ _-]+", "-", code.strip().casefold())


def log_line(opened: Opened | Slip, *, opened_at: str, case_id: str, opened_by: str) -> dict[str, str]:
    """One line of a log, before it is chained to the one before it."""
    return {
        "opened_at": opened_at,
        "slip": opened.slip,
        "stratum": opened.stratum,
        "case_id": case_id,
        "opened_by": opened_by,
        "arms": ARMS_JOIN.join(opened.arms),
    }


def chained_lines(lines: Iterable[Mapping[str, str]], link: str) -> pd.DataFrame:
    """Lines of a log, each chained to the one before it, the first to ``link``."""
    rows = []
    for line in lines:
        link = chain_step(link, line)
        rows.append({**line, "chain": link})
    return pd.DataFrame(rows, columns=list(LOG_COLUMNS))


def log_opening(
    path: Path, log: pd.DataFrame, first: str, opened: Opened, *, case_id: str, opened_by: str, now: dt.datetime
) -> None:
    """Write a log with an opening of this moment behind it: written before the arm is told, so that it is on record.

    Parameters
    ----------
    path : Path
    log : DataFrame
        As it was, see :func:`log_so_far`.
    first : str
        Digest that a log begins with.
    opened : Opened
    case_id, opened_by : str
    now : datetime
    """
    link = str(log["chain"].iloc[-1]) if len(log) else first
    line = log_line(opened, opened_at=now.isoformat(timespec="seconds"), case_id=case_id, opened_by=opened_by)
    write_csv(path, pd.concat([log, chained_lines([line], link)], ignore_index=True), private=True)


def read_opening_log(path: Path, first: str | None = None) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The log, and the slips of lines whose chain does not hold.

    ``first`` is the digest that the log begins with; ``None``: that of the sealed file, where it lies beside. A line of
    an earlier log, which kept the number of the slip alone, has empty ``arms``.

    Raises
    ------
    RecordsError
        If this is not an opening log.
    """
    frame = read_plain_table(path, LOG_COLUMNS, "an opening log", earlier=OLD_LOG_COLUMNS)
    sealed, link = sealed_path(path), first
    if link is None and sealed.exists():
        link = read_sealed(sealed)["protocol"]
    broken = []
    for row in frame.to_dict("records"):
        if link is not None and _link(link, row) != row["chain"]:
            broken.append(str(row["slip"]))
        link = str(row["chain"])
    return frame, tuple(broken)


def _link(before: str, row: Mapping[Any, Any]) -> str:
    """What a line's link has to be. One without arms was written when logs kept none: its link holds none either."""
    return chain_step(before, {name: str(row[name]) for name in LOG_COLUMNS[:-1] if name != "arms" or row[name]})


def openings_entered(entries: Sequence[LedgerEntry]) -> tuple[LedgerEntry, ...]:
    """Entries of opened slips, whoever opened them."""
    return (*of_kind(entries, "slip_opened"), *of_kind(entries, "slip_opened_for"))


def unlike_ledger(
    log: pd.DataFrame, entries: Sequence[LedgerEntry], *, practice: str = ""
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Slips whose opening a ledger holds and the log does not show so, and those that the log alone shows.

    Parameters
    ----------
    log : DataFrame
        Opening logs, each from its first line.
    entries : sequence of LedgerEntry
        A practice of which these hold no opening is not asked about: its slips are entered elsewhere.
    practice : str
        Whose log it is; by default it is asked of its lines.
    """
    whose = pd.Series(practice, index=log.index) if practice else practices_of(log)
    here = {practice} if practice else set(whose) or {str(e.body["practice"]) for e in openings_entered(entries)}
    entered = {
        tuple(str(e.body[name]) for name in ENTERED): str(e.body["practice"])
        for e in openings_entered(entries)
        if e.body["practice"] in here
    }
    rows = log[whose.isin(set(entered.values())).to_numpy()].astype(str)
    shown = dict.fromkeys(rows[list(ENTERED.values())].itertuples(index=False, name=None))
    lost = dict.fromkeys(line[0] for line in entered if line not in shown)
    # The first line of a log is chained to the protocol that its list was drawn under.
    begun = {str(e.body["protocol"]) for e in of_kind(entries, "list_drawn")}
    for row in rows[~whose[rows.index].duplicated()].to_dict("records") if begun else ():
        # Arms that were recovered from the sealed file stand in no link.
        if row["chain"] not in {_link(link, told) for link in begun for told in (row, {**row, "arms": ""})}:
            lost[str(row["slip"])] = None
    alone = dict.fromkeys(line[0] for line in shown if line not in entered and line[0] not in lost)
    return tuple(lost), tuple(alone)


def read_plain_table(
    path: Path, columns: tuple[str, ...], what: str, *, earlier: tuple[str, ...] | None = None
) -> pd.DataFrame:
    """A CSV file with exactly these columns (or those of an ``earlier`` form, the others then empty), as text.

    Raises
    ------
    RecordsError
        If it is not one.
    """

    def refuse(text: str, mend: str) -> RecordsError:
        return RecordsError(problem_in(path, text, mend, "file"))

    text = read_text(path)
    if "\0" in text:
        raise refuse("no file of this kind holds such signs", "restore it as it was written")
    try:
        rows = list(csv.reader(io.StringIO(text), strict=True))
    except csv.Error as error:
        cut = f"this is not {what}: a line of it cannot be read ({error})"
        raise refuse(cut, "restore it as it was written") from None
    found = tuple(rows[0]) if rows else ()
    if found not in (columns, earlier) or not found:
        raise refuse(f"this is not {what}", f"its first line must read {','.join(columns)}")
    if uneven := [k for k, row in enumerate(rows) if row and len(row) != len(found)]:
        raise refuse(f"row {uneven[0] + 1} has {len(rows[uneven[0]])} entries", f"{len(found)} are needed")
    frame = pd.DataFrame([row for row in rows[1:] if row], columns=list(found), dtype=object)
    return frame.reindex(columns=list(columns), fill_value="")
