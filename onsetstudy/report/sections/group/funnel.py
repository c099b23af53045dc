"""Practices beside each other, with the limits of chance."""

from __future__ import annotations

from onsetstudy.core.results import NotAvailable
from onsetstudy.pool.results import Funnel
from onsetstudy.report.document import Block, Section, Table, absent, note
from onsetstudy.report.figures import funnel
from onsetstudy.report.numbers import decimal, listed, percent, tidy
from onsetstudy.report.sections.group.heterogeneity import name_of
from onsetstudy.study.group.results import GroupResults

__all__ = ["beside_section"]

EXPECTED = (
    "Expected: from the group's proportions by technique and arm. Plausible: shrunken to the group by as much as "
    "chance explains, with 95\u202f% limits that allow for not knowing how much practices differ."
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
            blocks.append(absent(f"{title} Not drawn: {found.reason}."))
            continue
        caption = (
            "The proportion is what a practice would have with the group's mix of techniques and arms. Line: the "
            "group. Bands: where 19 in 20, and 499 in 500, practices like the group would lie by chance."
        )
        if found.dispersed:
            caption += (
                f" Practices differ more than chance allows; the bands are {found.dispersion**0.5:.1f} times as wide."
            )
        blocks.append(funnel.draw_figure(found, own=own).titled(f"funnel-{found.quantity}", title, caption))
        blocks.append(_funnel_table(found, results, own, explained))
        explained = True
    texts = dict.fromkeys(c.text for f in results.funnels if isinstance(f, Funnel) for c in f.caution)
    blocks += [note(tidy(t)) for t in texts]
    return Section.of("beside", "Practices beside each other", *blocks, new_page=True)


def _funnel_table(found: Funnel, results: GroupResults, own: str | None, explained: bool) -> Table:
    flags = {"": "", "look": "have a look", "outside": "outside all limits"}
    rows = []
    for p in found.points:
        low, high = 100 * p.shrunken_interval.low, 100 * p.shrunken_interval.high
        plausible = f"{percent(p.shrunken, p.cases)} ({low:.0f} to {high:.0f})"
        seen, mixed = f"{p.failures} of {p.cases}", percent(p.adjusted, p.cases)
        rows.append((name_of(p.label, own), seen, decimal(p.expected), mixed, plausible, flags[p.flag]))
    return Table.of(
        f"Teeth {FUNNELS[found.quantity]}",
        ("practice", "seen", "expected", "at the group's mix", "plausible", ""),
        rows,
        _undecided(found, results, own),
        "" if explained else EXPECTED,
        align="lrrrrl",
    )


def _undecided(found: Funnel, results: GroupResults, own: str | None) -> str:
    """What became of the cases of a practice that the chart does not count."""
    shown = {p.label: p.cases for p in found.points}
    without = {p.letter: p.n.cases - shown.get(p.letter, 0) for p in results.answering}
    told = [f"{n} of {name_of(letter, own)}" for letter, n in without.items() if n > 0]
    if found.quantity == "operators" or not told:
        return ""
    return (
        f"Not counted here, because no test decides it: {listed(told)}. Failures are seen more surely than successes."
    )
