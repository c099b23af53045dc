"""``onsetstudy pause`` and ``withdraw``: what happens to a study is entered in its ledger."""

from __future__ import annotations

import difflib
import re
from pathlib import Path

import click

from onsetstudy.cli import options, say
from onsetstudy.core.errors import OnsetStudyError


@click.command("pause")
@options.protocol
@click.option("--reason", required=True, help="Why, in a sentence that names nobody.")
@click.option("--resume", is_flag=True, help="The study goes on.")
@click.option("--close", is_flag=True, help="The study is closed: no further case.")
def pause(protocol: Path, reason: str, resume: bool, close: bool) -> None:
    """Enter in the ledger of PROTOCOL that the study pauses (or goes on, or is closed)."""
    from onsetstudy.cli.ledger_entries import enter_event, plain_reason
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.protocol.ledger import sentence

    if resume and close:
        raise click.UsageError("Give --resume or --close, not both.")
    read_protocol(protocol)  # a mistyped name would begin a ledger of its own
    kind = "closed" if close else "resumed" if resume else "paused"
    click.echo(sentence(enter_event(protocol, kind, {"reason": plain_reason(reason)})))


@click.command("withdraw")
@options.protocol
@click.option("--case", "case_id", required=True, help="Code of the case.")
@click.option(
    "--remove-data",
    is_flag=True,
    help="The patient wants the data gone, or local rules do: the rows are left out of every report and counted.",
)
@click.option("--reason", default="", help="Why, if the patient said so; none has to be given.")
@click.option(
    "--records",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="Records in which the case is looked for; may be given more than once  [default: cases.csv and opening logs "
    "beside PROTOCOL, or in folders there]",
)
def withdraw(protocol: Path, case_id: str, remove_data: bool, reason: str, records: tuple[Path, ...]) -> None:
    """Enter in the ledger of PROTOCOL that consent for a case was taken back.

    Data up to then stay in the analysis, unless --remove-data is given. A code that does not fit the pattern of the
    protocol is refused; one that no record and no opening log has is entered with a warning.
    """
    from onsetstudy.cli import ledger_entries, withdrawals
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.protocol.ledger import sentence

    case_id = ledger_entries.plain_code(case_id, "the case")
    if not case_id:
        raise OnsetStudyError("give the code of the case; nothing was entered")
    promised = read_protocol(protocol)
    if fault := promised.study.code_fault(case_id):
        raise OnsetStudyError(f"{fault}; nothing was entered")
    body = {
        "case": case_id,
        "data": "removed" if remove_data else "kept",
        "reason": ledger_entries.plain_reason(reason) if reason else "",
    }
    known = withdrawals.codes_found(promised, protocol, records)
    if known is not None and case_id.casefold() not in known:
        _say_unknown(case_id, known)
    alike = [
        e
        for e in ledger_entries.entered(protocol, "consent_withdrawn")
        if e.body["case"].casefold() == case_id.casefold() and e.body["data"] in (body["data"], "removed")
    ]
    if alike:
        # Once their removal was asked for, no data stay.
        before = max(alike, key=lambda e: e.body["data"] == "removed")
        click.echo(f"Entered before: {sentence(before)}")
        return
    click.echo(sentence(ledger_entries.enter_event(protocol, "consent_withdrawn", body)))


def _say_unknown(case_id: str, known: frozenset[str]) -> None:
    """That no row has the code, and which codes are nearly it: the wrong one would leave nobody out."""
    asked, codes = case_id.casefold(), sorted(known)
    # Noughts that were left out are the likeliest slip, and leave codes of other cases more alike than the right one.
    near = [code for code in codes if _bare(code) == _bare(asked)]
    near = near or difflib.get_close_matches(asked, codes, n=3, cutoff=0.75)
    meant = f" Was {' or '.join(code.upper() for code in near)} meant? Enter that code then." if near else ""
    say.please_look(
        f"no record and no opening log that was looked through has the case {case_id}. It is entered, and leaves out "
        f"nothing until there is such a case.{meant}"
    )


def _bare(code: str) -> str:
    """A code without noughts before its numbers."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", code)
