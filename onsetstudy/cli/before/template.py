"""``onsetstudy template``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from onsetstudy.cli import options

if TYPE_CHECKING:
    from collections.abc import Callable

    from onsetstudy.protocol.model import Protocol


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
    kinds: dict[str, Callable[[Path, Protocol], Path]]
    if wide:
        kinds = {".xlsx": write_wide_template, ".csv": write_wide_template}
    else:
        kinds = {".xlsx": write_template, ".pdf": write_case_sheet}
    write = kinds.get(into.suffix.lower())
    if write is None:
        form = "the wide sheet" if wide else "the workbook or the case sheet on paper"
        raise click.UsageError(f"{into}: {form} is written as {' or '.join(kinds)}. End the name so.")
    write(into, read_protocol(protocol))
    click.echo(f"Written: {into}")
