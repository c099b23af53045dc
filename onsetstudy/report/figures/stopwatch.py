"""What would a stopwatch have said? Its average beside the restricted mean of every case, by arm and as difference."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from onsetstudy.core.results import Estimate, EstimateLike
from onsetstudy.report.figures.canvas import (
    INK,
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
from onsetstudy.report.numbers import MINUS, THIN, decimal, interval, places_for
from onsetstudy.report.rows import rows_of
from onsetstudy.study.practice.results import StudyResults

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "draw_figure"]

STOPWATCH, WAIT = "stopwatch average", "restricted mean"
DIFFERENCE = "difference"
STEP = 0.215


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    group: str
    arm: str
    what: str
    minutes: float | None
    low: float
    high: float
    number: str


def data_for(results: StudyResults) -> pd.DataFrame:
    """Two lines per arm and for their difference: ``group, arm, what, minutes, low, high, number``."""
    protocol, population = results.protocol, results.overall
    rows: list[dict[str, object]] = []

    def pair(group: str, arm: str, mean: float | None, e: EstimateLike) -> None:
        said = "none" if mean is None else decimal(mean)
        rows.append({"group": group, "arm": arm, "what": STOPWATCH, "minutes": mean, "number": said})
        row: dict[str, object] = {"group": group, "arm": arm, "what": WAIT, "number": "no estimate"}
        if isinstance(e, Estimate):
            low, high = e.interval.low, e.interval.high
            places = places_for((low, high, e.estimate), (0.0,) if group == DIFFERENCE else ())
            number = f"{decimal(e.estimate, places)} ({interval(low, high, places)})"
            row |= {"minutes": e.estimate, "low": low, "high": high, "number": number}
        rows.append(row)

    for (arm, mean, _, _), e in zip(population.naive.means, population.wait, strict=False):
        pair(protocol.label(arm), arm, mean, e)
    pair(DIFFERENCE, protocol.contrast_arm, population.naive.difference, population.wait_difference)
    return pd.DataFrame(rows, columns=["group", "arm", "what", "minutes", "low", "high", "number"])


def draw(frame: pd.DataFrame, ax: Axes, *, places: Iterable[float], arms: tuple[str, ...]) -> None:
    """A diamond for the stopwatch, which has no interval; the arm's marker and interval for the restricted mean."""
    ax.axvline(0, color=INK, linewidth=1.0, zorder=0)
    for y, row in zip(places, rows_of(frame, _Row), strict=True):
        if pd.isna(row.minutes):
            continue
        look = look_of(str(row.arm), arms)
        if row.what == STOPWATCH:
            ax.plot(row.minutes, y, "D", color=SECONDARY, markerfacecolor="#ffffff", markersize=5.5, zorder=3)
            continue
        ax.hlines(y, row.low, row.high, color=look.colour, linewidth=1.8, linestyle=look.line, zorder=2)
        ax.plot(
            row.minutes, y, look.marker, color=look.colour, markerfacecolor=look.face, markersize=6.5,
            markeredgewidth=1.4, zorder=3,
        )  # fmt: skip
    reach = [0.0, *frame["minutes"].dropna(), *frame["low"].dropna(), *frame["high"].dropna()]
    pad = 0.06 * (max(reach) - min(reach) or 1.0)
    ax.set(xlim=(min(reach) - pad, max(reach) + pad), yticks=[])
    ax.spines["left"].set_visible(False)
    ax.locator_params(axis="x", nbins=6)
    ax.xaxis.set_major_formatter(lambda v, _: f"{v:g}".replace("-", MINUS))


def alt_text(frame: pd.DataFrame) -> str:
    """What the figure shows, in words."""
    told = [
        f"{group}: " + ", ".join(f"{row.what} {row.number}" for row in rows_of(part, _Row))
        for group, part in frame.groupby("group", sort=False)
    ]
    text = f"Minutes by the stopwatch beside the restricted mean time to onset of every case. {'; '.join(told)}."
    return text.replace(MINUS, "minus ").replace(THIN, " ")


def draw_figure(results: StudyResults, *, name: str, title: str) -> Drawing:
    """Stopwatch and restricted mean time to onset."""
    frame = data_for(results)
    arms = results.protocol.arm_codes
    alt = alt_text(frame)
    groups = frame["group"].drop_duplicates().tolist()

    def paint(ids: str, narrow: bool) -> str:
        foot, words, left, width, numbers = (0.42, 0.0, 0.86, 1.2, 2.16) if narrow else (0.42, 0.95, 2.65, 2.2, 5.02)
        # On a narrow screen the name of a group has a line of its own.
        lines = len(frame) + (len(groups) if narrow else 0)
        with canvas(NARROW if narrow else WIDE, STEP * lines + foot + 0.05) as figure:
            ax = axes_at(figure, left, foot, width, STEP * lines)
            number = np.arange(len(frame)) + (np.arange(len(frame)) // 2 + 1 if narrow else 0)
            draw(frame, ax, places=lines - number - 0.5, arms=arms)
            ax.set_ylim(0, lines)
            for row, n in zip(rows_of(frame, _Row), number, strict=True):
                y = foot + STEP * (lines - n - 0.5)
                if row.what == STOPWATCH:
                    colour = INK if row.group == DIFFERENCE else look_of(str(row.arm), arms).colour
                    say(figure, 0, y + STEP if narrow else y, row.group, weight="bold", color=colour)
                what = row.what.removesuffix(" average") if narrow else row.what
                say(figure, words, y, what, color=SECONDARY if row.what == STOPWATCH else INK)
                say(figure, numbers, y, row.number)
            ax.annotate("minutes", (0.5, 0), xycoords="axes fraction", xytext=(0, -18), textcoords="offset points",
                        ha="center", va="top", fontsize=8, color=SECONDARY)  # fmt: skip
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)
