"""``onsetstudy reduce``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli.options import protocol_argument

__all__ = ["command"]


@click.command("reduce", short_help="Count records larger than memory into files for a group.")
@protocol_argument
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--quarter", help="Last quarter counted, such as 2026Q3  [default: the protocol's last]")
@click.option("--least-cases", type=click.IntRange(1), default=5, show_default=True, help="Smallest group told apart.")
@click.option("--drop-unknown", is_flag=True, help="Leave columns that the dictionary does not know unread.")
@click.option(
    "--workers", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes on this computer."
)
@click.option("--cluster", help="Address of a Dask scheduler, such as tcp://10.0.0.5:8786.")
@click.option(
    "--work", type=click.Path(path_type=Path, file_okay=False), help="Folder of what is done  [default: INTO/work]"
)
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("exchange"),
    show_default=True,
    help="Folder for the files.",
)
def command(
    protocol: Path,
    folder: Path,
    quarter: str | None,
    least_cases: int,
    drop_unknown: bool,
    workers: int,
    cluster: str | None,
    work: Path | None,
    into: Path,
) -> int:
    """Count the records of FOLDER under PROTOCOL, part by part, and write one file per practice.

    FOLDER holds cases/NAME.parquet and cold_tests/NAME.parquet (or .csv), each part with whole cases; or cases.csv and
    cold_tests.csv, which are split first. Stop it when you like: begun again, it goes on where it stopped.
    """
    import datetime as dt

    from onsetstudy.cli.progress import progress_line
    from onsetstudy.cluster.mapper import ProcessMapper, cluster_mapper
    from onsetstudy.core.errors import RecordsError
    from onsetstudy.core.work import serial
    from onsetstudy.files.exchange import write_exchange
    from onsetstudy.files.parts import split_tables
    from onsetstudy.files.protocol_toml import read_protocol
    from onsetstudy.files.reduce import reduce_parts
    from onsetstudy.study.exchange import SendOptions, make_exchange

    promised = read_protocol(protocol)
    labels = [q.label for q in promised.quarters]
    if quarter is not None and quarter not in labels:
        raise RecordsError(f"{quarter} is not a quarter of this study; choose one of {', '.join(labels)}")
    through = promised.quarters[-1 if quarter is None else labels.index(quarter)]
    work = work or into / "work"
    mapper = cluster_mapper(cluster) if cluster else ProcessMapper(workers) if workers > 1 else serial
    with progress_line() as progress:
        if (folder / "cases.csv").exists():
            folder = split_tables(folder / "cases.csv", folder / "cold_tests.csv", work / "split", progress=progress)
        found = reduce_parts(
            folder,
            promised,
            work,
            through=through,
            drop_unknown=drop_unknown,
            today=dt.date.today(),
            mapper=mapper,
            progress=progress,
        )
    refused, tests_refused = found.rows_read - found.rows_accepted, found.readings_read - found.readings_accepted
    click.echo(f"Parts: {found.parts}, of which {found.kept} were done before.")
    click.echo(f"Cases: {found.rows_read} read, {found.rows_accepted} accepted, {refused} refused.")
    click.echo(f"Cold tests: {found.readings_read} read, {found.readings_accepted} accepted, {tests_refused} refused.")
    for code, n in found.problems:
        click.echo(f"Refused for {code}: {n} rows; with reasons in {work / 'rejects'}", err=True)
    options = SendOptions(least_cases=least_cases)
    written = 0
    for practice in found.tally.practices:
        try:
            exchange = make_exchange(found.tally, promised, practice, records_digest=found.digest, options=options)
        except RecordsError as error:
            click.echo(str(error), err=True)
            continue
        write_exchange(exchange, into)
        written += 1
    click.echo(f"Written: {written} files in {into}")
    return 0
