"""What doors share that open slips: the log held against the ledger, and what a slip said."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from onsetstudy.cli.ledger_entries import enter_missing
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.ledger.ledger import ledger_path, practice_ledger_path, verified_ledger
from onsetstudy.files.sealed.coordinator import ASKED_JOIN
from onsetstudy.files.sealed.opening_log import Opened, log_path, read_opening_log, read_sealed
from onsetstudy.protocol.ledger import of_kind
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import UNMIXED_ARM


def arm_label(arm: str, promised: Protocol | None) -> str:
    """An arm as the paper slip names it; where no protocol is at hand, never by the code that means another thing."""
    if promised is not None:
        return promised.label(arm)
    return "not buffered" if arm == UNMIXED_ARM else arm


def said(opened: Opened, case_id: str, promised: Protocol | None) -> str:
    """What a slip said for a case, with the arms as the protocol labels them."""
    arms = [arm_label(arm, promised) for arm in opened.arms]
    told = " then ".join(
        f"{arm} ({side} side)" if side else arm
        for arm, side in zip(arms, opened.sides or ("",) * len(arms), strict=True)
    )
    return f"Slip {opened.slip} ({opened.stratum}), case {case_id}: {told}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Openings:
    """Openings of a practice's slips: their log, and the ledger that holds that they took place.

    ``by_keeper`` tells whether whoever keeps the list opens them: the ledger then holds who asked, never the arm.
    """

    log: Path
    practice: str
    ledger: Path
    by_keeper: bool

    @property
    def kind(self) -> str:
        """Kind of their entries."""
        return "slip_opened_for" if self.by_keeper else "slip_opened"

    def refuse_cut(self) -> None:
        """Stop before a slip is opened where the log lacks openings that the ledger holds.

        Raises
        ------
        OnsetStudyError
            With the slips that are missing.
        """
        lines = set(read_opening_log(self.log)[0]["chain"].astype(str)) if self.log.exists() else set()
        held = of_kind(verified_ledger(self.ledger), self.kind)
        if lost := [
            e.body["slip"] for e in held if e.body["practice"] == self.practice and e.body["line"] not in lines
        ]:
            mend = (
                "Restore the log from your backup, or name the folder that it is in"
                if self.by_keeper
                else "The log was cut, deleted or written anew; restore it from your backup"
            )
            raise OnsetStudyError(
                f"the ledger holds openings that the log {self.log.name} does not show: {', '.join(lost[:5])}. {mend}. "
                "Nothing was opened"
            )

    def enter(self) -> None:
        """Enter every opening of the log that the ledger does not hold: one that a power cut kept out comes in too."""
        bodies = [
            {
                "practice": self.practice,
                "slip": row["slip"],
                "case": row["case_id"],
                "opened_at": row["opened_at"],
                "line": row["chain"],
                **({"asked_by": row["opened_by"].split(ASKED_JOIN)[0]} if self.by_keeper else {}),
            }
            for row in read_opening_log(self.log)[0].astype(str).to_dict("records")
        ]
        enter_missing(self.ledger, self.kind, bodies, lambda body: (body["slip"], body["line"]))


def openings_of_practice(sealed: Path, protocol: Path | None = None) -> Openings:
    """Openings of a sealed file, entered beside the protocol, or beside the file where none is named."""
    ledger = practice_ledger_path(sealed) if protocol is None else ledger_path(protocol)
    return Openings(log=log_path(sealed), practice=str(read_sealed(sealed)["practice"]), ledger=ledger, by_keeper=False)


def enter_opening(sealed: Path, protocol: Path | None = None) -> None:
    """Enter the openings of a sealed file that the ledger does not hold."""
    openings_of_practice(sealed, protocol).enter()
