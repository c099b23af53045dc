"""Arguments and options that several doors share, and how problems are told."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from onsetstudy.core.errors import OnsetStudyError, Problem, RecordsError

if TYPE_CHECKING:
    from onsetstudy.protocol.model import Protocol, Quarter
    from onsetstudy.records.derived.allocation import KeptList
    from onsetstudy.records.derived.opened_slips import OpenedSlips
    from onsetstudy.records.model import Records

__all__ = [
    "Amount",
    "GivenArms",
    "GivenRecords",
    "arms_options",
    "chosen_quarter",
    "formats_option",
    "gathered",
    "hands_options",
    "into_option",
    "least_cases_option",
    "log_of_slips",
    "paper_option",
    "protocol_argument",
    "quarter_option",
    "records_arguments",
    "refuse_if_none_is_left",
    "refuse_incomplete",
    "refuse_unrecorded",
    "say_draft",
    "say_left_out",
    "say_opened_for_nobody",
    "say_problems",
    "send_incomplete_option",
]

F = TypeVar("F", bound=Callable[..., Any])
SHOWN = 50
FORMATS = ("html", "pdf", "json")
ROWS_NAMED = 5


def protocol_argument(function: F) -> F:
    """The protocol file of the study."""
    return click.argument("protocol", type=click.Path(path_type=Path))(function)


def into_option(text: str, default: str = "") -> Callable[[F], F]:
    """The folder that files are written into; required where it has no usual one."""
    usual: dict[str, Any] = {"default": Path(default), "show_default": True} if default else {"required": True}
    return click.option("--into", type=click.Path(path_type=Path, file_okay=False), help=text, **usual)


def quarter_option(text: str) -> Callable[[F], F]:
    """A quarter as the protocol writes it: ``2026q3`` is 2026Q3."""
    return click.option("--quarter", callback=_normal_quarter, help=text)


def paper_option(function: F) -> F:
    """The paper of what is printed."""
    sizes = click.Choice(["a4", "letter"])
    return click.option("--paper", type=sizes, default="a4", show_default=True, help="Paper of the PDF.")(function)


def formats_option(function: F) -> F:
    """The kinds of files that are written; all where none is named."""
    return click.option(
        "--format",
        "formats",
        type=click.Choice(FORMATS),
        multiple=True,
        callback=lambda _context, _parameter, chosen: chosen or FORMATS,
        help="What to write; may be given more than once  [default: all three]",
    )(function)


def hands_options(function: F) -> F:
    """Who shares the work."""
    function = click.option("--cluster", help="Address of a Dask scheduler, such as tcp://10.0.0.5:8786.")(function)
    return click.option(
        "--workers", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes on this computer."
    )(function)


def least_cases_option(function: F) -> F:
    """How few cases a group that is told apart may have."""
    return click.option(
        "--least-cases", type=click.IntRange(1), default=5, show_default=True, help="Smallest group told apart."
    )(function)


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenRecords:
    """Where the records are, and how strictly they are taken."""

    paths: tuple[Path, ...]
    strict: bool
    drop_unknown: bool
    rejects: Path | None

    def read(self, promised: Protocol) -> Records:
        """Checked records; refused rows are kept in a file, and what was found is said."""
        from onsetstudy.files.output import rejects_path, write_rejects
        from onsetstudy.files.sources.spreadsheet import read_records

        checked = read_records(self.paths, promised, strict=self.strict, drop_unknown=self.drop_unknown)
        beside = self.rejects or rejects_path(self.paths)
        say_records(checked, write_rejects(checked, beside) if len(checked.rejects) else None)
        return checked


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenArms:
    """What tells which arm chance had chosen, or the reason why nothing does."""

    allocation: Path | None
    logs: tuple[Path, ...]
    without_list: str | None

    def kept(self, promised: Protocol, beside: Sequence[Path]) -> KeptList | None:
        """The list or log that was named, or the logs that lie beside the records; nothing where a reason is given.

        Raises
        ------
        click.UsageError
            If a reason is given beside a list or log.
        """
        from onsetstudy.files.ledger.side_files import read_arms

        named = self.allocation is not None or bool(self.logs)
        if self.without_list is not None:
            if named:
                raise click.UsageError("Give the list or log, or --without-list with the reason why there is none.")
            return None
        if not promised.study.randomised and not named:
            return None
        return read_arms(allocation=self.allocation, logs=self.logs, beside=beside)

    def say(self, kept: KeptList | None) -> None:
        """What tells the allocated arm, in a line."""
        if kept is not None:
            slips = kept.listed["slip"].nunique()
            told = f"the list of {slips} slips" if kept.source == "list" else f"opening logs of {slips} slips"
            click.echo(f"Arms as allocated, from {told}.")
            if kept.broken_lines:
                named = ", ".join(kept.broken_lines[:ROWS_NAMED])
                click.echo(f"Please look: the opening log was changed at {named}; ask for its backup.", err=True)
        elif self.without_list is not None:
            click.echo(f"Arms as injected; allocation not checked: {self.without_list}", err=True)


def records_arguments(command: F) -> F:
    """Where the records are, and how strictly they are taken: one argument ``records`` of the command."""

    @functools.wraps(command)
    def gathering(
        records: tuple[Path, ...], strict: bool, drop_unknown: bool, rejects: Path | None, **rest: Any
    ) -> Any:
        given = GivenRecords(paths=records, strict=strict, drop_unknown=drop_unknown, rejects=rejects)
        return command(records=given, **rest)

    function: Any = gathering
    function = click.option(
        "--rejects",
        type=click.Path(path_type=Path, dir_okay=False),
        help="File for the rows that were refused, with the reasons  [default: beside the records or the report]",
    )(function)
    function = click.option(
        "--drop-unknown",
        is_flag=True,
        help="Leave columns that the dictionary does not know unread instead of refusing the file.",
    )(function)
    function = click.option("--strict", is_flag=True, help="Refuse everything if a single row is refused.")(function)
    return cast("F", click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path))(function))


def arms_options(command: F) -> F:
    """What tells which arm chance had chosen: one argument ``arms`` of the command."""

    @functools.wraps(command)
    def gathering(allocation: Path | None, logs: tuple[Path, ...], without_list: str | None, **rest: Any) -> Any:
        return command(arms=GivenArms(allocation=allocation, logs=logs, without_list=without_list), **rest)

    function: Any = gathering
    function = click.option(
        "--without-list",
        metavar="REASON",
        help="Go on without list and log, arms as injected; page 1 says so, with this reason.",
    )(function)
    function = click.option(
        "--log",
        "logs",
        multiple=True,
        type=click.Path(path_type=Path),
        help="Opening log of the practice (or its folder), written by open-slip beside the sealed file; may be given "
        "more than once  [default: opened-….csv beside the records, or in the folder allocation there]",
    )(function)
    function = click.option(
        "--allocation",
        type=click.Path(path_type=Path),
        help="List of slips, or the folder with it or with opening logs: arms are compared as allocated, and the "
        "records held against it.",
    )(function)
    return cast("F", function)


def log_of_slips(promised: Protocol, kept: KeptList | None, records: Sequence[Path]) -> KeptList | None:
    """What tells which slips were opened: the log that the arms are taken from, else the one beside the records.

    A reason for going on without a list is none for leaving opened slips uncounted; a log that cannot be read is
    passed over, as it may be that reason.
    """
    from onsetstudy.files.ledger.side_files import read_arms

    if not promised.study.randomised or (kept is not None and kept.log is not None):
        return kept
    try:
        return read_arms(beside=records)
    except OnsetStudyError:
        return None


def send_incomplete_option(function: F) -> F:
    """Whether counts may go out of which many cases are missing."""
    return click.option(
        "--send-incomplete",
        is_flag=True,
        help="Send although more than one in ten of the practice's cases are refused, or of its opened slips have no "
        "record.",
    )(function)


def _normal_quarter(_context: click.Context, _parameter: click.Parameter, value: str | None) -> str | None:
    return None if value is None else value.strip().upper()


def chosen_quarter(promised: Protocol, label: str | None) -> Quarter:
    """The quarter of that label, or the protocol's last.

    Raises
    ------
    RecordsError
        If the study has no such quarter.
    """
    labels = [q.label for q in promised.quarters]
    if label is not None and label not in labels:
        raise RecordsError(f"{label} is not a quarter of this study; choose one of {', '.join(labels)}")
    return promised.quarters[-1 if label is None else labels.index(label)]


class Amount(click.ParamType[float]):
    """A number that may have a decimal comma: ``1,8`` is 1.8; from ``low`` to ``high`` where these are given."""

    name = "number"

    def __init__(self, low: float | None = None, high: float | None = None) -> None:
        self.low, self.high = low, high

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number."""
        try:
            number = float(str(value).strip().replace(",", ".", 1))
        except ValueError:
            self.fail(f"{value!r} is not a number; write it as 1.8", param, ctx)
        low, high = self.low, self.high
        if low is not None and not (number >= low and (high is None or number <= high)):
            admitted = f"{low:g} or more" if high is None else f"from {low:g} to {high:g}"
            self.fail(f"{number:g} is not {admitted}", param, ctx)
        return number


