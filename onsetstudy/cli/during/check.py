"""``onsetstudy check``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from onsetstudy.cli import options, say

if TYPE_CHECKING:
    from onsetstudy.cli.given import GivenArms, GivenRecords
    from onsetstudy.protocol.model import Protocol
    from onsetstudy.records.model import Records


@click.command("check")
@options.protocol
@options.records
@options.arms
def check(protocol: Path, records: GivenRecords, arms: GivenArms) -> int:
    """Check RECORDS against PROTOCOL without analysing them.

    RECORDS is one workbook (.xlsx) with the sheets cases and cold_tests, a folder with cases.csv and
    cold_tests.csv, those two files, a wide sheet as `template --wide` writes it, with wide_sheet in its first cell, or
    the store of the page at the chair (.sqlite). Everything that is wrong is listed at once, with its row and how to
    correct it.

    Ends with exit code 1 if a row was refused, if no case could be reported, if the opening log is not as it was
    written or as the ledger holds it, or if more than one in ten opened slips have no record.
    """
    from onsetstudy.cli import given, withdrawals
    from onsetstudy.files.ledger.ledger_check import begun_anew
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.records.checks import no_records
    from onsetstudy.records.derived.allocation import LOG_FAULTS, as_allocated, review_allocation
    from onsetstudy.records.derived.opened_slips import recorded_slips

    promised = read_protocol(protocol)
    say.please_look(*begun_anew(protocol, promised, records.paths))
    checked = records.read(promised, protocol)
    refused = len(no_records.refused(checked)) > 0
    recorded = recorded_slips(checked)
    kept, log = arms.read(promised, protocol, records.paths)
    checked, _ = withdrawals.leave_out_withdrawn(checked, protocol, log)
    arms.say(kept, checked)
    if kept is not None:
        # Slips without a record are told below, with how many were opened; what is wrong in the log is said above.
        deviations = review_allocation(checked.cases, promised, kept, recorded=recorded).deviations
        for deviation in (d for d in deviations if d.code not in ("opened_for_nobody", "withdrawn", *LOG_FAULTS)):
            say.please_look(f"{deviation.count} {deviation.text} ({say.first_of(deviation.where)}).")
        checked = as_allocated(checked, kept)
    elif promised.study.randomised and arms.without_list is None:
        say.please_look(
            "no opening log was found, and the report of a randomised study asks for it: give --log or --allocation."
        )
    last = promised.quarters[-1]
    given.say_left_out(checked, promised, through=last)
    given.refuse_if_none_is_left(checked, promised, through=last)
    practices = set(checked.cases["practice_id"].astype(str))
    slips = given.slips_told(log, recorded, practices=practices, through=last)
    lost = slips is not None and bool(slips.without)
    shut = _say_doubts(checked, promised)
    _say_missing(checked, promised)
    doubted = kept is not None and bool(kept.log_faults)
    if not refused and not doubted:
        row = "No row has to be corrected, but the report will show no answer about onset before this is settled."
        opened = "No row has to be corrected, but slips were opened without a record: see above."
        click.echo(row if shut else opened if lost else "Nothing has to be corrected.")
    return 1 if refused or doubted or (slips is not None and slips.too_many) else 0


def _say_missing(checked: Records, promised: Protocol) -> None:
    """What is missing in the last quarter that has cases, and whom to ask."""
    from onsetstudy.records.validity.completeness import missing_fields
    from onsetstudy.report.sections.main.records import missing_words

    quarters = [q.label for q in promised.quarters if (checked.cases["quarter"].astype(str) == q.label).any()]
    if not quarters:
        return
    if missing := missing_fields(checked, promised, quarter=quarters[-1]):
        click.echo(f"Missing in cases of {quarters[-1]} (a case without them is read all the same):")
        say.each(map(missing_words, missing), "  ")


def _say_doubts(checked: Records, promised: Protocol) -> bool:
    """What makes the cold tests doubtful, as the report will judge them; whether it will show no answer."""
    from onsetstudy.records.derived.flow import analysed_cases
    from onsetstudy.records.derived.results import shut
    from onsetstudy.records.validity.gates import doubts_of
    from onsetstudy.report.sections.main.records import doubt_words

    used = analysed_cases(checked, promised, through=promised.quarters[-1])
    doubts = doubts_of(replace(checked, cases=used), promised)
    for doubt, words in zip(doubts, doubt_words(doubts), strict=True):
        then = "No answer will be shown." if shut((doubt,)) else "The report will say so beside its answer."
        say.please_look(f"{words} {then}")
    return shut(doubts)
