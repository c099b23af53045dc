"""Heterogeneity in words, where the answer of a group holds, and practices beside each other."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

from onsetstudy.core.results import Estimate, HypothesisTest, NotAvailable
from onsetstudy.pool.results import Funnel, Pooled, Step, Subgroups, small_numbers
from onsetstudy.report.cells import reasons_of, value_text
from onsetstudy.report.document import Pieces, Section, Table, absent, note, notes_of
from onsetstudy.report.figures import funnel
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import counted, decimal, listed, p_equals, percent, uncapital
from onsetstudy.study.group.results import OTHERS, GroupResults

LITTLE, MUCH = 0.25, 0.75
"""Shares of the spread beyond chance that are called little and much (common practice, no source)."""
WIDE = 0.5
"""Width of the interval of that share from which on it tells nothing."""
CLOSE = 1.25
"""A ratio is known closely enough to speak of likeness if its interval reaches no farther than this factor."""
HELD = "—"
"""Stands for a number that is held back."""


def name_of(letter: str, own: str | None) -> str:
    """How a practice or an operator is called: one's own are named, the others have letters."""
    if own is not None and letter == own:
        return "Your practice"
    if letter.endswith(OTHERS):
        practice = letter.removesuffix(OTHERS)
        return "Your other operators" if practice == own else f"Other operators of practice {practice}"
    if own is not None and letter.startswith(own) and letter[len(own) :].isdigit():
        return f"Your operator {letter[len(own) :]}"
    return f"Practice {letter}" if letter.isalpha() else f"Operator {letter}"


def heterogeneity_words(pooled: Pooled, span: Callable[[float, float], str]) -> str:
    """How much practices differ, and what that means for a further one."""
    said = differ_words(pooled)
    if pooled.heterogeneity is None:
        return said
    if pooled.prediction is None:
        return f"{said} So few practices say nothing of a further one."
    further = span(pooled.prediction.low, pooled.prediction.high)
    cut = f" ({pooled.cut})" if pooled.cut else ""
    return f"{said} In another practice like these, the truth would lie {further}{cut}."


def differ_words(pooled: Pooled) -> str:
    """Whether practices differ in a quantity, by the interval of the spread beyond chance: the one rule for it."""
    h, k = pooled.heterogeneity, sum(m.weight > 0 for m in pooled.members)
    if h is None:
        return "How much practices differ cannot be said."
    low, high = h.i2_interval.low, h.i2_interval.high
    share, reach = f"{100 * h.i2:.0f}\u202f%", f"{100 * low:.0f} to {100 * high:.0f}\u202f%"
    could, may = f"it could be {reach}", f"{reach} of the spread may be more than chance"
    if high == 0:
        return f"With {k} practices it cannot be told whether they differ: chance alone would put them farther apart."
    if high - low > WIDE and low > 0:
        return f"Practices differ by more than chance; with {k} practices it cannot be told how much ({may})."
    if high - low > WIDE:
        return f"With {k} practices it cannot be told whether they differ ({may})."
    if h.i2 < LITTLE:
        return f"Practices differ little beyond chance ({share} of the spread; with {k} practices {could})."
    if h.i2 < MUCH:
        return f"Part of the spread between practices is more than chance ({share}; {could})."
    return f"Practices differ much more than chance would make them ({share} of the spread; {could})."


def where_section(results: GroupResults, own: str | None) -> Section:
    """Techniques, practices and quarters."""
    ratio = results.quantity("hazard_ratio")
    groups = [
        _by_practice(group, ratio) if group.grouping == "practice" else _subgroup(group, results.one_practice)
        for group in results.subgroups
    ]
    return Section.of("holds", "Where and how it holds", groups, _steps(results, own))


def _alike(group: Subgroups) -> str:
    """A large p-value speaks for likeness only where every level is known closely."""
    if isinstance(group.test, HypothesisTest) and group.test.p_value < 0.05:
        return "it seems to differ"
    close = all(
        isinstance(m.result, Estimate)
        and m.result.interval.low > 0
        and max(m.result.interval.high / m.result.estimate, m.result.estimate / m.result.interval.low) <= CLOSE
        for m in group.levels
    )
    return "no sign that it differs" if close else "too few cases to tell whether it differs"


