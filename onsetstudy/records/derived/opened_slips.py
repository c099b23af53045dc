"""Slips that were opened, and those of which no case was recorded: patients randomised of whom no count knows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass

import pandas as pd

from onsetstudy.records.checks.headings import entries_under
from onsetstudy.records.derived.allocation import KeptList, of_case, practices_of, slips_of, slips_of_cases, unrecorded
from onsetstudy.records.derived.withdrawn import codes_in
from onsetstudy.records.model import Records

MOST_MISSING = 0.1
"""As of refused cases: where more are missing, the counts could mislead."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedSlips:
    """How many slips were opened, and those without a record.

    Parameters
    ----------
    opened : int
        Slips that the opening log shows, each once.
    without : tuple of str
        Those of which no row was read, refused or not, by slip or by case, in their order.
    cases : tuple of str
        For which case the log says that each of ``without`` was opened; empty where it names none.
    withdrawn : tuple of str
        Those, not among ``without``, whose patients withdrew before a case was recorded, as the ledger holds.
    """

    opened: int
    without: tuple[str, ...]
    cases: tuple[str, ...]
    withdrawn: tuple[str, ...] = ()

    @property
    def too_many(self) -> bool:
        """Whether so large a share has no record that counts could mislead."""
        return len(self.without) > MOST_MISSING * self.opened


def recorded_slips(records: Records) -> frozenset[str]:
    """Slips named by any row that was read, each behind its practice; of a refused row by itself.

    A row that names no slip, or a wrong one, is the record of the slip that was opened for its case: it is named by
    the code of the case too.
    A refused case has a record, and is told as refused: it may have been refused for its practice. An accepted case
    under another practice than its slip's is no record of the practice whose slip it was.
    """
    named = records.cases.dropna(subset="allocation_slip")
    accepted = slips_of(named["practice_id"], named["allocation_slip"])
    refused = records.rejects[records.rejects["table"] == "cases"]
    of_cases = (*slips_of_cases(records.cases), *map(of_case, codes_in(refused)))
    return frozenset(accepted).union(of_cases, entries_under("allocation_slip", records.rejects))


def opened_slips(
    kept: KeptList | None, recorded: Collection[str], *, practices: Collection[str], until: dt.date
) -> OpenedSlips | None:
    """Opened slips of practices, up to a day, held against those recorded.

    Parameters
    ----------
    kept : KeptList or None
    recorded : collection of str
        As of :func:`recorded_slips`, before rows were left out for any reason.
    practices : collection of str
        Codes of the practices whose records were read; capitals do not count.
    until : date
        Last day that is counted; slips opened later belong to a later quarter.

    Returns
    -------
    OpenedSlips or None
        ``None`` where no opening log was read.
    """
    if kept is None or kept.log is None:
        return None
    log = kept.log.drop_duplicates("slip")
    own = practices_of(log).str.casefold().isin({code.casefold() for code in practices})
    when = pd.to_datetime(log["opened_at"], format="ISO8601", errors="coerce")
    # A line whose time cannot be read was opened some day: it is counted rather than lost.
    slips = log[own & ~(when.dt.normalize() > pd.Timestamp(until))]
    without, withdrew = unrecorded(slips, recorded, kept.withdrawn)
    slip, case = slips["slip"].astype(str), slips["case_id"].fillna("").astype(str)
    return OpenedSlips(
        opened=len(slips), without=tuple(slip[without]), cases=tuple(case[without]), withdrawn=tuple(slip[withdrew])
    )
