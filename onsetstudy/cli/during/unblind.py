"""``onsetstudy unblind``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli import options

__all__ = ["command"]


@click.command("unblind")
@options.protocol
@click.argument("log", type=options.A_PATH)
@click.option("--case", "case_id", required=True, help="Code of the case.")
@click.option("--reason", required=True, help="Why it has to be known, in a sentence that names nobody.")
def command(protocol: Path, log: Path, case_id: str, reason: str) -> None:
    """Tell what the slip of a case said, from the opening LOG (opened-….csv), for the safety of its patient.

    The unblinding and its reason are entered in the ledger of PROTOCOL before the arm is told, and every report counts
    it.
    """
    from onsetstudy.cli.ledger_entries import enter_event, plain_reason
    from onsetstudy.core.errors import OnsetStudyError
    from onsetstudy.files.sealed.kept_allocation import read_kept_logs
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.protocol.ledger import sentence

    read_protocol(protocol)  # a mistyped name would begin a ledger of its own
    told = plain_reason(reason)
    kept = read_kept_logs([log])
    rows = [] if kept.log is None else kept.log.astype(str).to_dict("records")
    row = next((r for r in rows if r["case_id"].casefold() == case_id.strip().casefold()), None)
    if row is None:
        raise OnsetStudyError(f"{log.name} holds no slip of {case_id}; nothing was entered")
    entry = enter_event(protocol, "unblinded", {"slip": row["slip"], "case": row["case_id"], "reason": told})
    click.echo(sentence(entry))
    click.echo(f"Slip {row['slip']}, case {row['case_id']}: {row['arms']}")
