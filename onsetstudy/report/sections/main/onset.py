"""How soon teeth were numb, quarter by quarter, and what a stopwatch would have said."""

from __future__ import annotations

from onsetstudy.report import tables
from onsetstudy.report.document import Block, Heading, Paragraph, Section
from onsetstudy.report.figures.forest import Line
from onsetstudy.report.remarks import none_left, stopwatch_words
from onsetstudy.report.sections.blocks import forest_block, told
from onsetstudy.study.practice.results import StudyResults

__all__ = ["onset_section"]


def onset_section(results: StudyResults) -> Section:
    """The ratio in words, the main numbers, the stopwatch, and the quarters."""
    protocol, population = results.protocol, results.overall
    blocks: list[Block] = [Paragraph(text=told(results, "hazard_ratio"))]
    blocks += [Paragraph(text=text) for e in population.never_numb if (text := none_left(e, protocol))]
    blocks.append(tables.main_table(results))
    blocks.append(Heading(text="What would a stopwatch have said?"))
    blocks.append(Paragraph(text=stopwatch_words(population.naive, population.wait, protocol)))
    blocks += _quarters(results)
    return Section(id="onset", title="How soon teeth were numb", blocks=tuple(blocks))


def _quarters(results: StudyResults) -> list[Block]:
    blocks: list[Block] = []
    if len(results.by_quarter) > 1:
        lines = [Line("Each quarter alone")]
        lines += [
            Line(f"{p.level}, this quarter" if p.level == results.quarter else p.level, p.wait_difference)
            for p in results.by_quarter
        ]
        lines.append(Line("All to date", results.overall.wait_difference, whole=True))
        title = "How did this quarter compare with the ones before?"
        caption = "Quarters differ by chance alone; a quarter by itself decides nothing."
        blocks.append(forest_block(results, lines, name="quarters", title=title, caption=caption))
    blocks.append(tables.periods_table(results))
    return blocks