def gathered(problems: Sequence[Problem]) -> list[str]:
    """One line for all problems of one kind in one column, with their rows: a habit is one mistake, not hundreds."""
    kinds: dict[tuple[object, ...], list[Problem]] = {}
    for problem in problems:
        place = problem.where
        # What is advised may repeat what was written: "as 9:11:00" and "as 9:12:00" are one piece of advice.
        advice = problem.mend.replace(str(problem.value), "") if problem.value else problem.mend
        kind = (place.file, place.sheet, place.column, place.key, problem.code, advice)
        alone = (problem.what, place.row) if place.row is None or not problem.code else ()
        kinds.setdefault((*kind, *alone), []).append(problem)
    return [line for alike in kinds.values() for line in _told(alike)]


def _told(alike: Sequence[Problem]) -> list[str]:
    first, other = alike[0], len({problem.what for problem in alike}) > 1
    if len(alike) == 1 or (other and len(alike) == 2):
        return [str(problem) for problem in alike]
    rows = [problem.where.row for problem in alike]
    named = [str(row) for row in rows[:ROWS_NAMED]]
    left = len(rows) - len(named)
    text = f"{', '.join(named)} and {left} more" if left else f"{', '.join(named[:-1])} and {named[-1]}"
    what = f"{first.what} (row {first.where.row}; the others alike)" if other else first.what
    told = str(replace(first, what=what))
    return [told.replace(f"row {first.where.row}", f"rows {text}", 1)]


