"""Does it go on as well as before? Cumulative sums of failures with their limits, case by case."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

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
    to_svg,
)
from onsetstudy.watch.results import Chart

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "draw_figure"]

HEIGHT, FOOT = 1.75, 0.46


def data_for(charts: Sequence[Chart]) -> pd.DataFrame:
    """One row per case and chart: ``direction, case, value, limit, signal``; better counts downwards."""
    rows = []
    for chart in charts:
        sign = 1 if chart.direction == "worse" else -1
        at = {s.case for s in chart.signals}
        rows += [
            (chart.direction, k, sign * float(v), sign * chart.limit, k in at)
            for k, v in enumerate(chart.path, start=1)
        ]
    return pd.DataFrame(rows, columns=["direction", "case", "value", "limit", "signal"])


def draw(frame: pd.DataFrame, ax: Axes, *, look: ArmLook, first: int) -> None:
    """More failures than usual climb, fewer sink; a ring marks a signal."""
    ax.axhline(0, color=INK, linewidth=1.0, zorder=1)
    for _, part in frame.groupby("direction", sort=False):
        x = part["case"].to_numpy() + first
        ax.step(np.r_[first, x], np.r_[0.0, part["value"]], where="post", color=look.colour, linewidth=1.6, zorder=3)
        ax.axhline(float(part["limit"].iloc[0]), color=SECONDARY, linewidth=1.0, linestyle=(0, (5.0, 2.5)), zorder=2)
        hits = part[part["signal"]]
        ax.plot(hits["case"] + first, hits["value"], "o", color=INK, markerfacecolor="#ffffff", markersize=8,
                markeredgewidth=1.6, zorder=4)  # fmt: skip
    limits = frame["limit"].drop_duplicates()
    reach = 1.25 * max(float(limits.abs().max()), float(frame["value"].abs().max()))
    low = -reach if (limits < 0).any() else -0.15 * reach
    high = reach if (limits > 0).any() else 0.15 * reach
    ax.set(ylim=(low, high), yticks=[], xlim=(first, first + float(frame["case"].max()) + 0.5))
    ax.spines["left"].set_visible(False)
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.5)


def alt_text(frame: pd.DataFrame, failure: str, first: int) -> str:
    """What the figure shows, in words."""
    told = []
    for direction, part in frame.groupby("direction", sort=False):
        word = "more" if direction == "worse" else "fewer"
        hits = (part.loc[part["signal"], "case"] + first).tolist()
        said = f"signals at case {', '.join(map(str, hits))}" if hits else "no signal"
        told.append(f"{word} of them than usual: {said}")
    last = first + int(frame["case"].max())
    return f"Cumulative sum of teeth {failure}, cases {first + 1} to {last}. {'; '.join(told)}."


def draw_figure(charts: Sequence[Chart], *, name: str, title: str, failure: str, look: ArmLook, first: int) -> Drawing:
    """Both directions of one kind of failure; ``first`` cases came before the chart begins."""
    frame = data_for(charts)
    alt = alt_text(frame, failure, first)

    def paint(ids: str, narrow: bool) -> str:
        width = NARROW if narrow else WIDE
        with canvas(width, HEIGHT + FOOT + 0.05) as figure:
            ax = axes_at(figure, 0.05, FOOT, width - 0.15, HEIGHT)
            draw(frame, ax, look=look, first=first)
            for limit in frame["limit"].drop_duplicates():
                word = "more than usual" if limit > 0 else "fewer than usual"
                ax.annotate(f"limit: {word}", (0, limit), xycoords=("axes fraction", "data"),
                            xytext=(2, 3 if limit > 0 else -3), textcoords="offset points", fontsize=8, color=SECONDARY,
                            va="bottom" if limit > 0 else "top")  # fmt: skip
            ax.set_xlabel("case of the watched arm, in the order of treatment", fontsize=8, color=SECONDARY)
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)
