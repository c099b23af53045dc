"""``onsetstudy send`` and ``look-inside``: the file of a practice, and what a reader of it could learn."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from onsetstudy.cli import options, say

if TYPE_CHECKING:
    from onsetstudy.cli.given import GivenArms, GivenRecords
    from onsetstudy.study.exchange_results import Exchange


@click.command("send")
@options.protocol
@options.records
@click.option(
    "--practice",
    "practices",
    multiple=True,
    help="Code of the practice, such as P01  [default: the only one in the records]",
)
@options.quarter("Last quarter that is sent, such as 2026Q3  [default: the protocol's last]")
@options.sending
@options.arms
@click.option("--operators", is_flag=True, help="Count failures by operator too, under numbers.")
@click.option("--after", type=options.A_PATH, help="File sent before: what both together give away.")
@options.into("Folder for the file.", "exchange")
def send(
    protocol: Path,
    records: GivenRecords,
    practices: tuple[str, ...],
    quarter: str | None,
    least_cases: int,
    send_incomplete: bool,
    arms: GivenArms,
    operators: bool,
    after: Path | None,
    into: Path,
) -> None:
    """Check RECORDS against PROTOCOL, count them, and write the file for the study group.

    The file holds counts by quarter, technique, arm and onset interval; many are of a single case, without anything
    that says whose. What a reader could learn from it is listed; read that before you send it. Nothing is written if
    more than one in ten of the practice's cases are refused, or of its opened slips have no record, unless
    --send-incomplete is given.
    """
    from onsetstudy.cli import given, ledger_entries, withdrawals
    from onsetstudy.files.exchange import read_exchange, write_exchange
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.records.derived.allocation import resolve_arms
    from onsetstudy.records.derived.opened_slips import recorded_slips
    from onsetstudy.records.validity.gates import doubts_of_practice
    from onsetstudy.study.answer.cautions import arms_caution
    from onsetstudy.study.counts.aggregate_counts import tally_records
    from onsetstudy.study.counts.disclosure import what_can_be_learned
    from onsetstudy.study.counts.exchange import make_exchange

    if len(practices) > 1:
        raise click.UsageError("A file is of one practice: give --practice once, and send again for the next.")
    promised = read_protocol(protocol)
    through = promised.quarter(quarter)
    checked = records.read(promised, protocol)
    recorded = recorded_slips(checked)
    kept, log = arms.read_to_send(promised, protocol, records.paths)
    checked, _ = withdrawals.leave_out_withdrawn(checked, protocol, log)
    given.refuse_if_none_is_left(checked, promised, through=through)
    checked, resolved = resolve_arms(promised, checked, kept, without_list=arms.without_list)
    arms.say(kept, checked)
    tally = tally_records(promised, checked, through=through, arms=resolved)
    practice = given.practice_meant(practices, tally.practices, promised)
    before = None if after is None else read_exchange(after)
    if before is not None and (before.study, before.practice) != (promised.study.id, practice):
        whose = f"{before.practice} sent it in the study {before.study}"
        raise click.UsageError(f"--after takes a file that {practice} sent before, and {whose}.")
    given.say_left_out(checked, promised, through=through, where="the file", practice=practice)
    given.refuse_unfit(practice, checked, promised, tally.practices, allowed=send_incomplete)
    slips = given.slips_told(log, recorded, practices=(practice,), through=through)
    given.refuse_unrecorded(practice, slips, allowed=send_incomplete)
    doubts = doubts_of_practice(checked, promised, practice, through=through)
    exchange = make_exchange(
        tally, promised, practice, records_digest=checked.digest, least_cases=least_cases, operators=operators,
        doubts=doubts, slips=slips,
    )  # fmt: skip
    exchange = replace(exchange, ledger_head=ledger_entries.head_beside(protocol))
    path = write_exchange(exchange, into)
    # Without list and log, the line on the arms has said it.
    if kept is not None and (doubt := arms_caution(exchange.arms)) is not None:
        click.echo(doubt.text, err=True)
    click.echo("What a reader of the file could learn:")
    say.each(what_can_be_learned(read_exchange(path), before), "- ")
    click.echo(f"Written: {path}")


@click.command("look-inside")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
def look_inside(files: tuple[Path, ...]) -> None:
    """Check exchange FILES (or their folders) and say what somebody who reads them could learn.

    Of several files of a practice it is also said what one taken from the other gives away. Of two files up to one
    quarter the one that holds more cases is taken to be the later.
    """
    from onsetstudy.files.exchange import read_exchanges
    from onsetstudy.study.counts.disclosure import what_can_be_learned

    earlier: dict[tuple[str, str], tuple[str, Exchange]] = {}
    for name, exchange in sorted(read_exchanges(files), key=lambda item: (item[1].practice, item[1].age, item[0])):
        click.echo(f"{name}:")
        if (before := earlier.get((exchange.study, exchange.practice))) is not None:
            click.echo(f"- {_which_is_earlier(before, (name, exchange))}")
        say.each(what_can_be_learned(exchange, None if before is None else before[1]), "- ")
        earlier[exchange.study, exchange.practice] = name, exchange


def _which_is_earlier(before: tuple[str, Exchange], after: tuple[str, Exchange]) -> str:
    """Which of two files is taken to be the one sent before, and on what ground."""
    (old, earlier), (new, later) = before, after
    (first, cases), (last, more) = earlier.age, later.age
    if first != last:
        ground = f"it ends with {first}, and {new} with {last}"
    elif cases == more:
        return (
            f"{old} and {new} both hold {cases} cases up to {last}: which was sent before cannot be told from them, "
            f"and {old} is called so here."
        )
    else:
        ground = f"it holds {cases} cases up to {last}, and {new} holds {more}"
    return f"The file sent before is {old}: {ground}."
