"""``onsetstudy template`` and ``demo``: tables to fill in, and those of an invented study to look at."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli import options, say


@click.command("template")
@options.protocol
@click.option(
    "--into",
    type=options.A_FILE,
    default=Path("records.xlsx"),
    show_default=True,
    help="File to write: .xlsx is the workbook, .pdf the case sheet on paper.",
)
@click.option("--overwrite", is_flag=True, help="Replace the file if it is there already.")
@click.option("--wide", is_flag=True, help="One sheet, one row a case, a column a planned minute (.xlsx or .csv).")
def template(protocol: Path, into: Path, overwrite: bool, wide: bool) -> None:
    """Write an entry workbook for PROTOCOL with drop-downs, ranges and the data dictionary.

    With a name that ends in .pdf: the one-page case sheet, in the order of the page at the chair. With --wide: the
    sheet of a small practice, with a head block for what all cases share.
    """
    from onsetstudy.files.documents.case_sheet import write_case_sheet
    from onsetstudy.files.documents.workbook import write_template, write_wide_template
    from onsetstudy.files.sources.protocol_toml import read_protocol

    if into.exists() and not overwrite:
        raise click.UsageError(f"{into} is there already and may hold records. Give another name, or --overwrite.")
    suffix, admitted = into.suffix.lower(), (".xlsx", ".csv" if wide else ".pdf")
    if suffix not in admitted:
        form = "the wide sheet" if wide else "the workbook or the case sheet on paper"
        raise click.UsageError(f"{into}: {form} is written as {' or '.join(admitted)}. End the name so.")
    write = write_wide_template if wide else write_case_sheet if suffix == ".pdf" else write_template
    write(into, read_protocol(protocol))
    click.echo(f"Written: {into}")


@click.command("demo")
@options.into("Folder for the tables.", "data/synthetic")
def demo(into: Path) -> None:
    """Make the records of the demo study: invented cases whose truth is written down beside them."""
    from onsetstudy.files.documents.demo import write_demo

    say.written(write_demo(into))
    click.echo("All cases are invented.")
