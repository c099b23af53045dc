"""Practices beside each other, with the limits of chance."""

from __future__ import annotations

from onsetstudy.core.results import NotAvailable
from onsetstudy.pool.results import Funnel
from onsetstudy.report.document import (
    Block,
    Paragraph,
    Section,
    Table,
    figure,
)
from onsetstudy.report.figures import funnel
from onsetstudy.report.numbers import (
    decimal,
    listed,
    percent,
    tidy,
)
from onsetstudy.report.sections.group.heterogeneity import name_of
from onsetstudy.study.group.results import GroupResults

__all__ = ["beside_section"]

EXPECTED = (
    "Expected: from the group's proportions by technique and arm. Plausible: shrunken to the group by as much "
    "as chance "
    "explains, with 95\u202f% limits that allow for not knowing how much practices differ."
)


FUNNELS = {
    "by_target": "not numb by the target",
    "never_numb": "not numb to the end of testing",
    "operators": "not numb by the target, by operator",
}


def beside_section(results: GroupResults, own: str | None) -> Section:
    """Funnels of teeth that were not numb, by practice and by operator."""
    blocks: list[Block] = []
    explained = False
    for found in results.funnels:
        what = FUNNELS[found.quantity]
        title = f"How many teeth were {what}?"
        if isinstance(found, NotAvailable):
            blocks.append(Paragraph(text=f"{title} Not drawn: {found.reason}.", role="absent"))
            continue
        drawn = funnel.draw_figure(found, name=f"funnel-{found.quantity}", title=title, own=own)
        caption = (
            "The proportion is what a practice would have with the group's mix of techniques and arms. Line: "
            "the group. "
            "Bands: where 19 in 20, and 499 in 500, practices like the group would lie by chance."
        )
        if found.dispersed:
            caption += (
                f" Practices differ more than chance allows; the bands are {found.dispersion**0.5:.1f} times as wide."
            )
        blocks += [
            figure(f"funnel-{found.quantity}", title, caption, drawn),
            _funnel_table(found, results, own, explained),
        ]
        explained = True
    texts = dict.fromkeys(c.text for f in results.funnels if isinstance(f, Funnel) for c in f.caution)
    blocks += [Paragraph(text=tidy(t), role="note") for t in texts]
    return Section(id="beside", title="Practices beside each other", blocks=tuple(blocks), new_page=True)


def _funnel_table(found: Funnel, results: GroupResults, own: str | None, explained: bool) -> Table:
    flags = {"": "", "look": "have a look", "outside": "outside all limits"}
    rows = [
        (
            name_of(p.label, own),
            f"{p.failures} of {p.cases}",
            decimal(p.expected),
            percent(p.adjusted, p.cases),
            f"{percent(p.shrunken, p.cases)} ({100 * p.shrunken_interval.low:.0f} to "
            f"{100 * p.shrunken_interval.high:.0f})",
            flags[p.flag],
        )
        for p in found.points
    ]
    return Table(
        caption=f"Teeth {FUNNELS[found.quantity]}",
        columns=("practice", "seen", "expected", "at the group's mix", "plausible", ""),
        rows=tuple(rows),
        align="lrrrrl",
        notes=(*_undecided(found, results, own), *(() if explained else (EXPECTED,))),
    )


def _undecided(found: Funnel, results: GroupResults, own: str | None) -> tuple[str, ...]:
    """What became of the cases of a practice that the chart does not count."""
    shown = {p.label: p.cases for p in found.points}
    without = [
        (name_of(p.letter, own), p.n.cases - shown.get(p.letter, 0))
        for p in results.answering
        if found.quantity != "operators" and p.n.cases > shown.get(p.letter, 0)
    ]
    if not without:
        return ()
    told = listed([f"{n} of {name}" for name, n in without])
    return (f"Not counted here, because no test decides it: {told}. Failures are seen more surely than successes.",)
