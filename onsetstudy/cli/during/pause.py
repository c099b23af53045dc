"""``onsetstudy pause``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli import options

__all__ = ["command"]


@click.command("pause")
@options.protocol
@click.option("--reason", required=True, help="Why, in a sentence that names nobody.")
@click.option("--resume", is_flag=True, help="The study goes on.")
@click.option("--close", is_flag=True, help="The study is closed: no further case.")
def command(protocol: Path, reason: str, resume: bool, close: bool) -> None:
    """Enter in the ledger of PROTOCOL that the study pauses (or goes on, or is closed)."""
    from onsetstudy.cli.ledger_entries import enter_event, plain_reason
    from onsetstudy.core.errors import OnsetStudyError
    from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.protocol.ledger import sentence

    if resume and close:
        raise click.UsageError("Give --resume or --close, not both.")
    read_protocol(protocol)  # a mistyped name would begin a ledger of its own
    stopped = [e.kind for e in verified_ledger(ledger_path(protocol)) if e.kind in ("paused", "resumed", "closed")]
    state = stopped[-1] if stopped else "resumed"
    kind = "closed" if close else "resumed" if resume else "paused"
    if state == "closed":
        raise OnsetStudyError("the study is closed already; nothing was entered")
    if state == kind:
        raise OnsetStudyError(f"the study is {'under way' if resume else 'paused'} already; nothing was entered")
    click.echo(sentence(enter_event(protocol, kind, {"reason": plain_reason(reason)})))
