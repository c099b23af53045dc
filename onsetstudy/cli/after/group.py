"""``onsetstudy group``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli.options import formats_option, into_option, paper_option, protocol_argument, quarter_option

__all__ = ["command"]


@click.command("group", short_help="Pool the practices' files and write the report of the group.")
@protocol_argument
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@quarter_option("Quarter to report on, such as 2026Q3  [default: the last one that was sent]")
@click.option(
    "--page-for", "pages", multiple=True, help="Code of a practice that gets a report of its own; repeatable."
)
@click.option("--all-pages", is_flag=True, help="A report of its own for every practice.")
@click.option(
    "--between",
    type=click.Choice(["reml", "paule_mandel", "dersimonian_laird"]),
    default="reml",
    show_default=True,
    help="How the variance between practices is found.",
)
@click.option(
    "--interval",
    "adjustment",
    type=click.Choice(["wider", "hartung_knapp", "none"]),
    default="wider",
    show_default=True,
    help="How the average's interval allows for few practices.",
)
@into_option("Folder for the reports.", "reports")
@paper_option
@formats_option
def command(
    protocol: Path,
    files: tuple[Path, ...],
    quarter: str | None,
    pages: tuple[str, ...],
    all_pages: bool,
    between: str,
    adjustment: str,
    into: Path,
    paper: str,
    formats: tuple[str, ...],
) -> int:
    """Pool exchange FILES (or their folder) under PROTOCOL and write the group's report.

    Practices stand under letters. The JSON file holds their key and is for the coordinator; a report made with
    --page-for shows one practice to itself, and the others by letter.
    """
    from onsetstudy.cli.ledger_entries import enter_files, keeps_ledger, with_ledger
    from onsetstudy.cli.progress import progress_line
    from onsetstudy.files.documents.group import write_group
    from onsetstudy.files.exchange import read_exchanges, refuse_sent_twice, skipped_files
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.pool.combine import PoolOptions
    from onsetstudy.report.claims_told import answer_line
    from onsetstudy.report.numbers import counted
    from onsetstudy.report.sections.group.first_page import missing_words
    from onsetstudy.report.sections.group.gates import gate_words
    from onsetstudy.study.group.analyse_group import analyse_group

    promised = read_protocol(protocol)
    read = read_exchanges(files)
    refuse_sent_twice(read)
    options = PoolOptions(between=between, adjustment=adjustment, conf_level=promised.plan.conf_level)
    with progress_line() as progress:
        results = analyse_group(
            read, promised, quarter=quarter, skipped=skipped_files(files), options=options, progress=progress
        )
    if keeps_ledger(protocol, promised):
        for note in enter_files(protocol, read):
            click.echo(f"Please look: {note}", err=True)
    results = with_ledger(results, protocol, by="group")
    for note in (*results.notes, *gate_words(results, None), *missing_words(results, None)):
        click.echo(f"Please look: {note}", err=True)
    codes = {p.letter: p.code for p in results.practices}
    for letter, opened, without in results.slips:
        if without:
            click.echo(
                f"Please look: {codes.get(letter, letter)}: {without} of {opened} opened slips have no record; ask.",
                err=True,
            )
    practices, cases = counted(len(results.practices), "practice"), counted(results.overall.n.cases, "case")
    click.echo(f"Files: {len(read)} read. {practices}, {cases} up to {results.quarter}.")
    click.echo(answer_line(results.claims, results.protocol))
    chosen = tuple(p.code for p in results.practices) if all_pages else pages
    for path in write_group(results, into, pages=sorted(chosen), paper=paper, formats=formats):
        click.echo(f"Written: {path}")
    return 0