def say_problems(
    problems: Sequence[Problem], *, shown: int = SHOWN, kept: str = "; all are in the rejects file"
) -> None:
    """One kind of problem a line, on the error stream; a long list is cut and counted."""
    lines = gathered(problems)
    for line in lines[:shown]:
        click.echo(line, err=True)
    if len(lines) > shown:
        click.echo(f"… and {len(lines) - shown} more{kept}.", err=True)


def say_records(records: Records, rejects: Path | None) -> None:
    """What was read, refused and unusual."""
    refused, tests_refused = records.rows_read - len(records.cases), records.readings_read - len(records.readings)
    if 2 * refused > records.rows_read:
        # Another protocol is the usual reason, and its many faults would bury the question.
        text = f"{refused} of {records.rows_read} cases are refused: is this the protocol of these records?"
        click.echo(text, err=True)
    say_problems(records.problems)
    queries = gathered(records.queries)
    for query in queries[:SHOWN]:
        click.echo(f"Please look: {query}", err=True)
    if len(queries) > SHOWN:
        click.echo(f"… and {len(queries) - SHOWN} more to look at.", err=True)
    for repair in records.repairs:
        often = "once" if repair.count == 1 else f"{repair.count} times"
        click.echo(f"Column {repair.column}: {repair.text} ({often}).", err=True)
    click.echo(f"Cases: {records.rows_read} read, {len(records.cases)} accepted, {refused} refused.")
    click.echo(f"Cold tests: {records.readings_read} read, {len(records.readings)} accepted, {tests_refused} refused.")
    if rejects is not None:
        click.echo(f"Refused rows, with reasons: {rejects}")


