"""``onsetstudy withdraw``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli.options import protocol_argument

__all__ = ["command"]


@click.command("withdraw", short_help="Enter that a patient took consent back.")
@protocol_argument
@click.option("--case", "case_id", required=True, help="Code of the case.")
@click.option(
    "--remove-data",
    is_flag=True,
    help="The patient wants the data gone, or local rules do: the rows are left out of every report and counted.",
)
@click.option("--reason", default="", help="Why, if the patient said so; none has to be given.")
def command(protocol: Path, case_id: str, remove_data: bool, reason: str) -> int:
    """Enter in the ledger of PROTOCOL that consent for a case was taken back.

    Data up to then stay in the analysis, unless --remove-data is given.
    """
    from onsetstudy.cli.ledger_entries import enter_event, plain_reason
    from onsetstudy.core.errors import OnsetStudyError
    from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
    from onsetstudy.protocol.ledger import of_kind, sentence
    from onsetstudy.records.checks.privacy import looks_like_a_person

    case_id = case_id.strip()
    if not case_id or looks_like_a_person(case_id):
        raise OnsetStudyError("give the code of the case, not a name; nothing was entered")
    body = {
        "case": case_id,
        "data": "removed" if remove_data else "kept",
        "reason": plain_reason(reason) if reason else "",
    }
    held = of_kind(verified_ledger(ledger_path(protocol)), "consent_withdrawn")
    alike = (e for e in held if e.body["case"].casefold() == case_id.casefold() and e.body["data"] == body["data"])
    if (known := next(alike, None)) is not None:
        click.echo(f"Entered before: {sentence(known)}")
        return 0
    click.echo(sentence(enter_event(protocol, "consent_withdrawn", body)))
    return 0
