"""``onsetstudy open-slip``, ``open-for`` and ``unblind``: what a slip says is told, and that it was told is entered."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from onsetstudy.cli import options
from onsetstudy.core.errors import OnsetStudyError


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
@click.option("--by", default="", help="Code of the person who opens.")
def open_slip(
    sealed: Path, case_id: str, levels: dict[str, str], by: str, passphrase: str, protocol: Path | None
) -> None:
    """Open the next slip of SEALED when the patient has agreed and the tooth felt the cold, not before."""
    from onsetstudy.cli import ledger_entries, openings, order
    from onsetstudy.files.ledger.ledger import practice_ledger_path
    from onsetstudy.files.sealed.opening import open_next
    from onsetstudy.files.sealed.opening_log import log_path

    by = ledger_entries.plain_code(by, "who opens")
    found = None if protocol is not None else order.protocol_beside(sealed)
    home = protocol or found
    promised = None if home is None else order.held_to_order(home)
    of_practice = openings.openings_of_practice(sealed, protocol, found=found)
    of_practice.refuse_cut()
    if home is not None:
        of_practice.refuse_halted(home, case_id)
    opened = open_next(
        sealed,
        case_id=case_id,
        levels=levels,
        opened_by=by,
        now=dt.datetime.now(),
        passphrase=passphrase or (lambda slip: click.prompt(f"Passphrase inside the envelope of slip {slip}")),
        study=None if promised is None or protocol is None else promised.study,
    )
    of_practice.enter()
    if opened.again:
        click.echo(f"Opened before for {case_id}: slip {opened.slip}.")
        if opened.asked != opened.stratum:
            click.echo(
                f"It was opened under {opened.stratum}, and you ask for {opened.asked}. The slip and its arm stay; "
                "if the plan changed after opening, record the case as it was treated. If this is another case, give "
                "its own code."
            )
    click.echo(openings.said(opened, case_id, promised))
    click.echo(f"Enter {opened.slip} as allocation_slip. Logged: {log_path(sealed)}")
    if protocol is None:
        click.echo(
            f"Entered in {practice_ledger_path(sealed)}, a ledger of this sealed file alone, and not in the study's: "
            "for that --protocol is needed. Given with the next slip, it brings in all that the log holds.",
            err=True,
        )


@click.command("open-for")
@options.protocol
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option("--practice", required=True, help="Code of the practice that asks.")
@click.option("--case", "case_id", required=True, help="Code of the case (of the patient, if treated twice).")
@options.levels
@click.option("--asked-by", required=True, help="Code of who asks at the practice.")
@click.option("--by", required=True, help="Code of who opens.")
@click.option("--slip", default="", help="The slip that the practice expects; another than the next is refused.")
def open_for(
    protocol: Path, folder: Path, practice: str, case_id: str, levels: dict[str, str], asked_by: str, by: str, slip: str
) -> None:
    """Open the next slip of the list in FOLDER for a case, when the patient has agreed and the tooth felt the cold.

    The list is one that `allocate --way coordinator` drew. Who asked and when, the case and the number of the slip go
    into the ledger beside PROTOCOL; the arm stands in the log beside the list alone.
    """
    from onsetstudy.cli import ledger_entries, openings, order
    from onsetstudy.files.ledger.ledger import ledger_path
    from onsetstudy.files.sealed.coordinator import coordinator_log, open_from_list

    asked_by = ledger_entries.plain_code(asked_by, "who asks")
    by = ledger_entries.plain_code(by, "who opens")
    promised = order.held_to_order(protocol)
    log = coordinator_log(folder, practice)
    of_practice = openings.Openings(log=log, practice=practice, ledger=ledger_path(protocol), by_keeper=True)
    of_practice.refuse_cut()
    of_practice.refuse_halted(protocol, case_id)
    opened = open_from_list(
        folder,
        practice=practice,
        case_id=case_id,
        levels=levels,
        asked_by=asked_by,
        opened_by=by,
        now=dt.datetime.now(),
        study=promised.study,
        slip=slip,
    )
    of_practice.enter()
    click.echo(openings.said(opened, case_id, promised))
    click.echo(f"Tell it to who mixes, and nobody else. The practice enters {opened.slip} as allocation_slip.")
    click.echo(f"Logged: {log}")


@click.command("unblind")
@options.protocol
@click.argument("log", type=options.A_PATH)
@click.option("--case", "case_id", required=True, help="Code of the case.")
@click.option("--reason", required=True, help="Why it has to be known, in a sentence that names nobody.")
def unblind(protocol: Path, log: Path, case_id: str, reason: str) -> None:
    """Tell what the slip of a case said, from the opening LOG (opened-….csv), for the safety of its patient.

    The unblinding and its reason are entered in the ledger of PROTOCOL before the arm is told, and every report counts
    it.
    """
    from onsetstudy.cli import given, openings
    from onsetstudy.cli.ledger_entries import enter_event, plain_reason
    from onsetstudy.files.ledger.side_files import against_ledger
    from onsetstudy.files.sealed.kept_allocation import read_kept_logs
    from onsetstudy.files.sealed.opening_log import lines_of_case
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.protocol.ledger import sentence
    from onsetstudy.records.derived.allocation import ARMS_JOIN

    promised = read_protocol(protocol)  # a mistyped name would begin a ledger of its own
    told = plain_reason(reason)
    kept = against_ledger(read_kept_logs([log]), protocol)
    assert kept is not None
    assert kept.log is not None
    rows = lines_of_case(kept.log, case_id).astype(str).to_dict("records")
    if not rows:
        given.say_log_faults(kept)
        raise OnsetStudyError(f"{log.name} holds no slip of {case_id}; nothing was entered")
    body = {"slip": rows[0]["slip"], "case": rows[0]["case_id"], "reason": told}
    click.echo(sentence(enter_event(protocol, "unblinded", body)))
    for row in rows:
        arms = ARMS_JOIN.join(openings.arm_label(arm, promised) for arm in row["arms"].split(ARMS_JOIN))
        click.echo(f"Slip {row['slip']}, case {row['case_id']}: {arms}")
    given.say_log_faults(
        kept,
        "the arm is told as the log has it now. Open the slip's envelope, or ask who keeps the list.",
    )
