"""``onsetstudy plan``."""

from __future__ import annotations

from pathlib import Path

import click

from onsetstudy.cli import options, say


@click.command("plan")
@options.protocol
@options.into("Folder for the planning report.", "reports")
@click.option("--trials", type=click.IntRange(50, 1_000_000), default=1000, show_default=True, help="Trials a point.")
@options.hands
@options.paper
@options.formats
@click.option("--papers", is_flag=True, help="Write drafts for the ethics committee instead, and reporting items.")
def plan(
    protocol: Path,
    into: Path,
    trials: int,
    workers: int,
    cluster: str | None,
    paper: str,
    formats: tuple[str, ...],
    papers: bool,
) -> None:
    """Plan sizes, power, schedules and interim analyses from the assumptions in PROTOCOL; write the planning report.

    The numbers are the same whatever the number of workers; trials are fewer, or sizes by formula alone, where a plan
    would take longer than two minutes on one core. With --papers nothing is planned: information for
    patients, a consent form and a list of reporting items are written, with marked gaps.
    """
    from onsetstudy.cli.ledger_entries import head_beside
    from onsetstudy.cluster.mapper import chosen_mapper
    from onsetstudy.files.documents.reports import write_planning
    from onsetstudy.files.ledger.lock import read_lock
    from onsetstudy.files.sources.protocol_toml import read_protocol
    from onsetstudy.report.sections.before.plan_words import difference, headline, planned_size, rests_on, size_lines
    from onsetstudy.study.planning.plan_study import plan_study

    promised = read_protocol(protocol)
    if papers:
        from onsetstudy.files.documents.reports import write_papers

        say.written(write_papers(promised, into, paper=paper))
        return
    mapper = chosen_mapper(workers, cluster)
    with say.progress_line() as progress:
        results = plan_study(promised, lock=read_lock(protocol), trials=trials, mapper=mapper, progress=progress)
    said = headline(results)
    say.each(filter(None, (said.seen, said.allows, difference(results), planned_size(results))))
    loud = ("spread_contradicts_curve", "fewer_trials")
    say.each((c.text for c in results.caution if c.code in loud), "Caution: ")
    click.echo("All of this rests on:")
    say.each(rests_on(results), "  ")
    click.echo("By formula, if the study is analysed once:")
    say.each(size_lines(results), "  ")
    say.written(write_planning(results, into, paper=paper, formats=formats, ledger_head=head_beside(protocol)))
