"""``onsetstudy demo``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli.options import into_option

__all__ = ["command"]


@click.command("demo", short_help="Make the invented demo study anew.")
@into_option("Folder for the tables.", "data/synthetic")
@click.option("--seed", type=click.IntRange(min=0), help="Seed of the chance  [default: that of the demo study]")
def command(into: Path, seed: int | None) -> int:
    """Make the records of the demo study: invented cases whose truth is written down beside them."""
    from onsetstudy.files.documents.demo import write_demo

    paths = write_demo(into) if seed is None else write_demo(into, seed=seed)
    for path in paths:
        click.echo(f"Written: {path}")
    click.echo("All cases are invented.")
    return 0