def _left_out(
    records: Records, promised: Protocol, through: Quarter, practice: str | None
) -> list[tuple[str, list[str]]]:
    """Why accepted cases (of a practice) are not analysed, with their codes."""
    from onsetstudy.records.derived.flow import EXCLUSIONS, exclusion_reasons

    reason = exclusion_reasons(records, promised, through=through)
    asked = reason if practice is None else reason.where(records.cases["practice_id"] == practice, "")
    texts = {**EXCLUSIONS, "later_quarter": f"after {through.label}"}
    found = {code: records.cases.loc[(asked == code).to_numpy(), "case_id"].tolist() for code in texts}
    return [(texts[code], cases) for code, cases in found.items() if cases]


def say_left_out(
    records: Records, promised: Protocol, *, through: Quarter, where: str = "the report", practice: str | None = None
) -> None:
    """Cases (of a practice) that are kept but not analysed, one line for each reason."""
    for why, cases in _left_out(records, promised, through, practice):
        named = ", ".join(cases[:ROWS_NAMED]) + (", …" if len(cases) > ROWS_NAMED else "")
        click.echo(f"Kept, but {where} will leave out: {len(cases)}, {why} ({named}).")


def say_draft(records: Records, promised: Protocol, *, through: Quarter) -> None:
    """What a report up to a quarter would stand on, without any arm: cases by quarter, and what is left out."""
    from onsetstudy.records.derived.flow import exclusion_reasons

    say_left_out(records, promised, through=through)
    used = (exclusion_reasons(records, promised, through=through) == "").to_numpy()
    by_quarter = records.cases.loc[used, "quarter"].astype(str).value_counts().sort_index()
    for label, cases in by_quarter.items():
        click.echo(f"{label}: {cases} {'case' if cases == 1 else 'cases'}")
    click.echo("A draft: arms were not looked at, nothing was written and nothing entered in the ledger.")


def refuse_if_none_is_left(records: Records, promised: Protocol, *, through: Quarter) -> None:
    """Stop where every accepted case would be left out.

    Raises
    ------
    RecordsError
        With the reasons.
    """
    reasons = _left_out(records, promised, through, None)
    if sum(len(cases) for _, cases in reasons) < len(records.cases):
        return
    told = "; ".join(f"{len(cases)} {why}" for why, cases in reasons)
    what = f"none of the {len(records.cases)} accepted cases can be reported: {told}"
    mend = "correct the records, or the protocol if it should admit them"
    raise RecordsError(Problem(what=what, mend=mend, code="none_left"))


def say_opened_for_nobody(slips: OpenedSlips | None) -> None:
    """That slips were opened and no case recorded with them, with the first of them."""
    if slips is None or not slips.without:
        return
    named = ", ".join(slips.without[:ROWS_NAMED]) + (", …" if len(slips.without) > ROWS_NAMED else "")
    click.echo(
        f"Please look: {len(slips.without)} of {slips.opened} opened slips have no record ({named}). Enter these "
        "cases, or find out what became of them: whoever leaves them out chooses who counts.",
        err=True,
    )


def refuse_unrecorded(practice: str, slips: OpenedSlips | None, *, allowed: bool) -> None:
    """Stop where so many opened slips of a practice have no record that its counts could mislead, unless allowed.

    Raises
    ------
    RecordsError
        If it is not.
    """
    if slips is None or allowed or not slips.too_many:
        return
    what = f"{practice}: {len(slips.without)} of {slips.opened} opened slips have no record and would be missing from "
    what += "what you send"
    mend = "enter these cases, or add --send-incomplete if they cannot be entered: the file then tells the numbers"
    raise RecordsError(Problem(what=what, mend=mend, code="unrecorded"))


def refuse_incomplete(practice: str, *, refused: int, accepted: int, allowed: bool) -> None:
    """Stop where so many of a practice's cases are refused that its counts could mislead, unless that is allowed.

    Raises
    ------
    RecordsError
        If it is not.
    """
    from onsetstudy.records.derived.flow import too_many_refused

    if allowed or not too_many_refused(refused, accepted):
        return
    what = f"{practice}: {refused} of {refused + accepted} cases are refused and would be missing from what you send"
    mend = "correct them, or add --send-incomplete if they cannot be corrected"
    raise RecordsError(Problem(what=what, mend=mend, code="incomplete"))
