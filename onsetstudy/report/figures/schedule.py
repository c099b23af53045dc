"""Were the arms tested alike? The minutes of each arm's first tests: median and middle half."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from onsetstudy.core.results import NotAvailable
from onsetstudy.report.figures.canvas import (
    HAIRLINE,
    NARROW,
    SECONDARY,
    WIDE,
    Drawing,
    axes_at,
    canvas,
    drawing,
    look_of,
    say,
    to_svg,
)
from onsetstudy.report.numbers import decimal
from onsetstudy.report.rows import rows_of
from onsetstudy.study.practice.results import StudyResults

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "draw_figure"]

STEP = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    arm: str
    test: int
    cases: int
    q25_min: float
    median_min: float
    q75_min: float


def data_for(results: StudyResults) -> pd.DataFrame:
    """Columns ``arm, test, cases, q25_min, median_min, q75_min``; no row where the arms cannot be compared."""
    found = results.diagnostics
    if found is None or isinstance(found.schedule, NotAvailable):
        return pd.DataFrame(columns=["arm", "test", "cases", "q25_min", "median_min", "q75_min"])
    return found.schedule.minutes_frame()


def draw(frame: pd.DataFrame, ax: Axes, *, arms: tuple[str, ...]) -> None:
    """One line of the figure per test, the arms just above and below it."""
    tests = sorted(frame["test"].unique())
    for row in rows_of(frame, _Row):
        look = look_of(str(row.arm), arms)
        y = len(tests) - 1 - tests.index(row.test) + (0.14 if row.arm == arms[0] else -0.14)
        ax.hlines(y, row.q25_min, row.q75_min, color=look.colour, linewidth=1.8, linestyle=look.line)
        ax.plot(
            row.median_min, y, look.marker, color=look.colour, markerfacecolor=look.face, markersize=5.5, zorder=3,
            clip_on=False,
        )  # fmt: skip
    ax.set(xlim=(0, float(np.ceil(frame["q75_min"].max()))), ylim=(-0.5, len(tests) - 0.5), yticks=[])
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.5)
    ax.set_axisbelow(True)
    ax.spines["left"].set_visible(False)


def alt_text(frame: pd.DataFrame, labels: dict[str, str]) -> str:
    """What the figure shows, in words."""
    parts = []
    for test, part in frame.groupby("test"):
        told = ", ".join(
            f"{labels[str(r.arm)]} at {decimal(r.median_min)} min ({r.cases} cases)" for r in rows_of(part, _Row)
        )
        parts.append(f"test {test}: {told}")
    return f"Median minutes of the first tests by arm. {'; '.join(parts)}."


def draw_figure(results: StudyResults, frame: pd.DataFrame, *, name: str, title: str) -> Drawing:
    """Minutes of the first tests."""
    protocol = results.protocol
    arms = protocol.arm_codes
    labels = {code: protocol.label(code) for code in arms}
    alt = alt_text(frame, labels)
    tests = sorted(frame["test"].unique())

    def paint(ids: str, narrow: bool) -> str:
        width, left, foot = (NARROW, 0.62, 0.45) if narrow else (WIDE, 1.2, 0.45)
        height = STEP * len(tests)
        with canvas(width, height + foot + 0.28) as figure:
            ax = axes_at(figure, left, foot, width - left - 0.2, height)
            draw(frame, ax, arms=arms)
            for k, test in enumerate(tests):
                say(figure, 0, foot + height - STEP * (k + 0.5), f"test {test}")
            room = 0.13 * max(len(label) for label in labels.values())
            for k, code in enumerate(arms[:2]):
                look = look_of(code, arms)
                say(figure, left + room * k, foot + height + 0.17, labels[code], color=look.colour, weight="bold")
            ax.annotate(
                "minutes after the injection", (0.5, 0), xycoords="axes fraction", xytext=(0, -18),
                textcoords="offset points", ha="center", va="top", fontsize=8, color=SECONDARY,
            )  # fmt: skip
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)
