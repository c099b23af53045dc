"""``onsetstudy report``."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import click

from onsetstudy.cli.options import (
    arms_options,
    chosen_arms,
    chosen_quarter,
    log_of_slips,
    normal_quarter,
    protocol_argument,
    records_arguments,
    refuse_if_none_is_left,
    say_arms,
    say_draft,
    say_records,
)

__all__ = ["command"]


@click.command("report", short_help="Write the quarterly report (HTML, PDF and JSON).")
@protocol_argument
@records_arguments
@click.option(
    "--quarter",
    callback=normal_quarter,
    help="Quarter to report on, for example 2026Q3  [default: the last one with cases]",
)
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("reports"),
    show_default=True,
    help="Folder for the report.",
)
@arms_options
@click.option("--draft", is_flag=True, help="Only count what a report would stand on: no arms, no file, no entry.")
@click.option("--for-patients", is_flag=True, help="Write half a page for patients too, a draft for the committee.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper of the PDF.")
@click.option(
    "--format",
    "formats",
    type=click.Choice(["html", "pdf", "json"]),
    multiple=True,
    help="What to write; may be given more than once  [default: all three]",
)
def command(
    protocol: Path,
    records: tuple[Path, ...],
    strict: bool,
    drop_unknown: bool,
    rejects: Path | None,
    quarter: str | None,
    into: Path,
    allocation: Path | None,
    logs: tuple[Path, ...],
    without_list: str | None,
    paper: str,
    formats: tuple[str, ...],
    draft: bool,
    for_patients: bool,
) -> int:
    """Check RECORDS against PROTOCOL, analyse them as the protocol says and write the report.

    RECORDS is one workbook (.xlsx) with the sheets cases and cold_tests, a folder with cases.csv and
    cold_tests.csv, those two files, or the store of the page at the chair (.sqlite). Rows that are refused are kept
    in a rejects file; the others go on.

    A randomised study is analysed by the arm that chance had chosen, from the practice's opening log or the whole list.
    """
    from onsetstudy.cli.entering import with_ledger
    from onsetstudy.cli.progress import progress_line
    from onsetstudy.cli.withdrawals import leave_out_withdrawn
    from onsetstudy.files.documents.results_json import write_report
    from onsetstudy.files.ledger.side_files import read_companions
    from onsetstudy.files.output import rejects_path, write_rejects
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.files.sources.spreadsheet import read_records
    from onsetstudy.records.derived.opened_slips import recorded_slips
    from onsetstudy.report.claims_told import answer_line
    from onsetstudy.study.practice.analyse import analyse

    promised = read_protocol(protocol)
    kept = chosen_arms(promised, allocation=allocation, logs=logs, without_list=without_list, records=records)
    beside = dataclasses.replace(read_companions(protocol), allocation=kept)
    checked = read_records(records, promised, strict=strict, drop_unknown=drop_unknown)
    written = write_rejects(checked, rejects or rejects_path(records)) if len(checked.rejects) else None
    say_records(checked, written)
    log = log_of_slips(promised, kept, records)
    beside = dataclasses.replace(beside, slips_recorded=recorded_slips(checked), slips_log=log)
    checked, withdrawn = leave_out_withdrawn(checked, protocol)
    say_arms(kept, without_list)
    refuse_if_none_is_left(checked, promised, through=chosen_quarter(promised, quarter))
    if draft:
        say_draft(checked, promised, through=chosen_quarter(promised, quarter))
        return 0
    with progress_line() as progress:
        results = analyse(
            promised, checked, quarter=quarter, beside=beside, without_list=without_list, progress=progress
        )
    results = with_ledger(results, protocol, by="practice", withdrawn=withdrawn)
    paths = write_report(
        results, into, paper=paper, formats=formats or ("html", "pdf", "json"), for_patients=for_patients
    )
    click.echo(answer_line(results.claims, results.protocol))
    for path in paths:
        click.echo(f"Written: {path}")
    return 0
