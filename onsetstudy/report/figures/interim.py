"""What did each look allow? The score of the primary outcome beside the boundary, look by look."""

from __future__ import annotations

from dataclasses import dataclass
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
from onsetstudy.report.numbers import MINUS
from onsetstudy.report.rows import rows_of
from onsetstudy.study.results import LooksTaken

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "draw_figure"]

HEIGHT, FOOT, HEAD = 2.0, 0.5, 0.1
TOP = 5.0
NAME = 0.52
"""Inches that the name of a look takes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    label: str
    fraction: float
    z: float
    boundary: float


def data_for(taken: LooksTaken) -> pd.DataFrame:
    """One row per look taken: ``label, fraction, z, boundary, futility, code``."""
    rows = [(v.label, v.fraction, v.z, v.boundary, v.futility, v.code) for v in taken.verdicts]
    return pd.DataFrame(rows, columns=["label", "fraction", "z", "boundary", "futility", "code"])


def draw(frame: pd.DataFrame, taken: LooksTaken, ax: Axes, *, look: ArmLook) -> None:
    """The boundary as planned (line) and as applied (ticks), the naive one dotted, the scores as the arm's markers."""
    planned = taken.plan.looks
    x = np.array([p.fraction for p in planned])
    upper = np.minimum([p.upper for p in planned], TOP)
    ax.axhline(0, color=INK, linewidth=1.0, zorder=1)
    for sign in (1, -1) if taken.plan.sided == 2 else (1,):
        ax.plot(x, sign * upper, color=SECONDARY, linewidth=1.2, linestyle=(0, (5.0, 2.5)), zorder=2)
        ax.axhline(sign * 1.96, color=HAIRLINE, linewidth=1.0, linestyle=(0, (1.0, 1.6)), zorder=1)
        counted = frame[np.isfinite(frame["boundary"])]
        ax.plot(counted["fraction"], sign * np.minimum(counted["boundary"], TOP), "_", color=INK, markersize=16,
                markeredgewidth=1.8, zorder=3)  # fmt: skip
    ax.plot(frame["fraction"], frame["z"], color=look.colour, linewidth=1.2, linestyle=look.line, zorder=3)
    ax.plot(frame["fraction"], frame["z"], look.marker, color=look.colour, markerfacecolor=look.face, markersize=7,
            markeredgewidth=1.5, zorder=4)  # fmt: skip
    reach = max(1.0, float(frame["fraction"].max()))
    # Names stand at the line of no difference, on the side where no score is: boundaries never come near it.
    inches = ax.get_window_extent().width / ax.figure.dpi / (1.06 * reach)
    ends = [-np.inf] * len(frame)
    for row in rows_of(frame, _Row):
        place = float(row.fraction) * inches
        line = next(k for k, end in enumerate(ends) if place - NAME / 2 > end)
        ends[line] = place + NAME / 2
        away = 4 + 10 * line
        ax.annotate(row.label, (row.fraction, 0), xytext=(0, -away if row.z > 0 else away), ha="center",
                    va="top" if row.z > 0 else "bottom", textcoords="offset points", fontsize=8,
                    color=look.colour)  # fmt: skip
    # Half a unit beyond the highest bar, so that none is cut by the frame.
    low = -TOP - 0.5 if taken.plan.sided == 2 else min(-1.0, float(frame["z"].min()) - 0.5)
    ax.set(xlim=(0, 1.06 * reach), ylim=(low, max(TOP, float(frame["z"].max())) + 0.5))
    ax.annotate("boundary", (x[0], upper[0]), xytext=(-4, 0), textcoords="offset points", fontsize=8,
                color=SECONDARY, ha="right", va="center")  # fmt: skip
    ax.yaxis.set_major_formatter(lambda v, _: f"{v:g}".replace("-", MINUS))
    ax.xaxis.set_major_formatter(lambda v, _: f"{100 * v:.0f}")


def alt_text(frame: pd.DataFrame) -> str:
    """What the figure shows, in words."""
    told = []
    for row in rows_of(frame, _Row):
        limit = f"boundary {row.boundary:.2f}" if np.isfinite(row.boundary) else "no boundary of its own"
        told.append(f"{row.label}: z {row.z:.2f}, {limit}")
    return f"Z statistic of the primary outcome at each interim analysis. {'; '.join(told)}.".replace(" -", " minus ")


def draw_figure(taken: LooksTaken, *, name: str, title: str, look: ArmLook) -> Drawing:
    """Looks taken beside the plan."""
    frame = data_for(taken)
    alt = alt_text(frame)

    def paint(ids: str, narrow: bool) -> str:
        width = NARROW if narrow else WIDE
        with canvas(width, HEIGHT + FOOT + HEAD) as figure:
            ax = axes_at(figure, 0.45, FOOT, width - 0.6, HEIGHT)
            draw(frame, taken, ax, look=look)
            ax.set_xlabel(f"per cent of the planned {taken.plan.unit}", fontsize=8, color=SECONDARY)
            ax.set_ylabel("z statistic", fontsize=8, color=SECONDARY)
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)
