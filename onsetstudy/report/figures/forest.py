"""Was it the same everywhere? One line per group: a dot as large as its information, its interval, the number."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from onsetstudy.core.results import NotAvailable
from onsetstudy.report.figures.canvas import INK, SECONDARY, canvas, look_of, to_svg
from onsetstudy.report.numbers import MINUS, decimal, interval
from onsetstudy.study.results import EstimateLike

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "figure_svg"]


def data_for(lines: Sequence[tuple[str, EstimateLike, bool]], *, flip: int = 1) -> pd.DataFrame:
    """Columns ``label, cases, estimate, low, high, number, whole`` from (label, estimate, is it the whole)."""
    rows = []
    for label, e, whole in lines:
        if isinstance(e, NotAvailable):
            rows.append((label, e.n.cases, np.nan, np.nan, np.nan, e.reason, whole))
            continue
        low, high = sorted((flip * e.interval.low, flip * e.interval.high))
        number = f"{decimal(flip * e.estimate)} ({interval(low, high)})"
        rows.append((label, e.n.cases, flip * e.estimate, low, high, number, whole))
    return pd.DataFrame(rows, columns=["label", "cases", "estimate", "low", "high", "number", "whole"])


def draw(frame: pd.DataFrame, ax: Axes, *, matters: float | None, ends: tuple[str, str], arm: str) -> None:
    """Lines from top to bottom, zero marked, what either side means written at the axis."""
    look = look_of(arm)
    largest = float(frame["cases"].max()) or 1.0
    for y, row in zip(np.arange(len(frame))[::-1], frame.itertuples(), strict=True):
        weight = "bold" if row.whole else "normal"
        ax.annotate(
            row.label, (0, y), xycoords=("axes fraction", "data"), xytext=(-225, 0), textcoords="offset points",
            va="center", fontsize=8.5, weight=weight,
        )  # fmt: skip
        ax.annotate(
            f"{row.cases}", (0, y), xycoords=("axes fraction", "data"), xytext=(-14, 0), textcoords="offset points",
            va="center", ha="right", fontsize=8.5,
        )  # fmt: skip
        colour = SECONDARY if pd.isna(row.estimate) else INK
        ax.annotate(
            row.number, (1, y), xycoords=("axes fraction", "data"), xytext=(10, 0), textcoords="offset points",
            va="center", fontsize=8.5 if pd.notna(row.estimate) else 7.5, weight=weight, color=colour,
        )  # fmt: skip
        if pd.isna(row.estimate):
            continue
        ax.hlines(y, row.low, row.high, color=look.colour, linewidth=1.4)
        size = 3.5 + 5.5 * np.sqrt(row.cases / largest)
        ax.plot(row.estimate, y, "D" if row.whole else "o", color=look.colour, markersize=size, zorder=3)
    ax.axvline(0, color=INK, linewidth=0.9, zorder=0)
    if matters is not None:
        ax.axvline(matters, color=SECONDARY, linewidth=0.9, linestyle=":", zorder=0)
    reach = [0.0, *frame["low"].dropna(), *frame["high"].dropna()] + ([matters] if matters is not None else [])
    pad = 0.08 * (max(reach) - min(reach) or 1.0)
    ax.set(xlim=(min(reach) - pad, max(reach) + pad), ylim=(-0.6, len(frame) - 0.4), yticks=[])
    ax.spines["left"].set_visible(False)
    ax.xaxis.set_major_formatter(lambda v, _: f"{v:g}".replace("-", MINUS))
    for place, align, text in ((0.0, "left", f"← {ends[0]}"), (1.0, "right", f"{ends[1]} →")):
        ax.annotate(
            text, (place, 0), xycoords="axes fraction", xytext=(0, -24), textcoords="offset points", ha=align,
            va="top", fontsize=8, color=SECONDARY,
        )  # fmt: skip


def alt_text(frame: pd.DataFrame, unit: str) -> str:
    """What the figure shows, in words."""
    lines = [f"{row.label}, {row.cases} cases: {row.number}" for row in frame.itertuples()]
    return f"One line per group, {unit}, with interval. {'; '.join(lines)}.".replace(MINUS, "minus ")


def figure_svg(
    lines: Sequence[tuple[str, EstimateLike, bool]],
    *,
    name: str,
    title: str,
    unit: str,
    ends: tuple[str, str],
    arm: str,
    matters: float | None = None,
    flip: int = 1,
) -> tuple[str, str]:
    """SVG of the lines and its alternative text."""
    frame = data_for(lines, flip=flip)
    alt = alt_text(frame, unit)
    height = 0.26 * len(frame) + 0.85
    with canvas(7.0, height) as figure:
        ax = figure.add_axes((0.45, 0.5 / height, 0.29, 1 - 0.78 / height))
        draw(frame, ax, matters=matters, ends=ends, arm=arm)
        figure.text(0.45 - 14 / 504, 1 - 0.12 / height, "cases", ha="right", va="center", fontsize=8, color=SECONDARY)
        figure.text(0.74 + 10 / 504, 1 - 0.12 / height, unit, ha="left", va="center", fontsize=8, color=SECONDARY)
        return to_svg(figure, name, title, alt), alt
