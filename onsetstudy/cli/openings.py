"""What doors share that open slips: the log held against the ledger, and what a slip said."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from onsetstudy.cli.ledger_entries import enter_missing, standing
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.ledger.ledger import ledger_path, lost_ledger, practice_ledger_path, verified_ledger
from onsetstudy.files.sealed import opening_log
from onsetstudy.files.sealed.coordinator import ASKED_JOIN
from onsetstudy.protocol.ledger import of_kind
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import UNMIXED_ARM


def arm_label(arm: str, promised: Protocol | None) -> str:
    """An arm as the paper slip names it; where no protocol is at hand, never by the code that means another thing."""
    if promised is not None:
        return promised.label(arm)
    return "not buffered" if arm == UNMIXED_ARM else arm


def said(opened: opening_log.Opened, case_id: str, promised: Protocol | None) -> str:
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
    ``beside`` is another ledger that may hold some: the sealed file's own, or the study's where no protocol was named.
    """

    log: Path
    practice: str
    ledger: Path
    by_keeper: bool
    beside: Path | None = None

    @property
    def kind(self) -> str:
        """Kind of their entries."""
        return "slip_opened_for" if self.by_keeper else "slip_opened"

    def refuse_cut(self) -> None:
        """Stop before a slip is opened where the log lacks openings that the ledger holds, or the ledger is gone.

        Raises
        ------
        OnsetStudyError
            With the slips that are missing.
        """
        refuse_lost(self.ledger)
        ledgers = {self.ledger, self.beside or self.ledger}
        held = [e for ledger in ledgers for e in of_kind(verified_ledger(ledger), self.kind)]
        lost, _ = opening_log.unlike_ledger(opening_log.log_so_far(self.log), held, practice=self.practice)
        if lost:
            slips = ", ".join(sorted(lost)[:5])
            mend = "The log was cut, deleted or written anew; restore it from your backup"
            if self.by_keeper:
                mend = "Restore the log from your backup, or name the folder that it is in"
            raise OnsetStudyError(
                f"the ledger holds openings that the log {self.log.name} does not show: {slips}. {mend}. Nothing was "
                "opened"
            )

    def refuse_halted(self, protocol: Path, case_id: str) -> None:
        """Stop before a further case is allocated in a study that is paused or closed; a case with its slip goes on.

        Raises
        ------
        OnsetStudyError
            With how it goes on.
        """
        now = standing(protocol)
        if now.halt and opening_log.lines_of_case(opening_log.log_so_far(self.log), case_id).empty:
            onward = f" Go on with: onsetstudy pause {protocol} --resume --reason WHY" if now.kind == "paused" else ""
            raise OnsetStudyError(f"{now.halt}. Nothing was opened; a case that has its slip may go on.{onward}")

    def enter(self) -> None:
        """Enter every opening of the log that the ledger does not hold: one that a power cut kept out comes in too."""
        bodies = [
            {"practice": self.practice, **{name: row[column] for name, column in opening_log.ENTERED.items()}}
            | ({"asked_by": row["opened_by"].split(ASKED_JOIN)[0]} if self.by_keeper else {})
            for row in opening_log.log_so_far(self.log).astype(str).to_dict("records")
        ]
        enter_missing(self.ledger, self.kind, bodies, lambda body: (body["slip"], body["line"]))


def refuse_lost(ledger: Path) -> None:
    """Stop before anything is entered where a lock stands and the ledger that began with it does not.

    Raises
    ------
    OnsetStudyError
        With what to do.
    """
    if told := lost_ledger(ledger):
        raise OnsetStudyError(f"{told} Nothing was opened")


def openings_of_practice(sealed: Path, protocol: Path | None = None, *, found: Path | None = None) -> Openings:
    """Openings of a sealed file, entered beside the protocol, or beside the file where none is named.

    They are held against both ledgers; the study's is that beside the protocol that was ``found``, if none is named.
    """
    own, home = practice_ledger_path(sealed), protocol or found
    study = own if home is None else ledger_path(home)
    ledger, beside = (own, study) if protocol is None else (study, own)
    practice = str(opening_log.read_sealed(sealed)["practice"])
    return Openings(log=opening_log.log_path(sealed), practice=practice, ledger=ledger, by_keeper=False, beside=beside)
