"""``onsetstudy look-inside``."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["command"]


@click.command("look-inside", short_help="Say what a reader of an exchange file could learn.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
def command(files: tuple[Path, ...]) -> int:
    """Check exchange FILES (or their folders) and say what somebody who reads them could learn."""
    from onsetstudy.files.exchange import read_exchanges
    from onsetstudy.study.exchange import what_can_be_learned

    for name, exchange in read_exchanges(files):
        click.echo(f"{name}:")
        for sentence in what_can_be_learned(exchange):
            click.echo(f"- {sentence}")
    return 0
