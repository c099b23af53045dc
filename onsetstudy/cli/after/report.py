"""``onsetstudy report``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from onsetstudy.cli import options, say

if TYPE_CHECKING:
    from onsetstudy.cli.given import GivenArms, GivenRecords


@click.command("report")
@options.protocol
@options.records
@options.quarter("Quarter to report on, for example 2026Q3  [default: the last one with cases]")
@options.into("Folder for the report.", "reports")
@options.arms
@click.option("--draft", is_flag=True, help="Only count what a report would stand on: no arms, no file, no entry.")
@click.option("--for-patients", is_flag=True, help="Write half a page for patients too, a draft for the committee.")
@options.paper
@options.formats
def report(
    protocol: Path,
    records: GivenRecords,
    quarter: str | None,
    into: Path,
    arms: GivenArms,
    paper: str,
    formats: tuple[str, ...],
    draft: bool,
    for_patients: bool,
) -> None:
    """Check RECORDS against PROTOCOL, analyse them as the protocol says and write the report.

    RECORDS is one workbook (.xlsx) with the sheets cases and cold_tests, a folder with cases.csv and
    cold_tests.csv, those two files, a wide sheet as `template --wide` writes it, with wide_sheet in its first cell, or
    the store of the page at the chair (.sqlite). Rows that are refused are kept in a rejects file; the others go on.

    A randomised study is analysed by the arm that chance had chosen, from the practice's opening log or the whole list.
    """
    from onsetstudy.cli import given, reported_entries, withdrawals
    from onsetstudy.files.documents.reports import write_report
    from onsetstudy.files.ledger.ledger_check import begun_anew
    from onsetstudy.files.ledger.side_files import read_companions
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.records.derived.opened_slips import recorded_slips
    from onsetstudy.records.derived.roster import case_roster
    from onsetstudy.report.claims_told import answer_line
    from onsetstudy.study.practice.analyse import analyse

    promised = read_protocol(protocol)
    say.please_look(*begun_anew(protocol, promised, (*records.paths, into)))
    kept, log = arms.read(promised, protocol, records.paths)
    beside = read_companions(protocol)
    checked = records.read(promised, protocol)
    beside = replace(beside, allocation=kept, slips_recorded=recorded_slips(checked), slips_log=log)
    checked, withdrawn = withdrawals.leave_out_withdrawn(checked, protocol, log)
    arms.say(kept, checked)
    through = promised.quarter(quarter)
    given.refuse_if_none_is_left(checked, promised, through=through)
    if draft:
        given.say_draft(checked, promised, through=through)
        return
    arms.require(promised, kept)
    with say.progress_line() as progress:
        results = analyse(
            promised, checked, quarter=quarter, beside=beside, without_list=arms.without_list, progress=progress
        )
    results = reported_entries.with_ledger(results, protocol, by="practice", withdrawn=withdrawn)
    paths = write_report(
        results,
        into,
        paper=paper,
        formats=formats,
        for_patients=for_patients,
        roster=case_roster(checked, promised, through=promised.quarter(results.quarter)),
    )
    click.echo(answer_line(results.claims, results.protocol))
    say.written(paths)
