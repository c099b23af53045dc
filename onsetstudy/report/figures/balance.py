"""Were the arms alike? Standardised differences of everything recorded, as they are and weighted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from onsetstudy.adjustment.results import FairComparison
from onsetstudy.report.figures.canvas import (
    HAIRLINE,
    INK,
    NARROW,
    SECONDARY,
    WIDE,
    ArmLook,
    Drawing,
    axes_at,
    canvas,
    drawing,
    say,
    to_svg,
)
from onsetstudy.report.names import field_name, plain_words
from onsetstudy.report.numbers import MINUS
from onsetstudy.report.rows import rows_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["MOST_ROWS", "alt_text", "data_for", "draw", "draw_figure"]

ROW, FOOT = 0.19, 0.46
MOST_ROWS = 24
ALIKE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    name: str
    before: float
    after: float


def data_for(fair: FairComparison) -> pd.DataFrame:
    """One row per level, the most unlike first: ``name, before, after``; at most ``MOST_ROWS``."""
    rows = [
        (
            f"{field_name(b.covariate)}" + ("" if b.level == "measure" else f": {plain_words(b.level)}"),
            b.before,
            b.after,
        )
        for b in sorted(fair.balance, key=lambda b: (-abs(b.before), b.covariate, b.level))
    ]
    return pd.DataFrame(rows[:MOST_ROWS], columns=["name", "before", "after"])


def draw(frame: pd.DataFrame, ax: Axes, *, look: ArmLook) -> None:
    """Open dots as they are, filled ones weighted; between the hairlines arms count as alike."""
    for edge in (-ALIKE, ALIKE):
        ax.axvline(edge, color=HAIRLINE, linewidth=1.0)
    ax.axvline(0, color=INK, linewidth=1.0)
    for place, row in enumerate(rows_of(frame, _Row)):
        y = len(frame) - place - 0.5
        ax.hlines(y, row.after, row.before, color=HAIRLINE, linewidth=1.0)
        ax.plot(row.before, y, "o", color=SECONDARY, markerfacecolor="#ffffff", markersize=6, markeredgewidth=1.4)
        ax.plot(row.after, y, "o", color=look.colour, markerfacecolor=look.colour, markersize=6)
    reach = max(0.3, 1.1 * float(frame[["before", "after"]].abs().to_numpy().max()))
    ax.set(ylim=(0, len(frame)), yticks=[], xlim=(-reach, reach))
    ax.spines["left"].set_visible(False)
    ax.xaxis.set_major_formatter(lambda v, _: f"{v:g}".replace("-", MINUS))


def alt_text(frame: pd.DataFrame) -> str:
    """What the figure shows, in words."""
    told = "; ".join(f"{row.name} {row.before:.2f}, weighted {row.after:.2f}" for row in rows_of(frame, _Row))
    return f"Standardised differences between the arms. {told}.".replace(" -", " minus ")


def draw_figure(fair: FairComparison, *, name: str, title: str, look: ArmLook) -> Drawing:
    """Balance before and after weighting."""
    frame = data_for(fair)
    alt = alt_text(frame)

    def paint(ids: str, narrow: bool) -> str:
        width, left = (NARROW, 1.75) if narrow else (WIDE, 2.6)
        with canvas(width, ROW * len(frame) + FOOT + 0.05) as figure:
            ax = axes_at(figure, left, FOOT, width - left - 0.1, ROW * len(frame))
            draw(frame, ax, look=look)
            for place, row in enumerate(rows_of(frame, _Row)):
                text = row.name if len(row.name) < (26 if narrow else 44) else row.name[: 24 if narrow else 42] + "…"
                say(figure, 0, FOOT + ROW * (len(frame) - place - 0.5), text, fontsize=8)
            ax.set_xlabel("standard deviations", fontsize=8, color=SECONDARY)
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)
