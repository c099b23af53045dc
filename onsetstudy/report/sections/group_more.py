"""Heterogeneity in words, and where the answer of a group holds."""

from __future__ import annotations

from collections.abc import Callable

from onsetstudy.core.results import Estimate, HypothesisTest
from onsetstudy.pool.results import Pooled, Subgroups
from onsetstudy.report.document import Block, Paragraph, Section, Table
from onsetstudy.report.numbers import decimal, interval, p_text
from onsetstudy.report.words import plain_words
from onsetstudy.study.group_results import GroupResults

__all__ = ["heterogeneity_words", "more_sections", "name_of"]

LITTLE, MUCH = 0.25, 0.75
"""Shares of the spread beyond chance that are called little and much (common practice, no source)."""


def name_of(letter: str, own: str | None) -> str:
    """How a practice is called: one's own is named, the others have letters."""
    if own is not None and letter == own:
        return "Your practice"
    if own is not None and letter.startswith(own) and letter[len(own) :].isdigit():
        return f"Your operator {letter[len(own) :]}"
    return f"Practice {letter}" if letter.isalpha() else f"Operator {letter}"


def heterogeneity_words(pooled: Pooled, factor: float, span: Callable[[float, float], str]) -> str:
    """How much practices differ, and what that means for a further one."""
    h, k = pooled.heterogeneity, sum(m.weight > 0 for m in pooled.members)
    if h is None:
        return "How much practices differ cannot be said."
    share = f"{100 * h.i2:.0f}\u202f%"
    could = f"it could be {100 * h.i2_interval.low:.0f} to {100 * h.i2_interval.high:.0f}\u202f%"
    if h.i2 < LITTLE:
        said = f"Practices differ little beyond chance ({share} of the spread; with {k} practices {could})."
    elif h.i2 < MUCH:
        said = f"Part of the spread between practices is more than chance ({share}; {could})."
    else:
        said = f"Practices differ much more than chance would make them ({share} of the spread; {could})."
    if pooled.prediction is None:
        return f"{said} So few practices say nothing of a further one."
    low, high = sorted((factor * pooled.prediction.low, factor * pooled.prediction.high))
    return f"{said} In a further practice like these, the truth would lie {span(low, high)}."


def more_sections(results: GroupResults, own: str | None) -> tuple[Section | None, ...]:
    """Techniques, practices and quarters."""
    blocks: list[Block] = []
    for group in results.subgroups:
        blocks += _subgroup(group, own)
    blocks += _steps(results, own)
    return (Section(id="holds", title="Where and how it holds", blocks=tuple(blocks)),)


def _ratio(result: object) -> str:
    if not isinstance(result, Estimate):
        return "–"
    return f"{decimal(result.estimate, 2)} ({interval(result.interval.low, result.interval.high, 2)})"


def _subgroup(group: Subgroups, own: str | None) -> list[Block]:
    if isinstance(group.test, HypothesisTest):
        verdict = "no sign that it differs" if group.test.p_value >= 0.05 else "it seems to differ"
        p = p_text(group.test.p_value)
        text = f"One ratio of rates for all {group.grouping}s or one for each: p = {p}, {verdict}."
    else:
        text = f"Whether the ratio of rates differs by {group.grouping} cannot be said: {group.test.reason}."
    if group.grouping == "practice":
        return [Paragraph(text=text)]
    rows = tuple((plain_words(m.label), f"{m.result.n.cases}", _ratio(m.result)) for m in group.levels)
    table = Table(
        caption=f"Ratio of rates by {group.grouping}, all practices",
        columns=(group.grouping, "cases", "ratio of rates"),
        rows=rows,
        align="lrr",
        notes=("Above 1: sooner. Practices are compared within themselves. Small groups differ by chance alone.",),
    )
    return [table, Paragraph(text=text)]


def _steps(results: GroupResults, own: str | None) -> list[Block]:
    blocks: list[Block] = []
    if len(results.cumulative) > 1:
        blocks.append(
            Table(
                caption="Average ratio of rates over practices, with all cases up to each quarter",
                columns=("up to", "cases", "ratio of rates"),
                rows=tuple((s.label, f"{s.result.n.cases}", _ratio(s.result)) for s in results.cumulative),
                align="lrr",
                notes=("Cases of small groups count with the last quarter that they were joined to.",),
            )
        )
    ratio = results.quantity("hazard_ratio")
    if ratio is not None and ratio.without:
        blocks.append(
            Table(
                caption="Average ratio of rates without one practice",
                columns=("without", "cases", "ratio of rates"),
                rows=tuple((name_of(s.label, own), f"{s.result.n.cases}", _ratio(s.result)) for s in ratio.without),
                align="lrr",
                notes=("If one line stands apart, the average leans on that practice.",),
            )
        )
    return blocks
