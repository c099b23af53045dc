"""``onsetstudy lock``."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from onsetstudy.cli import options, say
from onsetstudy.cli.before.planned import aim_if_any


@click.command("lock")
@options.protocol
@click.option("--reason", default="", help="Why a locked protocol was changed: makes the change an amendment.")
@click.option(
    "--into", type=options.A_FOLDER, help="Folder for the protocol document (HTML and PDF)  [default: none is written]"
)
@options.paper
def lock(protocol: Path, reason: str, into: Path | None, paper: str) -> None:
    """Write down what PROTOCOL promises today, with its digest, so that a report can show that it came first."""
    from onsetstudy.cli import entering_lists, ledger_entries
    from onsetstudy.files.ledger.ledger_check import begun_anew
    from onsetstudy.files.ledger.lock import changes_since_lock, lock_protocol_file, read_lock
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.report.sections.before.plan_words import aim_told

    if reason:
        ledger_entries.plain_reason(reason)
    promised = read_protocol(protocol)
    lock = read_lock(protocol)
    if lock is not None and lock.latest.digest == promised.digest and not reason:
        click.echo(f"Locked already: version {lock.latest.number} of {lock.latest.day}; nothing has changed since.")
    else:
        changes = changes_since_lock(protocol)
        lock, path = lock_protocol_file(protocol, day=dt.date.today(), reason=reason)
        say.each((f"{key}: {before} → {after}" for key, before, after in changes), "Changed: ")
        click.echo(f"Locked: version {lock.latest.number} of {lock.latest.day}. Written: {path}")
    ledger_entries.enter_lock(protocol, lock)
    say.please_look(*begun_anew(protocol, promised))
    say.each(entering_lists.enter_lists_beside(protocol, promised))
    if (aim := aim_if_any(promised)) is not None:
        click.echo(aim_told(aim, promised))
    click.echo(f"SHA-256 of the protocol: {promised.digest}")
    head = ledger_entries.head_beside(protocol)
    click.echo(f"Ledger, last entry: {head}")
    if into is not None:
        from onsetstudy.files.documents.reports import write_protocol_document

        say.written(write_protocol_document(promised, lock, aim, into, paper=paper, ledger_head=head))