def _by_practice(group: Subgroups, ratio: Pooled | None) -> list[Pieces]:
    """Whether practices differ in the hazard ratio: the p-value beside what page 1 goes by, which decides the words."""
    if not isinstance(group.test, HypothesisTest):
        return [f"Whether the hazard ratio differs by practice cannot be said: {group.test.reason}."]
    text = f"One hazard ratio for all practices or one for each: p {p_equals(group.test.p_value)}."
    if ratio is None or ratio.heterogeneity is None:
        return [f"{text} How much practices differ in it cannot be said."]
    few = group.test.p_value < 0.05 and ratio.heterogeneity.i2_interval.low == 0
    alone = " Beside it, a p-value this small is no more than a sign." if few else ""
    return [f"{text} Of the hazard ratio, as on page 1 of the main outcome: {uncapital(differ_words(ratio))}{alone}"]


def _subgroup(group: Subgroups, alone: Collection[str]) -> list[Pieces]:
    """A table by technique; the row of one that a single practice used would be that practice's own."""
    if isinstance(group.test, HypothesisTest):
        p = p_equals(group.test.p_value)
        text = f"One hazard ratio for all {group.grouping}s or one for each: p {p}, {_alike(group)}."
    else:
        text = f"Whether the hazard ratio differs by {group.grouping} cannot be said: {group.test.reason}."
    shown = [m for m in group.levels if m.label not in alone]
    held = len(group.levels) - len(shown)
    # With the numbers of all others, that of the one held back could be read off by subtraction.
    table = Table.of(
        f"Hazard ratio by {group.grouping}, all practices",
        (group.grouping, "cases", "hazard ratio"),
        [(plain_words(m.label), HELD if held else f"{m.result.n.cases}", value_text(m.result, 2)) for m in shown],
        "Above 1: sooner. Practices are strata; small ones share one. Small groups differ by chance alone.",
        *(() if held else reasons_of(m.result for m in shown)),
        f"{counted(held, 'technique')} that one practice alone has used {'is' if held == 1 else 'are'} held back, and "
        "with it the numbers of cases: such a row would tell whose it is."
        if held
        else "",
    )
    return [table, text]


def _steps(results: GroupResults, own: str | None) -> tuple[Table, Table]:
    """The average hazard ratio with all cases up to each quarter, and without each practice."""

    def ratios(called: Callable[[str], str], steps: Sequence[Step]) -> list[tuple[str, ...]]:
        return [(called(s.label), f"{s.result.n.cases}", value_text(s.result, 2)) for s in steps]

    ratio, cumulative = results.quantity("hazard_ratio"), results.cumulative
    return (
        Table.of(
            "Average hazard ratio over practices, with all cases up to each quarter",
            ("up to", "cases", "hazard ratio"),
            ratios(str, cumulative if len(cumulative) > 1 else ()),
            "Cases of small groups count with the last quarter that they were joined to.",
        ),
        Table.of(
            "Average hazard ratio without one practice; a line that stands apart carries the average",
            ("without", "cases", "hazard ratio"),
            ratios(lambda letter: name_of(letter, own), () if ratio is None else ratio.without),
        ),
    )


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
    pieces: list[Pieces] = []
    charts = [f for f in results.funnels if isinstance(f, Funnel)]
    for found in results.funnels:
        title = f"How many teeth were {FUNNELS[found.quantity]}?"
        if isinstance(found, NotAvailable):
            pieces.append(absent(f"{title} Not drawn: {found.reason}."))
            continue
        caption = (
            "The proportion is what a practice would have with the group's mix of techniques and arms. Line: the "
            "group. Bands: where 19 in 20, and 499 in 500, practices like the group would lie by chance."
        )
        if found.dispersed:
            wide = f"{found.dispersion**0.5:.1f} times as wide"
            caption += f" Practices differ more than chance allows; the bands are {wide}."
        if found.quantity == "operators" and any(len(p.files) > 1 for p in results.practices):
            caption += " Where a practice sent several files, an operator has a number in each."
        drawn = funnel.draw_figure(found, own=own).titled(f"funnel-{found.quantity}", title, caption)
        pieces.append((drawn, _funnel_table(found, results, own, explained=found is not charts[0])))
    few = dict.fromkeys(small_numbers(f.points, lambda label: name_of(label, own)) for f in charts)
    told = notes_of(c for f in charts for c in f.caution if c.code != "small_numbers")
    notes = [*told, *(note(text) for text in few if text)]
    return Section.of("beside", "Practices beside each other", pieces, notes)


def _funnel_table(found: Funnel, results: GroupResults, own: str | None, *, explained: bool) -> Table:
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
    without_test = f"Not counted here, because no test decides it: {listed(told)}."
    return f"{without_test} Failures are seen more surely than successes."
