"""How many cases for which effect? Power over cases, one line for each effect, dots where it was simulated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

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
    look_of,
    to_svg,
)
from onsetstudy.study.planning_results import PlanningResults

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "draw_figure"]

HEIGHT, FOOT = 2.6, 0.5
APART = 0.07


def data_for(results: PlanningResults) -> pd.DataFrame:
    """One row per effect and size: ``hazard_ratio, cases, formula, simulated, mc_error``."""
    rows = [(p.hazard_ratio, p.cases, p.formula, p.simulated, p.mc_error) for p in results.curve]
    return pd.DataFrame(rows, columns=["hazard_ratio", "cases", "formula", "simulated", "mc_error"])


def draw(frame: pd.DataFrame, ax: Axes, *, planned: float, power: float) -> None:
    """Lines by formula, labelled at their ends; the planned effect in the arm's colour with simulated dots."""
    import seaborn

    colour = look_of("b", ("a", "b")).colour
    palette = {r: colour if r == planned else SECONDARY for r in frame["hazard_ratio"].unique()}
    seaborn.lineplot(
        frame, x="cases", y="formula", hue="hazard_ratio", palette=palette, linewidth=1.2, legend=False, ax=ax,
        errorbar=None, style=None,
    )  # fmt: skip
    dots = frame.dropna(subset=["simulated"])
    ax.errorbar(dots["cases"], dots["simulated"], yerr=2 * dots["mc_error"], fmt="o", color=colour, markersize=6,
                linewidth=1.4, zorder=4)  # fmt: skip
    ax.axhline(power, color=INK, linewidth=0.8, linestyle=(0, (1.0, 1.6)))
    ends = frame[frame["cases"] == frame["cases"].max()].reset_index(drop=True)
    for row, y in zip(ends.itertuples(), _places(ends["formula"].tolist()), strict=True):
        ax.annotate(
            f"{row.hazard_ratio:g} times", (row.cases, y), xytext=(6, 0), textcoords="offset points", va="center",
            fontsize=8.5, color=palette[row.hazard_ratio], annotation_clip=False,
            weight="bold" if row.hazard_ratio == planned else None,
        )  # fmt: skip
    ax.set(ylim=(0, 1.02), xlim=(0, float(frame["cases"].max())))
    ax.yaxis.set_major_formatter(lambda v, _: f"{100 * v:.0f}\u202f%")
    ax.grid(color=HAIRLINE, linewidth=0.5)


def _places(ends: list[float]) -> list[float]:
    """Heights of the labels: at the ends of their lines, moved down as far as they would overlap."""
    places = [0.0] * len(ends)
    above = 1.0 + APART
    for k in sorted(range(len(ends)), key=lambda k: -ends[k]):
        places[k] = above = min(ends[k], above - APART)
    return places


def alt_text(frame: pd.DataFrame) -> str:
    """What the figure shows, in words."""
    told = []
    for ratio, part in frame.groupby("hazard_ratio"):
        points = ", ".join(f"{row.cases} cases {row.formula:.0%}" for row in part.itertuples())
        told.append(f"ratio {ratio:g}: {points}")
    return f"Chance to find a ratio of rates of becoming numb. {'; '.join(told)}."


def draw_figure(results: PlanningResults, *, name: str, title: str) -> Drawing:
    """Power over analysed cases."""
    frame = data_for(results)
    alt = alt_text(frame)
    plan = results.protocol.plan

    def paint(ids: str, narrow: bool) -> str:
        width = NARROW if narrow else WIDE
        with canvas(width, HEIGHT + FOOT + 0.1) as figure:
            ax = axes_at(figure, 0.5, FOOT, width - 1.35, HEIGHT)
            draw(frame, ax, planned=plan.planned_hazard_ratio, power=plan.planned_power)
            ax.set_xlabel("analysed cases in both arms", fontsize=8, color=SECONDARY)
            ax.set_ylabel("chance to find it", fontsize=8, color=SECONDARY)
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)
