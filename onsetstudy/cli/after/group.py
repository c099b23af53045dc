"""``onsetstudy group``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from onsetstudy.cli import options, say

if TYPE_CHECKING:
    from onsetstudy.study.exchange_results import Exchange
    from onsetstudy.study.group.given_away import Sent
    from onsetstudy.study.group.results import GroupResults


@click.command("group")
@options.protocol
@click.argument("files", nargs=-1, required=True, type=options.A_PATH)
@options.quarter("Quarter to report on, such as 2026Q3  [default: the last one that was sent]")
@click.option(
    "--page-for", "pages", multiple=True, help="Code of a practice that gets a report of its own; repeatable."
)
@click.option(
    "--after",
    "earlier",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="Earlier page (its ….coordinator.json) or exchange files sent before, or a folder of them: which practices "
    "grew by so few cases that these can be read off; may be given more than once  [default: pages in INTO and its "
    "archive]",
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
@options.into("Folder for the reports.", "reports")
@options.paper
@options.formats
def group(
    protocol: Path,
    files: tuple[Path, ...],
    quarter: str | None,
    pages: tuple[str, ...],
    earlier: tuple[Path, ...],
    all_pages: bool,
    between: str,
    adjustment: str,
    into: Path,
    paper: str,
    formats: tuple[str, ...],
) -> None:
    """Pool exchange FILES (or their folder) under PROTOCOL and write the group's report.

    Practices stand under letters. The JSON file holds their key and is for the coordinator, as is what is told here by
    code; a report made with --page-for shows one practice to itself, and the others by letter.
    """
    from onsetstudy.cli import given, ledger_entries, reported_entries
    from onsetstudy.files.documents.archive import earlier_cases
    from onsetstudy.files.documents.reports import write_group
    from onsetstudy.files.exchange import read_exchanges, skipped_files
    from onsetstudy.files.ledger.side_files import read_companions
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.pool.combine import PoolOptions
    from onsetstudy.report.claims_told import answer_line
    from onsetstudy.report.numbers import counted
    from onsetstudy.report.sections.group.completeness import gate_words, refused_words
    from onsetstudy.report.sections.group.first_page import missing_words
    from onsetstudy.study.answer.cautions import deviants_told
    from onsetstudy.study.group.analyse_group import analyse_group

    promised = read_protocol(protocol)
    read, skipped, beside = read_exchanges(files), skipped_files(files), read_companions(protocol)
    pooling = PoolOptions(between=between, adjustment=adjustment, conf_level=promised.plan.conf_level)
    with say.progress_line() as progress:
        results = analyse_group(
            read, promised, quarter=quarter, skipped=skipped, beside=beside, options=pooling, progress=progress
        )
    if ledger_entries.keeps_ledger(protocol, promised):
        say.please_look(*reported_entries.enter_files(protocol, read))
    results = reported_entries.with_ledger(results, protocol, by="group")
    if differ := ", ".join(key for key, _, _ in beside.lock_changes):
        say.please_look(f"{protocol.name} was changed since it was locked: {differ}.")
    _say_grown(results, protocol, earlier_cases(earlier, into, promised.study.id), read)
    say.please_look(
        *results.notes,
        *gate_words(results, None),
        *missing_words(results, None, coordinator=True),
        *refused_words(results, None, coordinator=True),
    )
    sent = sorted(results.practices, key=lambda p: p.code)
    say.each(f"{p.code}: {', '.join(p.quarters)}; {', '.join(p.files)}" for p in sent)
    say.please_look(*(f"{e.practice}: {told}" for _, e in read if (told := deviants_told(e.arms))))
    codes = {p.letter: p.code for p in results.practices}
    for letter, opened, without in results.slips:
        if without:
            say.please_look(f"{codes.get(letter, letter)}: {given.unrecorded(without, opened)}; ask.")
    practices, cases = counted(len(results.answering), "practice"), counted(results.overall.n.cases, "case")
    click.echo(f"Files: {len(read)} read. {practices}, {cases} up to {results.quarter}.")
    click.echo(answer_line(results.claims, results.protocol))
    chosen = tuple(p.code for p in results.practices) if all_pages else pages
    say.written(write_group(results, into, pages=sorted(chosen), paper=paper, formats=formats))


def _say_grown(
    found: GroupResults, protocol: Path, earlier: list[tuple[str, dict[str, Sent]]], read: list[tuple[str, Exchange]]
) -> None:
    """Which practices grew by so few cases, or were corrected, that two pages tell what became of them.

    Or that nobody can say; and whose file, which was here before, is not.
    """
    from onsetstudy.cli.reported_entries import practices_sent_before
    from onsetstudy.report.numbers import counted
    from onsetstudy.study.group.given_away import cases_of_page, grown_by_few

    now = cases_of_page(found)
    first: dict[tuple[str, int], str] = {}
    for name, before in earlier:
        for practice, cases in grown_by_few(now, before):
            first.setdefault((practice, cases), name)
    for (practice, cases), name in first.items():
        more = f"{counted(abs(cases), 'case')} {'more' if cases > 0 else 'fewer'} than in {name}"
        if not cases:
            more = f"as many cases as in {name}, of which something else was counted there"
        say.please_look(
            f"{practice} has {more}: whoever holds both pages can read them off by subtraction. "
            "Wait until there are more, or ask that the earlier page be deleted."
        )
    known, sent = {code for _, before in earlier for code in before}, practices_sent_before(protocol, read)
    here = {e.practice for _, e in read}
    if gone := [code for code in sent if code not in here]:
        say.please_look(
            f"the ledger holds earlier files of {', '.join(gone)}, and none is here: ask, or see "
            "docs/pooling.md on practices that leave."
        )
    if unseen := [code for code in sent if code in now and code not in known]:
        say.please_look(
            f"the ledger holds earlier files of {', '.join(unseen)}, and no earlier page was found: give it with "
            "--after, to see whether a practice grew by so few cases that they can be read off."
        )
