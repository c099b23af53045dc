"""What a door was given: records, what tells their arms, and whether they may be reported or sent."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from onsetstudy.cli import say
from onsetstudy.cli.withdrawals import withdrawn_codes
from onsetstudy.core.errors import OnsetStudyError, Problem, RecordsError
from onsetstudy.files.ledger.side_files import against_ledger, read_arms
from onsetstudy.files.output import rejects_path, write_escaped
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.records.chair.event_clock import WALL_APART_S
from onsetstudy.records.checks import no_records
from onsetstudy.records.derived import flow
from onsetstudy.records.derived.allocation import LOG_FAULTS, NO_ALLOCATION, KeptList, as_allocated, deviation_text
from onsetstudy.records.derived.opened_slips import OpenedSlips, opened_slips
from onsetstudy.records.derived.withdrawn import without_cases
from onsetstudy.records.model import Records

WITHDRAW = "That a patient left before the injection is entered with: onsetstudy withdraw PROTOCOL --case CODE."
"""How a slip is accounted for whose patient left before the injection."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenRecords:
    """Where the records are, and how strictly they are taken."""

    paths: tuple[Path, ...]
    strict: bool
    drop_unknown: bool
    rejects: Path | None

    def read(self, promised: Protocol, protocol: Path) -> Records:
        """Checked records; refused rows are kept in a file, and what was found is said.

        No row of a patient who wanted the data gone is kept there.
        """
        checked = read_records(self.paths, promised, strict=self.strict, drop_unknown=self.drop_unknown)
        beside = self.rejects or rejects_path(self.paths)
        refused = without_cases(checked, withdrawn_codes(protocol)[1]).rejects
        # A file from before is written anew, though no row be left in it: of what was corrected, or of whom it was.
        if len(checked.rejects) or beside.is_file():
            write_escaped(beside, refused)
        _say_records(checked, beside)
        return checked


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenArms:
    """What tells which arm chance had chosen, or the reason why nothing does."""

    allocation: Path | None
    logs: tuple[Path, ...]
    without_list: str | None

    def read(
        self, promised: Protocol, protocol: Path, beside: Sequence[Path]
    ) -> tuple[KeptList | None, KeptList | None]:
        """The list or log that was named, or the logs that lie beside the records; nothing where a reason is given.

        The second is what tells which slips were opened: the log that the arms are taken from, else the one beside the
        records. A reason for going on without a list is none for leaving opened slips uncounted; a log that cannot be
        read is passed over, as it may be that reason.

        Raises
        ------
        click.UsageError
            If a reason is given beside a list or log.
        """
        named = self.allocation is not None or bool(self.logs)
        if self.without_list is not None and named:
            raise click.UsageError("Give the list or log, or --without-list with the reason why there is none.")
        kept = None
        if self.without_list is None and (promised.study.randomised or named):
            kept = against_ledger(read_arms(allocation=self.allocation, logs=self.logs, beside=beside), protocol)
        log = kept
        if promised.study.randomised and (kept is None or kept.log is None):
            with contextlib.suppress(OnsetStudyError):
                log = against_ledger(read_arms(beside=beside), protocol)
        return kept, log

    def require(self, promised: Protocol, kept: KeptList | None) -> None:
        """Stop where a study that chance allocates has neither list nor log nor a reason.

        Raises
        ------
        RecordsError
            With the options that give them; whoever asks in Python is told arguments.
        """
        if promised.study.randomised and kept is None and not (self.without_list or "").strip():
            mend = "give the practice's opening log (--log opened-P01.csv) or the list (--allocation FOLDER), or say "
            mend += "why there is none (--without-list REASON): every page then says so"
            raise RecordsError.of_key("allocation", NO_ALLOCATION, mend, code="no_allocation")

    def read_to_send(
        self, promised: Protocol, protocol: Path, beside: Sequence[Path]
    ) -> tuple[KeptList | None, KeptList | None]:
        """:meth:`read` before counts leave a practice: something has to tell the arms, and a log as it was written.

        Raises
        ------
        RecordsError
            With what is wrong in the log, and what to do.
        """
        kept, log = self.read(promised, protocol, beside)
        self.require(promised, kept)
        if kept is None or kept.source != "log" or not (faults := kept.log_faults):
            return kept, log
        what = "the opening log, which tells the arms, cannot be believed"
        last = "if that cannot be, --without-list REASON sends arms as injected, and every page says so"
        raise RecordsError(
            [
                Problem(what=f"{what}: {_fault_told(code, slips)}", mend=f"{LOG_FAULTS[code]}; {last}", code=code)
                for code, slips in faults.items()
            ]
        )

    def say(self, kept: KeptList | None, records: Records | None = None) -> None:
        """What tells the allocated arm, in a line; of records on which it tells nothing, that it does not."""
        if kept is not None:
            slips = kept.listed["slip"].nunique()
            told = f"the list of {slips} slips" if kept.source == "list" else f"opening logs of {slips} slips"
            if records is not None and as_allocated(records, kept).cases["arm_allocated"].isna().all():
                click.echo(f"Arms as injected; allocation not checked: no case was found in {told}.", err=True)
            else:
                click.echo(f"Arms as allocated, from {told}.")
            say_log_faults(kept)
        elif (self.without_list or "").strip():
            click.echo(f"Arms as injected; allocation not checked: {self.without_list}", err=True)


