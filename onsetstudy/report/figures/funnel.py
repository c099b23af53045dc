"""Practices beside each other: failures against number of cases, between the limits that chance sets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from onsetstudy.pool.results import Funnel
from onsetstudy.report.figures.canvas import (
    HAIRLINE,
    INK,
    NARROW,
    SECONDARY,
    WIDE,
    Drawing,
    axes_at,
    canvas,
    drawing,
    spread,
    to_svg,
)
from onsetstudy.report.numbers import THIN, counted, percent
from onsetstudy.report.rows import rows_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "draw_figure"]

HEIGHT, LEFT, FOOT = 1.75, 0.62, 0.5
BAND = "#155e75"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    label: str
    cases: int
    share: float
    flag: str


def data_for(funnel: Funnel) -> pd.DataFrame:
    """One row per unit in the order of their letters: ``label, cases, share, flag``; shares in per cent."""
    rows = [(p.label, p.cases, 100 * p.adjusted, p.flag) for p in funnel.points]
    return pd.DataFrame(rows, columns=["label", "cases", "share", "flag"])


def draw(frame: pd.DataFrame, ax: Axes, *, funnel: Funnel, own: str | None) -> None:
    """Limits as bands, the group's share as a line, units as dots with their letters; one's own is filled."""
    edges = pd.DataFrame(funnel.edges, columns=["cases", "low", "high", "out_low", "out_high"])
    edges[["low", "high", "out_low", "out_high"]] *= 100
    ax.fill_between(edges["cases"], edges["out_low"], edges["out_high"], color=BAND, alpha=0.09, linewidth=0)
    ax.fill_between(edges["cases"], edges["low"], edges["high"], color=BAND, alpha=0.14, linewidth=0)
    ax.axhline(100 * funnel.centre, color=INK, linewidth=1.0)
    top = min(100.0, 1.06 * max(edges["out_high"].max(), frame["share"].max()))
    bottom = max(0.0, 0.94 * min(edges["out_low"].min(), frame["share"].min()))
    ax.set(xlim=(edges["cases"].min(), edges["cases"].max()), ylim=(bottom, top))
    for row in rows_of(frame, _Row):
        mine = row.label == own
        ax.plot(
            row.cases, row.share, "o", color=INK, markerfacecolor=INK if mine else "#ffffff", markersize=6,
            markeredgewidth=1.3, zorder=4, clip_on=False,
        )  # fmt: skip
        name = "you" if mine else str(row.label)
        ax.annotate(
            name, (row.cases, row.share), xytext=(7, 5), textcoords="offset points", fontsize=8, zorder=5,
            weight="bold" if mine else "normal", annotation_clip=False,
        )  # fmt: skip
    _names(edges, ax)
    ax.set_xlabel("cases that decide it")
    ax.yaxis.set_major_formatter(lambda v, _: f"{v:g}{THIN}%")
    ax.locator_params(axis="y", nbins=6)
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.5)
    ax.set_axisbelow(True)


def _names(edges: pd.DataFrame, ax: Axes) -> None:
    last = edges.iloc[-1]
    low, high = ax.get_ylim()
    inches = ax.get_window_extent().height / ax.figure.dpi
    places = spread([last["high"], last["out_high"]], 0.15 * (high - low) / inches)
    for text, place in zip(("19 in 20", "499 in 500"), places, strict=True):
        ax.annotate(
            text, (last["cases"], place), xytext=(5, 0), textcoords="offset points", fontsize=8, color=SECONDARY,
            va="center", annotation_clip=False,
        )  # fmt: skip


def alt_text(frame: pd.DataFrame, funnel: Funnel, own: str | None = None) -> str:
    """What the figure shows, in words."""
    told = [
        f"{'you' if row.label == own else row.label}, {counted(row.cases, 'case')}, {row.share:.0f} %"
        + {"": "", "look": ", outside the inner limits", "outside": ", outside all limits"}[row.flag]
        for row in rows_of(frame, _Row)
    ]
    centre = percent(funnel.centre, sum(frame["cases"]))
    return f"Proportion of failures against number of cases; {centre} in the group. {'; '.join(told)}.".replace(
        THIN, " "
    )


def draw_figure(funnel: Funnel, *, name: str, title: str, own: str | None = None) -> Drawing:
    """The units of :func:`data_for` between their limits."""
    frame = data_for(funnel)
    alt = alt_text(frame, funnel, own)

    def paint(ids: str, narrow: bool) -> str:
        width = NARROW if narrow else WIDE
        with canvas(width, HEIGHT + FOOT) as figure:
            ax = axes_at(figure, LEFT, FOOT, width - LEFT - 0.85, HEIGHT - 0.1)
            draw(frame, ax, funnel=funnel, own=own)
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)
