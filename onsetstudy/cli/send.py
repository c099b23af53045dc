"""``onsetstudy send``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli.options import protocol_argument, records_arguments, say_records

__all__ = ["command"]


@click.command("send", short_help="Make the file of counts that a practice gives to its group.")
@protocol_argument
@records_arguments
@click.option("--practice", help="Code of the practice, such as P01  [default: the only one in the records]")
@click.option("--quarter", help="Last quarter that is sent, such as 2026Q3  [default: the protocol's last]")
@click.option("--least-cases", type=click.IntRange(1), default=5, show_default=True, help="Smallest group told apart.")
@click.option("--operators", is_flag=True, help="Count failures by operator too, under numbers.")
@click.option("--after", type=click.Path(path_type=Path), help="File sent before: what both together give away.")
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("exchange"),
    show_default=True,
    help="Folder for the file.",
)
def command(
    protocol: Path,
    records: tuple[Path, ...],
    strict: bool,
    drop_unknown: bool,
    rejects: Path | None,
    practice: str | None,
    quarter: str | None,
    least_cases: int,
    operators: bool,
    after: Path | None,
    into: Path,
) -> int:
    """Check RECORDS against PROTOCOL, count them, and write the file for the study group.

    The file holds counts by quarter, technique, arm and onset interval; many are of a single case, without anything
    that says whose. What a reader could learn from it is listed; read that before you send it.
    """
    from onsetstudy.core.errors import RecordsError
    from onsetstudy.files.exchange import read_exchange, write_exchange
    from onsetstudy.files.output import rejects_path, write_rejects
    from onsetstudy.files.protocol_toml import read_protocol
    from onsetstudy.files.spreadsheet import read_records
    from onsetstudy.study.disclosure import learned_by_subtraction, what_can_be_learned
    from onsetstudy.study.exchange import SendOptions, make_exchange
    from onsetstudy.study.tally import tally_records

    promised = read_protocol(protocol)
    labels = [q.label for q in promised.quarters]
    if quarter is not None and quarter not in labels:
        raise RecordsError(f"{quarter} is not a quarter of this study; choose one of {', '.join(labels)}")
    checked = read_records(records, promised, strict=strict, drop_unknown=drop_unknown)
    written = write_rejects(checked, rejects or rejects_path(records, into=into)) if len(checked.rejects) else None
    say_records(checked, written)
    through = promised.quarters[-1 if quarter is None else labels.index(quarter)]
    tally = tally_records(promised, checked, through=through)
    if practice is None:
        if len(tally.practices) != 1:
            known = ", ".join(tally.practices) or "none"
            raise RecordsError(f"the records hold the practices {known}; name one with --practice")
        practice = tally.practices[0]
    options = SendOptions(least_cases=least_cases, operators=operators)
    exchange = make_exchange(tally, promised, practice, records_digest=checked.digest, options=options)
    told = () if after is None else learned_by_subtraction(read_exchange(after), exchange)
    path = write_exchange(exchange, into)
    click.echo("What a reader of the file could learn:")
    for sentence in (*what_can_be_learned(read_exchange(path)), *told):
        click.echo(f"- {sentence}")
    click.echo(f"Written: {path}")
    return 0
