"""How soon teeth were numb, quarter by quarter, and what a stopwatch would have said."""

from __future__ import annotations

from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report import tables
from onsetstudy.report.document import Block, Heading, Paragraph, Section
from onsetstudy.report.figures.forest import Line
from onsetstudy.report.numbers import counted, decimal, listed, percent
from onsetstudy.report.sections.blocks import forest_block, told
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import NaiveStopwatch

__all__ = ["none_left", "onset_section", "stopwatch_words"]


def onset_section(results: StudyResults) -> Section:
    """The ratio in words, the main numbers, the stopwatch, and the quarters."""
    protocol, population = results.protocol, results.overall
    none = [Paragraph(text=text) for e in population.never_numb if (text := none_left(e, protocol))]
    return Section.of(
        "onset",
        "How soon teeth were numb",
        Paragraph(text=told(results, "hazard_ratio")),
        *none,
        tables.main_table(results),
        Heading(text="What would a stopwatch have said?"),
        Paragraph(text=stopwatch_words(population.naive, population.wait, protocol)),
        _quarters(results) if len(results.by_quarter) > 1 else None,
        tables.periods_table(results),
    )


def _quarters(results: StudyResults) -> Block:
    lines = [Line("Each quarter alone")]
    for p in results.by_quarter:
        lines.append(Line(p.level + (", this quarter" if p.level == results.quarter else ""), p.wait_difference))
    lines.append(Line("All to date", results.overall.wait_difference, whole=True))
    title = "How did this quarter compare with the ones before?"
    caption = "Quarters differ by chance alone; a quarter by itself decides nothing."
    return forest_block(results, lines, name="quarters", title=title, caption=caption)


def none_left(never: EstimateLike, protocol: Protocol) -> str | None:
    """What can be said when no case of an arm stayed un-numb."""
    if isinstance(never, NotAvailable) or never.n.onsets > 0 or never.estimate > 0:
        return None
    cases = never.n.arm(str(never.contrast)).cases or never.n.cases
    return (
        f"No {protocol.label(str(never.contrast))} case was left un-numb; with {counted(cases, 'case')} the true "
        f"proportion could still be as high as {percent(never.interval.high, cases)}."
    )


def stopwatch_words(naive: NaiveStopwatch, wait: tuple[EstimateLike, ...], protocol: Protocol) -> str:
    """What the average of a stopwatch says, counts and leaves out, beside what is counted here."""
    said = [f"{decimal(mean)} min {protocol.label(arm)}" for arm, mean, _, _ in naive.means if mean is not None]
    average = f"A stopwatch average ({listed(said)}; it has no honest interval)" if said else "A stopwatch average"
    seen = [f"{used} {protocol.label(arm)}" for arm, _, used, _ in naive.means]
    left = [f"{missing} {protocol.label(arm)}" for arm, _, _, missing in naive.means]
    text = (
        f"{average} would count the {listed(seen)} teeth that were seen to go numb, each as late as the test "
        f"that found it, and leave out the {listed(left)} teeth that were not."
    )
    if wait and all(isinstance(e, Estimate) for e in wait):
        text += (
            " The restricted mean time to onset counts every case: onset lies between two tests, and a tooth that was "
            f"not numb with the first injection alone has waited the whole {protocol.onset.tau_min:g} minutes."
        )
    return text
