"""``onsetstudy demo``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli import options, say


@click.command("demo")
@options.into("Folder for the tables.", "data/synthetic")
@click.option("--seed", type=click.IntRange(min=0), help="Seed of the chance  [default: that of the demo study]")
def demo(into: Path, seed: int | None) -> None:
    """Make the records of the demo study: invented cases whose truth is written down beside them."""
    from onsetstudy.files.documents.demo import write_demo

    say.written(write_demo(into) if seed is None else write_demo(into, seed=seed))
    click.echo("All cases are invented.")