def say_log_faults(kept: KeptList, *more: str) -> None:
    """What makes an opening log doubtful, if anything does, with what to do; and then what more there is to say."""
    told = [f"{_fault_told(code, on)}: {LOG_FAULTS[code]}." for code, on in kept.log_faults.items()]
    say.please_look(*told, *(more if told else ()))


def _fault_told(code: str, slips: Sequence[str]) -> str:
    return f"{len(slips)} {deviation_text(code, len(slips))} ({say.first_of(slips)})"


def _say_records(records: Records, rejects: Path) -> None:
    """What was read, refused and unusual."""
    cases = no_records.read(records, "cases")
    refused = cases - len(records.cases)
    if 2 * refused > cases:
        # Another protocol is the usual reason, and its many faults would bury the question.
        click.echo(f"{refused} of {cases} cases are refused: is this the protocol of these records?", err=True)
    say.problems(records.problems)
    say.lines([say.to_look_at(query) for query in say.gathered(records.queries)], " to look at")
    for repair in records.repairs:
        often = "once" if repair.count == 1 else f"{repair.count} times"
        click.echo(f"Column {repair.column}: {repair.text} ({often}).", err=True)
    _say_clocks(records)
    say.read("Cases", cases, len(records.cases))
    say.read("Cold tests", no_records.read(records, "cold_tests"), len(records.readings))
    if len(records.rejects):
        rows = "Refused rows" if len(no_records.refused(records)) else "Lines that are no records"
        click.echo(f"{rows}, with reasons: {rejects}")


def _say_clocks(records: Records) -> None:
    """Cases of the recorder on whose page it was another time of day than on the computer."""
    if (clocks := records.open_tables.clocks) is None:
        return
    apart = clocks.loc[clocks["wall_apart_s"].abs() > WALL_APART_S, "case_id"].astype(str).tolist()
    if apart:
        say.please_look(
            f"the time of day of a page and of the computer were more than a minute apart in {len(apart)} of "
            f"{len(clocks)} cases ({say.first_of(apart)}): their dates are the computer's. Look whether they are right."
        )


def slips_told(
    log: KeptList | None, recorded: Collection[str], *, practices: Collection[str], through: Quarter
) -> OpenedSlips | None:
    """Opened slips of practices; that some have no record is said, with the first of them."""
    slips = opened_slips(log, recorded, practices=practices, until=through.last_day)
    if slips is not None and slips.without:
        named = [f"{slip} of {case}" if case else slip for slip, case in zip(slips.without, slips.cases, strict=True)]
        say.please_look(
            f"{unrecorded(len(slips.without), slips.opened)} ({say.first_of(named)}). Enter the cases that were "
            "injected under their practice; a case that was opened and not injected has nothing to be entered: it "
            f"counts as allocated and not analysed. {WITHDRAW} Find out which it was: whoever leaves cases out chooses "
            "who counts."
        )
    if slips is not None and (left := len(slips.withdrawn)):
        click.echo(f"{left} {deviation_text('withdrawn', left)} ({say.first_of(slips.withdrawn)}).")
    return slips


def unrecorded(without: int, opened: int) -> str:
    """How many of the opened slips have no record."""
    return f"{without} of {opened} opened slips {'has' if without == 1 else 'have'} no record"


def _left_out(
    records: Records, promised: Protocol, through: Quarter, practice: str | None = None
) -> list[tuple[str, list[str]]]:
    """Why accepted cases (of a practice) are not analysed, with their codes."""
    reason = flow.exclusion_reasons(records, promised, through=through)
    asked = reason if practice is None else reason.where(records.cases["practice_id"] == practice, "")
    texts = {**flow.EXCLUSIONS, "later_quarter": f"after {through.label}"}
    found = {code: records.cases.loc[(asked == code).to_numpy(), "case_id"].tolist() for code in texts}
    return [(texts[code], cases) for code, cases in found.items() if cases]


