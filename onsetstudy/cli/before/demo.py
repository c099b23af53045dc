"""``onsetstudy demo``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli import options, say


@click.command("demo")
@options.into("Folder for the tables.", "data/synthetic")
def demo(into: Path) -> None:
    """Make the records of the demo study: invented cases whose truth is written down beside them."""
    from onsetstudy.files.documents.demo import write_demo

    say.written(write_demo(into))
    click.echo("All cases are invented.")
