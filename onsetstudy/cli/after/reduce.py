"""``onsetstudy reduce``."""

from __future__ import annotations

from dataclasses import replace
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
    from onsetstudy.files.exchange import write_exchange
    from onsetstudy.files.output import private_folder
    from onsetstudy.files.sources.protocol_toml import read_protocol

    promised = read_protocol(protocol)
    through = promised.quarter(quarter)
    kept, opened = arms.read_to_send(promised, protocol, (folder,))
    work = private_folder(work or into / "work")
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
    arms.say(kept)
    _say(found, work / "rejects", promised)
    written, head = [], ledger_entries.head_beside(protocol)
    for practice in found.tally.practices:
        try:
            exchange = _counts(practice, found, terms, opened, least=least_cases, allowed=send_incomplete)
        except RecordsError as error:
            click.echo(str(error), err=True)
        else:
            written.append(write_exchange(replace(exchange, ledger_head=head), into))
    say.written(written)
    click.echo(f"Rows and refused rows stay in {work}: give the group the files, not this folder.")
    return 0 if len(written) == len(found.tally.practices) else 1


def _counts(
    practice: str, found: Reduced, terms: Terms, opened: KeptList | None, *, least: int, allowed: bool
) -> Exchange:
    """The counts that a practice sends, unless too many of its cases are missing."""
    from onsetstudy.cli import given
    from onsetstudy.records.derived.flow import refused_of
    from onsetstudy.study.counts.exchange import make_exchange

    promised, through = terms.protocol, terms.through
    accepted = found.accepted_by_practice
    refused = refused_of(practice, dict(found.refused), accepted)
    given.refuse_incomplete(practice, refused=refused, accepted=accepted[practice], allowed=allowed)
    slips = given.slips_told(opened, found.slips, practices=(practice,), through=through)
    given.refuse_unrecorded(practice, slips, allowed=allowed)
    return make_exchange(found.tally, promised, practice, records_digest=found.digest, least_cases=least, slips=slips)


def _say(found: Reduced, rejects: Path, promised: Protocol) -> None:
    """What was read, refused and left out.

    Raises
    ------
    RecordsError
        If no case is left.
    """
    from onsetstudy.cli import withdrawals
    from onsetstudy.protocol.ledger import Withdrawn
    from onsetstudy.records.checks.orphans import lacking_told
    from onsetstudy.report.numbers import counted

    say.please_look(*found.queries)
    click.echo(f"Parts: {found.parts}, of which {found.kept} were done before.")
    say.read("Cases", found.rows_read, found.rows_accepted)
    for code, n in found.accepted_by_practice.items():
        if promised.study.practices and code not in promised.study.practices:
            click.echo(f"Kept, but no file will count them: {n}, of {code}, which is not in the study.")
    say.read("Cold tests", found.readings_read, found.readings_accepted)
    if (alone := found.readings_without_case) and found.parts > 1:
        say.please_look(
            f"{lacking_told(alone, found.readings_read)}. A case whose test stands in another part is not held back "
            "here: correct the codes, or see which cases `onsetstudy check` holds back."
        )
    for code, n in found.problems:
        alike = "" if n == 1 else f" ({counted(n - 1, 'more row')} like this.)"
        click.echo(f"{found.examples[code]}{alike}", err=True)
    if found.problems:
        click.echo(f"Refused rows, with reasons: {rejects}")
    withdrawals.say_withdrawn(Withdrawn(left_out=found.withdrawn, unmatched=found.unmatched))
    if not found.tally.practices:
        raise RecordsError(
            f"none of the {found.rows_accepted} accepted cases can be reported. Is this the protocol of these records?"
        )