def say_left_out(
    records: Records, promised: Protocol, *, through: Quarter, where: str = "the report", practice: str | None = None
) -> None:
    """Cases (of a practice) that are kept but not analysed, one line for each reason."""
    for why, cases in _left_out(records, promised, through, practice):
        click.echo(f"Kept, but {where} will leave out: {len(cases)}, {why} ({say.first_of(cases)}).")


def say_draft(records: Records, promised: Protocol, *, through: Quarter) -> None:
    """What a report up to a quarter would stand on, without any arm: cases by quarter, and what is left out."""
    say_left_out(records, promised, through=through)
    used = flow.analysed_cases(records, promised, through=through)
    for label, cases in used["quarter"].astype(str).value_counts().sort_index().items():
        click.echo(f"{label}: {cases} {'case' if cases == 1 else 'cases'}")
    click.echo("A draft: arms were not looked at, nothing was written and nothing entered in the ledger.")


def refuse_if_none_is_left(records: Records, promised: Protocol, *, through: Quarter) -> None:
    """Stop where every accepted case would be left out.

    Raises
    ------
    RecordsError
        With the reasons.
    """
    reasons = _left_out(records, promised, through)
    if sum(len(cases) for _, cases in reasons) < len(records.cases):
        return
    told = "; ".join(f"{len(cases)} {why}" for why, cases in reasons)
    what = f"none of the {len(records.cases)} accepted cases can be reported: {told}"
    mends = []
    seen = set(records.cases["quarter"].astype(str))
    if later := [q.label for q in promised.quarters if q.first_day > through.last_day and q.label in seen]:
        mends.append(f"choose a later quarter, with --quarter {later[-1]}")
    if not later or len(reasons) > 1:
        mends.append("correct the records, or the protocol if it should admit them")
    raise RecordsError(Problem(what=what, mend="; ".join(mends), code="none_left"))


def refuse_unrecorded(practice: str, slips: OpenedSlips | None, *, allowed: bool) -> None:
    """Stop where so many opened slips of a practice have no record that its counts could mislead, unless allowed.

    Raises
    ------
    RecordsError
        If it is not.
    """
    if slips is None or allowed or not slips.too_many:
        return
    without = unrecorded(len(slips.without), slips.opened)
    what = f"{practice}: {without} and would be missing from what you send"
    mend = "enter these cases, or add --send-incomplete if they cannot be entered, as of patients who were not "
    mend += f"injected: the file then tells the numbers. {WITHDRAW}"
    raise RecordsError(Problem(what=what, mend=mend, code="unrecorded"))


def refuse_incomplete(practice: str, *, refused: int, accepted: int, allowed: bool) -> None:
    """Stop where so many of a practice's cases are refused that its counts could mislead, unless that is allowed.

    Raises
    ------
    RecordsError
        If it is not.
    """
    if allowed or not flow.too_many_refused(refused, accepted):
        return
    what = f"{practice}: {refused} of {refused + accepted} cases are refused and would be missing from what you send"
    mend = "correct them, or add --send-incomplete if they cannot be corrected"
    raise RecordsError(Problem(what=what, mend=mend, code="incomplete"))


def practice_meant(given: Sequence[str], found: Sequence[str], promised: Protocol) -> str:
    """The practice that is meant, in the capitals of the protocol; the only one found where none is given."""
    if given:
        known = (*promised.study.practices, *found)
        return next((code for code in known if code.casefold() == given[0].strip().casefold()), given[0])
    if len(found) != 1:
        raise RecordsError(f"the records hold the practices {', '.join(found)}; name one with --practice")
    return found[0]


def refuse_unfit(
    practice: str, records: Records, promised: Protocol, counted: Collection[str], *, allowed: bool
) -> None:
    """Stop where none of the practice's cases can be sent, or many are refused; ``counted`` have cases to send."""
    of_cases = records.cases["practice_id"].astype(str)
    accepted = int((of_cases == practice).sum())
    refused = flow.refused_of(practice, flow.refused_by_practice(records, promised), of_cases)
    if practice not in counted and refused + accepted:
        what = f"none of the {refused + accepted} cases of {practice} can be sent: {refused} refused"
        what += f", {accepted} left out" if accepted else ""
        mend = "is this the protocol of these records? Otherwise correct the rows named above"
        raise RecordsError(Problem(what=what, mend=mend, value=practice, code="practice"))
    refuse_incomplete(practice, refused=refused, accepted=accepted, allowed=allowed)
    if refused:
        click.echo(f"Not in the file: {refused} of {refused + accepted} cases of {practice}, because they are refused.")
