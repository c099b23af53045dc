"""Whether it was the same everywhere, and under other choices."""

from __future__ import annotations

from collections.abc import Callable

from onsetstudy.core.results import EstimateLike, NotAvailable
from onsetstudy.report.cells import NONE, near_text, reason_of, reasons_of, share_text, value_text, whole
from onsetstudy.report.document import Block, Section, Table, absent, note
from onsetstudy.report.figures.forest import Line
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import capital, level, listed, tidy
from onsetstudy.report.sections.blocks import forest_block
from onsetstudy.report.sentences import estimate_shown, without_looks
from onsetstudy.study.practice.results import StudyResults

__all__ = ["where_section"]


def where_section(results: StudyResults) -> Section:
    """By technique, by practice, and under the other choices of the plan."""
    lines = [Line("All cases", results.overall.wait_difference, whole=True)]
    for name, groups in (("By technique", results.by_technique), ("By practice", results.by_practice)):
        if groups:
            lines += [Line(name), *(Line(plain_words(g.level), g.wait_difference) for g in groups)]
    everywhere: Block = absent("All cases are of one technique and one practice.")
    if len(lines) > 1:
        title = "Was it the same everywhere?"
        caption = "Small groups have wide intervals and differ by chance alone; the lines are not a ranking."
        everywhere = forest_block(results, lines, name="everywhere", title=title, caption=caption)
    return Section.of(
        "everywhere",
        "Where and how it holds",
        everywhere,
        _techniques_table(results),
        _choices(results) if results.sensitivity else None,
    )


def _choices(results: StudyResults) -> tuple[Block, Block]:
    lines = [Line(capital(v.label), v.wait_difference, whole=v.code == "main") for v in results.sensitivity]
    title = "Would other choices have changed the answer?"
    caption = "The same comparison under the other choices that the plan names."
    said = [capital(tidy(f"{v.label}: {v.text}")) for v in results.sensitivity if v.code != "main"]
    drawn = forest_block(results, lines, name="choices", title=title, caption=caption)
    return drawn, note(". ".join(said) + ".")


def _techniques_table(results: StudyResults) -> Table:
    """The main results technique by technique."""
    protocol = results.protocol
    target, horizon = protocol.onset.target_min, protocol.onset.tau_min
    rows: list[tuple[str, ...]] = []
    wanting: list[object] = []
    for population in results.by_technique:
        sizes = [f"{population.n.arm(code).cases} {protocol.label(code)}" for code in protocol.arm_codes[:2]]
        rows.append((f"{plain_words(population.level)}: {listed(sizes)} cases",))
        pain = population.pain
        found: tuple[tuple[str, tuple[EstimateLike, ...], EstimateLike, Callable[[EstimateLike], str]], ...] = (
            (f"Numb by {target:g} min", population.success, population.success_difference, share_text),
            (f"Not numb within {horizon:g} min", population.never_numb, population.never_numb_difference, share_text),
            ("Restricted mean time to onset, min", population.wait, population.wait_difference, value_text),
        )
        if all(isinstance(difference, NotAvailable) for _, _, difference, _ in found):
            assert isinstance(population.wait_difference, NotAvailable)
            rows.append((f"not compared: {reason_of(population.wait_difference)}", "", "", ""))
            continue
        for name, arms, difference, show in found:
            last = estimate_shown(difference) or NONE
            rows.append((name, *(whole(show(e)) for e in arms[:2]), whole(last)))
        rows.append(("Hazard ratio", "1", whole(near_text(population.hazard_ratio, 1.0, base=2)), ""))
        if not isinstance(pain, NotAvailable):
            base = 1 if pain.unit == "points" else 0
            rows.append((f"Pain by ranks, shift in {pain.unit}", "", "", whole(near_text(pain.shift, base=base))))
        wanting += (*(d for _, _, d, _ in found), population.hazard_ratio, getattr(pain, "shift", pain))
    return Table.of(
        "Technique by technique",
        ("", *map(protocol.label, protocol.arm_codes[:2]), "difference"),
        rows,
        f"With {level(protocol.plan.conf_level)} intervals{without_looks(results.looks)}. Differences of "
        "proportions are in percentage points; of times to onset they are minutes saved.",
        *reasons_of(wanting),
    )
