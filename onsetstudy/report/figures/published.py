"""Where does this practice stand among published results? Technique by technique, positive and null alike."""

from __future__ import annotations

from collections.abc import Sequence

from onsetstudy.core.results import NotAvailable
from onsetstudy.outcomes.published_results import ContextPanel, PublishedRange
from onsetstudy.report.cells import reason_of
from onsetstudy.report.figures import forest
from onsetstudy.report.figures.canvas import ArmLook, Drawing
from onsetstudy.report.figures.forest import Columns, Row, Scale
from onsetstudy.report.names import plain_words

__all__ = ["FROM_MEMORY", "alt_text", "data_for", "draw_figure"]

FROM_MEMORY = "†"
TRIALS = Columns(
    axis=(2.55, 2.55),
    cases=2.4,
    number=5.25,
    step=(0.225, 0.4),
    foot=0.52,
    head=(0.22, 0.05),
    counted="patients",
    uncounted="",
)


def data_for(panel: ContextPanel, *, factor: float = 1, base: int = 1) -> list[Row]:
    """Own and published results on the drawing's scale, one row a line, under the names of their techniques.

    A published line without a printed interval has none here. A technique of which nothing is published is left out.
    """
    rows: list[Row] = []
    for group in panel.groups:
        if not group.drawn:
            continue
        rows.append(Row(label=plain_words(group.technique).capitalize(), heading=True))
        own, scale = group.own, factor * panel.own_factor
        if isinstance(own, NotAvailable):
            rows.append(Row(label="These cases", strong=True, cases=own.n.cases, reason=reason_of(own)))
        else:
            scaled = [scale * v for v in (own.estimate, own.interval.low, own.interval.high)]
            shown = forest.numbers(scaled[0], scaled[1], scaled[2], base=base)
            rows.append(Row(label="These cases", strong=True, cases=own.n.cases, **shown))
        rows += [_published(r, factor=factor, base=base) for r in group.drawn]
    return rows


def _published(found: PublishedRange, *, factor: float, base: int) -> Row:
    shown = found.drawn()
    if shown is None:
        raise ValueError(f"{found.id} has nothing to draw")
    value, low, high = (None if v is None else factor * v for v in shown[:3])
    assert value is not None
    return Row(
        label=found.study + (f" {FROM_MEMORY}" if found.label == "from memory" else ""),
        ours=False,
        pooled=found.evidence == "pooled",
        cases=found.n,
        **forest.numbers(value, low, high, base=base),
    )


def alt_text(rows: Sequence[Row], unit: str) -> str:
    """What the figure shows, in words."""
    return forest.alt_text(rows, unit, "One line per result, {}.").replace(f" {FROM_MEMORY}", " (from memory)")


def draw_figure(rows: Sequence[Row], *, scale: Scale, look: ArmLook) -> Drawing:
    """Names at the left, numbers at the right, own lines in the colour of the arm."""
    return forest.draw_figure(rows, scale=scale, look=look, columns=TRIALS, alt=alt_text(rows, scale.unit))
