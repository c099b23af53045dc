"""Blocks that several sections show."""

from __future__ import annotations

from collections.abc import Iterable

from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Caution
from onsetstudy.report.document import Block, Cautions, Section, absent
from onsetstudy.report.figures import curves, forest
from onsetstudy.report.figures.canvas import contrast_look
from onsetstudy.report.figures.forest import Line, Scale
from onsetstudy.report.numbers import amount, capital, counted, level, listed, tidy
from onsetstudy.report.sentences import axis_ends, sentence, without_looks
from onsetstudy.study.group.results import GroupResults
from onsetstudy.study.practice.results import StudyResults

LEAST_IN_ARM = 5
GROUP_CURVES = 1.6


def told(results: StudyResults, quantity: str) -> str:
    """A claim of all cases, in its two sentences."""
    claim = results.claims.get(quantity)
    return "" if claim is None else sentence(claim, results.protocol).text


def curves_block(results: StudyResults, *, height: float) -> Block:
    """The curves of both arms, or why there are none."""
    shaded = "where nobody looked, the proportion may be anywhere"
    return _curves(results, "How soon were teeth numb?", shaded, height)


def group_curves_block(results: GroupResults) -> Block:
    """Onset curves of all practices; on a member's page they stand after the first page, which has own words."""
    title = "How soon were teeth numb, in all practices together?"
    return _curves(results, title, "where nobody looked", GROUP_CURVES)


def _curves(results: StudyResults | GroupResults, title: str, shaded: str, height: float) -> Block:
    frame = curves.data_for(results, least=LEAST_IN_ARM)
    counts = {results.protocol.label(a.arm): a.cases for a in results.overall.n.by_arm if a.cases}
    few = {arm: n for arm, n in counts.items() if n < LEAST_IN_ARM}
    said = listed([f"{counted(n, 'case')} with {arm}" for arm, n in few.items()]) or "No case"
    verb = "is" if sum(few.values()) <= 1 else "are"
    too_few = f"{said} {verb} too few to draw a curve; it takes {LEAST_IN_ARM} or more in an arm."
    if frame.empty:
        return absent(f"{title} {too_few}")
    caption = (
        f"Thick steps: what tests have shown. Shaded: {shaded}. Uprights: "
        f"{level(results.protocol.plan.conf_level)} limits, for each test by itself. The first injection alone, "
        f"{counted(results.overall.n.cases, 'case')}.{f' {too_few}' if few else ''}"
    )
    return curves.draw_figure(results, frame, height=height).titled("curves", title, caption)


def forest_block(
    results: StudyResults | GroupResults, key: str, lines: list[Line], *, name: str, title: str, caption: str
) -> Block:
    """A quantity that compares the arms, line by line, and why some have none; that alone where none has."""
    protocol, quantity, claim = results.protocol, quantity_of(key), results.claims.get(key)
    unit = protocol.pain.instrument.unit if quantity.unit == "score" and protocol.pain else quantity.unit_shown
    scale = Scale(
        unit={"min": "minutes saved", "ratio": quantity.name}.get(unit, unit),
        ends=axis_ends(protocol, quantity),
        matters=None if claim is None else claim.matters_at,
        factor=quantity.shown.factor,
        base=quantity.shown.places,
        log=quantity.contrast == "/",
    )
    rows = forest.data_for(lines, scale)
    why = forest.reasons(rows)
    if all(row.estimate is None for row in rows):
        return absent(f"{title} There is no estimate to draw. {why}")
    horizon = f", up to {protocol.onset.tau_min:g} minutes" if quantity.to_horizon else ""
    what = quantity.name + ("" if scale.log else f"{horizon}, in {scale.unit}")
    intervals = f"{level(protocol.plan.conf_level)} intervals{without_looks(results.looks)}"
    size = None if claim is None else claim.matters_shown
    dotted = "" if size is None else f"Dotted: {amount(size, unit)}, a difference that matters."
    said = (f"{capital(what)}; {intervals}; large dots know more.", dotted, caption, why and f"No estimate: {why}")
    drawing = forest.draw_figure(rows, scale=scale, look=contrast_look(protocol))
    return drawing.titled(name, title, " ".join(filter(None, said)))


def cautions_section(cautions: Iterable[Caution]) -> Section:
    """Every caution once, in full."""
    return Section.of("cautions", "Cautions", Cautions(texts=tuple(dict.fromkeys(tidy(c.text) for c in cautions))))
