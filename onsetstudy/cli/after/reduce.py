"""``onsetstudy reduce``."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from onsetstudy.cli import options, say
from onsetstudy.core.errors import RecordsError

if TYPE_CHECKING:
    from onsetstudy.cli.given import GivenArms
    from onsetstudy.files.bulk.reduce import Reduced, Terms
    from onsetstudy.protocol.model import Protocol
    from onsetstudy.records.derived.allocation import KeptList
    from onsetstudy.study.exchange_results import Exchange


@click.command("reduce")
@options.protocol
@click.argument("folder", type=options.A_PATH)
@options.quarter("Last quarter counted, such as 2026Q3  [default: the protocol's last]")
@options.sending
@options.arms
@click.option("--drop-unknown", is_flag=True, help="Leave columns that the dictionary does not know unread.")
@options.hands
@click.option("--work", type=options.A_FOLDER, help="Folder of what is done  [default: INTO/work]")
@options.into("Folder for the files.", "exchange")
def reduce(
    protocol: Path,
    folder: Path,
    quarter: str | None,
    least_cases: int,
    send_incomplete: bool,
    arms: GivenArms,
    drop_unknown: bool,
    workers: int,
    cluster: str | None,
    work: Path | None,
    into: Path,
) -> int:
    """Count the records of FOLDER under PROTOCOL, part by part, and write one file per practice.

    FOLDER holds cases/NAME.parquet and cold_tests/NAME.parquet (or .csv), each part with whole cases; or cases.csv and
    cold_tests.csv, which are split first, with the open tables beside them; a workbook or a wide sheet is counted with
    `send`. Stop it when you like: begun again, it goes on where it stopped. A practice of which more than one in ten
    cases are refused, or of whose opened slips more than one in ten have no record, gets no file, unless
    --send-incomplete is given. Ends with exit code 1 if a practice got none.
    """
    import datetime as dt

    from onsetstudy.cli import ledger_entries, withdrawals
    from onsetstudy.cluster.mapper import chosen_mapper
    from onsetstudy.files.bulk.parts import in_parts
    from onsetstudy.files.bulk.reduce import Terms, reduce_parts, slips_shown
    from onsetstudy.files.output import private_folder
    from onsetstudy.files.sources.protocol_toml import read_protocol

    promised = read_protocol(protocol)
    through = promised.quarter(quarter)
    kept, opened = arms.read(promised, protocol, (folder,))
    arms.require(promised, kept)
    arms.trust(kept)
    work = work or into / "work"
    private_folder(work)
    mapper = chosen_mapper(workers, cluster)
    with say.progress_line() as progress:
        folder = in_parts(folder, work / "split", progress=progress)
        withdrawn, gone = withdrawals.withdrawn_codes(protocol)
        terms = Terms(
            protocol=promised,
            through=through,
            work=work,
            drop_unknown=drop_unknown,
            today=dt.date.today(),
            kept=kept,
            without_list=arms.without_list,
            gone=gone,
            withdrawn=withdrawn,
            opened=slips_shown(opened),
        )
        found = reduce_parts(folder, terms, mapper=mapper, progress=progress)
    _say(found, work / "rejects", promised)
    withdrawals.say_unmatched(found.unmatched)
    arms.say(kept)
    if not found.tally.practices:
        raise RecordsError(
            f"none of the {found.rows_accepted} accepted cases can be reported. Is this the protocol of these records?"
        )
    counts = partial(_counts, found=found, terms=terms, opened=opened, least=least_cases, allowed=send_incomplete)
    written = _written(found.tally.practices, counts, into, ledger_head=ledger_entries.head_beside(protocol))
    click.echo(f"Rows and refused rows stay in {work}: give the group the files, not this folder.")
    return 0 if len(written) == len(found.tally.practices) else 1


def _written(
    practices: Iterable[str], counts: Callable[[str], Exchange], into: Path, *, ledger_head: str
) -> tuple[Path, ...]:
    """Files of the practices whose counts may be sent; of the others it is said why not."""
    from onsetstudy.files.exchange import write_exchange

    written = []
    for practice in practices:
        try:
            exchange = counts(practice)
        except RecordsError as error:
            click.echo(str(error), err=True)
            continue
        written.append(write_exchange(replace(exchange, ledger_head=ledger_head), into))
    say.written(written)
    return tuple(written)


def _counts(
    practice: str, found: Reduced, terms: Terms, opened: KeptList | None, *, least: int, allowed: bool
) -> Exchange:
    """The counts that a practice sends, unless too many of its cases are missing."""
    from onsetstudy.cli import given
    from onsetstudy.study.counts.exchange import make_exchange

    promised, through = terms.protocol, terms.through
    refused, accepted = dict(found.refused).get(practice, 0), found.accepted_by_practice[practice]
    given.refuse_incomplete(practice, refused=refused, accepted=accepted, allowed=allowed)
    slips = given.slips_told(opened, found.slips, practices=(practice,), through=through)
    given.refuse_unrecorded(practice, slips, allowed=allowed)
    return make_exchange(found.tally, promised, practice, records_digest=found.digest, least_cases=least, slips=slips)


def _say(found: Reduced, rejects: Path, promised: Protocol) -> None:
    """What was read, refused and left out."""
    from onsetstudy.cli.withdrawals import say_left_out_withdrawn
    from onsetstudy.report.numbers import counted

    say.please_look(*found.queries)
    refused, tests_refused = found.rows_read - found.rows_accepted, found.readings_read - found.readings_accepted
    click.echo(f"Parts: {found.parts}, of which {found.kept} were done before.")
    click.echo(f"Cases: {found.rows_read} read, {found.rows_accepted} accepted, {refused} refused.")
    say_left_out_withdrawn(found.withdrawn)
    for code, n in found.accepted_by_practice.items():
        if promised.study.practices and code not in promised.study.practices:
            click.echo(f"Kept, but no file will count them: {n}, of {code}, which is not in the study.")
    click.echo(f"Cold tests: {found.readings_read} read, {found.readings_accepted} accepted, {tests_refused} refused.")
    for code, n in found.problems:
        alike = "" if n == 1 else f" ({counted(n - 1, 'more row')} like this.)"
        click.echo(f"{found.examples[code]}{alike}", err=True)
    if found.problems:
        click.echo(f"Refused rows, with reasons: {rejects}")
