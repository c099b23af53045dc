"""Consent that was taken back: whose rows are left out, and which codes of the ledger no row has."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path

import click

from onsetstudy.cli import say
from onsetstudy.core.errors import RecordsError
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.files.ledger.side_files import folders_beside
from onsetstudy.files.sealed.opening_log import read_opening_log
from onsetstudy.files.sources.spreadsheet import read_csv_table, read_tables
from onsetstudy.protocol.ledger import Withdrawn, withdrawals
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.allocation import KeptList
from onsetstudy.records.derived.withdrawn import codes_in, leave_out, met_in, unmatched
from onsetstudy.records.model import Records


def withdrawn_codes(protocol: Path) -> tuple[tuple[str, ...], frozenset[str]]:
    """Codes whose consent was taken back, as they were entered; and, without capitals, those whose data shall go."""
    found = withdrawals(verified_ledger(ledger_path(protocol)))
    return tuple(found), frozenset(code.casefold() for code, data in found.items() if data == "removed")


def leave_out_withdrawn(records: Records, protocol: Path, log: KeptList | None) -> tuple[Records, Withdrawn]:
    """Records without the rows of patients who wanted them gone, told in a line, and what the ledger's codes met.

    A case for which the log shows a slip as opened needs no row: its patient may have left before.
    """
    entered, gone = withdrawn_codes(protocol)
    left, left_out = leave_out(records, gone)
    opened = frozenset() if log is None or log.log is None else codes_in(log.log)
    seen = Withdrawn(left_out=left_out, unmatched=unmatched(entered, met_in(records, entered) | opened))
    say_withdrawn(seen)
    return left, seen


def say_withdrawn(seen: Withdrawn) -> None:
    """How many cases were left out, if any, and each withdrawn code that no row has: mistyped, it leaves nobody out."""
    if cases := seen.left_out:
        click.echo(f"Left out because consent was taken back: {cases} {'case' if cases == 1 else 'cases'}.")
    for code in seen.unmatched:
        say.please_look(
            f"consent for case {code} was entered as taken back, and no row that was read has this code: nothing is "
            "left out for it. If it was mistyped, enter the right code with the command withdraw."
        )


def codes_found(promised: Protocol, protocol: Path, records: Sequence[Path]) -> frozenset[str] | None:
    """Codes of cases, without capitals, in the records given, else in records and opening logs beside the protocol.

    ``None`` where there is neither.
    """
    if records:
        return codes_in(read_tables(records if len(records) > 1 else records[0], promised)[0].frame)
    names = ("cases.csv", "opened-*.csv")
    there = [path for folder in folders_beside(protocol) for name in names for path in folder.glob(name)]
    known: frozenset[str] | None = None
    for path in there:
        with contextlib.suppress(RecordsError):  # what cannot be read knows no case; the doors that need it say why
            frame = read_csv_table(path).frame if path.name == "cases.csv" else read_opening_log(path)[0]
            known = (known or frozenset()) | codes_in(frame)
    return known
