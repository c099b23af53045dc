"""Practices beside each other: failures against number of cases, between the limits that chance sets."""

from __future__ import annotations

import numpy as np

from onsetstudy.pool.results import Funnel
from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import HAIRLINE, INK, ArmLook, Drawing, Sheet
from onsetstudy.report.numbers import THIN, counted, percent

HEIGHT, LEFT, FOOT = 1.75, 0.62, 0.5
BAND = "#155e75"


def draw(funnel: Funnel, ax: canvas.Axes, *, own: str | None) -> None:
    """Limits as bands, the group's share as a line, units as dots with their letters; one's own is filled."""
    cases, *limits = np.array(funnel.edges, dtype=float).T
    low, high, out_low, out_high = (100 * limit for limit in limits)
    shares = [100 * p.adjusted for p in funnel.points]
    ax.fill_between(cases, out_low, out_high, color=BAND, alpha=0.09, linewidth=0)
    ax.fill_between(cases, low, high, color=BAND, alpha=0.14, linewidth=0)
    ax.axhline(100 * funnel.centre, color=INK, linewidth=1.0)
    top = min(100.0, 1.06 * max(out_high.max(), *shares))
    bottom = max(0.0, 0.94 * min(out_low.min(), *shares))
    ax.set(xlim=(cases.min(), cases.max()), ylim=(bottom, top))
    for point, share in zip(funnel.points, shares, strict=True):
        mine = point.label == own
        ArmLook(INK, "-", "o", filled=mine).dots(ax, point.cases, share, size=6, edge=1.3, zorder=4, clip_on=False)
        style = {"zorder": 5, "weight": "bold" if mine else "normal", "annotation_clip": False, "color": None}
        canvas.beside(ax, "you" if mine else point.label, (point.cases, share), (7, 5), **style)
    inches = ax.get_window_extent().height / ax.figure.dpi
    places = canvas.spread([high[-1], out_high[-1]], 0.15 * (top - bottom) / inches)
    for text, place in zip(("19 in 20", "499 in 500"), places, strict=True):
        canvas.beside(ax, text, (cases[-1], place), (5, 0), va="center", annotation_clip=False)
    ax.set_xlabel("cases that decide it")
    ax.yaxis.set_major_formatter(lambda v, _: f"{v:g}{THIN}%")
    ax.locator_params(axis="y", nbins=6)
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.5)
    ax.set_axisbelow(True)


def alt_text(funnel: Funnel, own: str | None = None) -> str:
    """What the figure shows, in words."""
    flags = {"": "", "look": ", outside the inner limits", "outside": ", outside all limits"}
    told = [
        f"{'you' if p.label == own else p.label}, {counted(p.cases, 'case')}, {100 * p.adjusted:.0f} %{flags[p.flag]}"
        for p in funnel.points
    ]
    centre = percent(funnel.centre, sum(p.cases for p in funnel.points))
    text = f"Proportion of failures against number of cases; {centre} in the group. {'; '.join(told)}."
    return text.replace(THIN, " ")


def draw_figure(funnel: Funnel, *, own: str | None = None) -> Drawing:
    """The units between their limits."""

    def fill(sheet: Sheet) -> None:
        draw(funnel, sheet.axes(LEFT, FOOT, sheet.width - LEFT - 0.85, HEIGHT - 0.1), own=own)

    return Drawing(alt_text(funnel, own), height=HEIGHT + FOOT, fill=fill)
