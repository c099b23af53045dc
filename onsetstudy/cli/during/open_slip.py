"""``onsetstudy open-slip``."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from onsetstudy.cli import options

__all__ = ["command"]


@click.command("open-slip")
@click.argument("sealed", type=options.A_PATH)
@click.option("--case", "case_id", required=True, help="Code of the case (of the patient, if treated twice).")
@options.levels
@click.option("--passphrase", default="", help="What is printed inside the envelope of the slip  [default: asked for]")
@click.option(
    "--protocol",
    type=options.A_PATH,
    help="Protocol of the study: openings are entered in the ledger beside it, whose last entry every page quotes, and "
    "the code of the case is held to its pattern  "
    "[default: a ledger beside SEALED, and the pattern that SEALED carries]",
)
@click.option("--by", "opened_by", default="", help="Code of the person who opens.")
def command(
    sealed: Path, case_id: str, levels: tuple[str, ...], opened_by: str, passphrase: str, protocol: Path | None
) -> None:
    """Open the next slip of SEALED when the patient has agreed and the tooth felt the cold, not before."""
    from onsetstudy.cli.ledger_entries import plain_code
    from onsetstudy.cli.openings import enter_opening, levels_given, openings_of_practice, said
    from onsetstudy.cli.order import hold_to_order, hold_to_order_beside
    from onsetstudy.files.ledger.ledger import practice_ledger_path
    from onsetstudy.files.sealed.opening import open_next
    from onsetstudy.files.sealed.opening_log import log_path
    from onsetstudy.files.sources.protocol_toml import read_protocol

    given = levels_given(levels)
    opened_by = plain_code(opened_by, "who opens")
    promised = None if protocol is None else read_protocol(protocol)
    if protocol is None or promised is None:
        hold_to_order_beside(sealed)
    else:
        hold_to_order(protocol, promised)
    if sealed.exists():
        openings_of_practice(sealed, protocol).refuse_cut()
    asked = passphrase or (lambda slip: click.prompt(f"Passphrase inside the envelope of slip {slip}"))
    opened = open_next(
        sealed,
        case_id=case_id,
        levels=given,
        opened_by=opened_by,
        now=dt.datetime.now(),
        passphrase=asked,
        study=None if promised is None else promised.study,
    )
    enter_opening(sealed, protocol)
    if opened.again:
        click.echo(f"Opened before for {case_id}: slip {opened.slip}.")
        if opened.asked != opened.stratum:
            click.echo(
                f"It was opened under {opened.stratum}, and you ask for {opened.asked}. The slip and its arm stay; "
                "if the plan changed after opening, record the case as it was treated. If this is another case, give "
                "its own code."
            )
    click.echo(said(opened, case_id))
    click.echo(f"Enter {opened.slip} as allocation_slip. Logged: {log_path(sealed)}")
    if protocol is None:
        click.echo(
            f"Entered in {practice_ledger_path(sealed)}, a ledger of this sealed file alone, and not in the study's: "
            "for that --protocol is needed. Given with the next slip, it brings in all that the log holds.",
            err=True,
        )
