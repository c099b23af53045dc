"""Whether it was the same everywhere, and under other choices."""

from __future__ import annotations

from onsetstudy.report import tables
from onsetstudy.report.document import Block, Section, absent, note
from onsetstudy.report.figures.forest import Line
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import capital, tidy
from onsetstudy.report.sections.blocks import forest_block
from onsetstudy.study.practice.results import StudyResults

__all__ = ["where_section"]


def where_section(results: StudyResults) -> Section:
    """By technique, by practice, and under the other choices of the plan."""
    lines = [Line("All cases", results.overall.wait_difference, whole=True)]
    for name, groups in (("By technique", results.by_technique), ("By practice", results.by_practice)):
        if groups:
            lines += [Line(name), *(Line(plain_words(g.level), g.wait_difference) for g in groups)]
    blocks: list[Block] = []
    if len(lines) > 1:
        title = "Was it the same everywhere?"
        caption = "Small groups have wide intervals and differ by chance alone; the lines are not a ranking."
        blocks.append(forest_block(results, lines, name="everywhere", title=title, caption=caption))
    else:
        blocks.append(absent("All cases are of one technique and one practice."))
    if results.by_technique:
        blocks.append(tables.techniques_table(results))
    if results.sensitivity:
        lines = [Line(capital(v.label), v.wait_difference, whole=v.code == "main") for v in results.sensitivity]
        title = "Would other choices have changed the answer?"
        caption = "The same comparison under the other choices that the plan names."
        blocks.append(forest_block(results, lines, name="choices", title=title, caption=caption))
        said = [capital(tidy(f"{v.label}: {v.text}")) for v in results.sensitivity if v.code != "main"]
        blocks.append(note(". ".join(said) + "."))
    return Section.of("everywhere", "Where and how it holds", *blocks)
