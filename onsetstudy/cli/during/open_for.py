"""``onsetstudy open-for``."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from onsetstudy.cli import options

__all__ = ["command"]


@click.command("open-for")
@options.protocol
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option("--practice", required=True, help="Code of the practice that asks.")
@click.option("--case", "case_id", required=True, help="Code of the case (of the patient, if treated twice).")
@options.levels
@click.option("--asked-by", required=True, help="Code of who asks at the practice.")
@click.option("--by", "opened_by", required=True, help="Code of who opens.")
@click.option("--slip", default="", help="The slip that the practice expects; another than the next is refused.")
def command(
    protocol: Path,
    folder: Path,
    practice: str,
    case_id: str,
    levels: tuple[str, ...],
    asked_by: str,
    opened_by: str,
    slip: str,
) -> None:
    """Open the next slip of the list in FOLDER for a case, when the patient has agreed and the tooth felt the cold.

    The list is one that `allocate --way coordinator` drew. Who asked and when, the case and the number of the slip go
    into the ledger beside PROTOCOL; the arm stands in the log beside the list alone.
    """
    from onsetstudy.cli.ledger_entries import plain_code
    from onsetstudy.cli.openings import Openings, levels_given, said
    from onsetstudy.cli.order import hold_to_order
    from onsetstudy.files.ledger.ledger import ledger_path
    from onsetstudy.files.sealed.coordinator import coordinator_log, open_from_list
    from onsetstudy.files.sources.protocol_toml import read_protocol

    given = levels_given(levels)
    asked_by, opened_by = plain_code(asked_by, "who asks"), plain_code(opened_by, "who opens")
    promised = read_protocol(protocol)
    hold_to_order(protocol, promised)
    log = coordinator_log(folder, practice)
    openings = Openings(log=log, practice=practice, ledger=ledger_path(protocol), by_keeper=True)
    openings.refuse_cut()
    opened = open_from_list(
        folder,
        practice=practice,
        case_id=case_id,
        levels=given,
        asked_by=asked_by,
        opened_by=opened_by,
        now=dt.datetime.now(),
        study=promised.study,
        slip=slip,
    )
    openings.enter()
    click.echo(said(opened, case_id))
    click.echo(f"Tell it to who mixes, and nobody else. The practice enters {opened.slip} as allocation_slip.")
    click.echo(f"Logged: {log}")
