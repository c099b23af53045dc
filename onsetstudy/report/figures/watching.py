"""Does it go on as well as before? Cumulative sums of failures with their limits, case by case."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import HAIRLINE, INK, SECONDARY, ArmLook, Drawing, Sheet
from onsetstudy.watch.results import Chart

HEIGHT, FOOT = 1.75, 0.46


def _sign(chart: Chart) -> int:
    """Better counts downwards."""
    return 1 if chart.direction == "worse" else -1


def draw(charts: Sequence[Chart], ax: canvas.Axes, *, look: ArmLook, first: int) -> None:
    """More failures than usual climb, fewer sink; a ring marks a signal."""
    ax.axhline(0, color=INK, linewidth=1.0, zorder=1)
    limits, values = [_sign(c) * c.limit for c in charts], [_sign(c) * np.asarray(c.path, float) for c in charts]
    for chart, limit, value in zip(charts, limits, values, strict=True):
        x = first + np.arange(value.size + 1)
        ax.step(x, np.r_[0.0, value], where="post", color=look.colour, linewidth=1.6, zorder=3)
        ax.axhline(limit, color=SECONDARY, linewidth=1.0, linestyle=(0, (5.0, 2.5)), zorder=2)
        hits = [s.case for s in chart.signals]
        ring = ArmLook(INK, "-", "o", filled=False)
        ring.dots(ax, x[hits], value[np.array(hits, int) - 1], size=8, edge=1.6, zorder=4)
    reach = 1.25 * max(abs(v) for v in (*limits, *np.concatenate(values)))
    low = -reach if min(limits) < 0 else -0.15 * reach
    high = reach if max(limits) > 0 else 0.15 * reach
    ax.set(ylim=(low, high), xlim=(first, first + max(v.size for v in values) + 0.5))
    canvas.bare_left(ax)
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.5)


def alt_text(charts: Sequence[Chart], failure: str, first: int) -> str:
    """What the figure shows, in words."""
    told = []
    for chart in charts:
        hits = [str(s.case + first) for s in chart.signals]
        said = f"signals at case {', '.join(hits)}" if hits else "no signal"
        told.append(f"{'more' if _sign(chart) > 0 else 'fewer'} of them than usual: {said}")
    last = first + max(len(chart.path) for chart in charts)
    return f"Cumulative sum of teeth {failure}, cases {first + 1} to {last}. {'; '.join(told)}."


def draw_figure(charts: Sequence[Chart], *, failure: str, look: ArmLook, first: int) -> Drawing:
    """Both directions of one kind of failure; ``first`` cases came before the chart begins."""

    def fill(sheet: Sheet) -> None:
        ax = sheet.axes(0.05, FOOT, sheet.width - 0.15, HEIGHT)
        draw(charts, ax, look=look, first=first)
        for limit in dict.fromkeys(_sign(c) * c.limit for c in charts):
            word, up, va = ("more than usual", 3, "bottom") if limit > 0 else ("fewer than usual", -3, "top")
            canvas.beside(ax, f"limit: {word}", (0, limit), (2, up), xycoords=("axes fraction", "data"), va=va)
        canvas.named_axes(ax, "case of the watched arm, in the order of treatment")

    return Drawing(alt_text(charts, failure, first), height=HEIGHT + FOOT + 0.05, fill=fill)
