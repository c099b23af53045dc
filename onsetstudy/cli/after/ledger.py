"""``onsetstudy ledger``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli import options, say
from onsetstudy.core.errors import OnsetStudyError


@click.command("ledger")
@options.protocol
@click.option(
    "--verify",
    is_flag=True,
    help="Hold the chain against itself, lock and protocol file, and what --against and --head give.",
)
@click.option(
    "--against",
    "others",
    multiple=True,
    type=options.A_PATH,
    help="Report (HTML or JSON), exchange file or file of a list to hold the ledger against, or a folder of such.",
)
@click.option("--head", "heads", multiple=True, help="Last entry as a printed page quotes it, such as 12:0f3a….")
def ledger(protocol: Path, verify: bool, others: tuple[Path, ...], heads: tuple[str, ...]) -> int:
    """Read the ledger beside PROTOCOL (or the file ….ledger.jsonl itself) as plain sentences.

    Ends with exit code 1 if something disagrees, or if nothing in the ledger speaks of what was given.
    """
    from onsetstudy.files.ledger.ledger import ledger_path, read_ledger
    from onsetstudy.files.ledger.ledger_check import hold_against
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.protocol.ledger import sentence, short_head, verify_entries

    path = ledger_path(protocol)
    if not path.exists():
        read_protocol(protocol)  # what was mistyped is told first; a ledger whose protocol is gone is read all the same
    entries = read_ledger(path)
    if not entries:
        raise OnsetStudyError(f"there is no ledger {path.name}. The command lock begins it")
    broken = verify_entries(entries)
    say.each(map(sentence, () if broken else entries))
    click.echo(f"Last entry: {short_head(entries)}")
    held = hold_against(path, entries, others=others, heads=heads) if verify or others or heads else None
    faults = [*broken, *(held.faults if held else ())]
    say.please_look(*faults)
    if faults or held is None:
        return 1 if faults else 0
    say.each(held.unheld)
    agrees = "It agrees with all that it was held against"
    if held.nothing:
        agrees = "Nothing that was given could be held against it"
    click.echo(
        f"The chain holds. {agrees}. That nobody wrote it anew from its beginning is shown only by heads that others "
        "hold: printed pages and files that were sent."
    )
    return 1 if held.nothing else 0
