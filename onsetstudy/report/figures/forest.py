"""Was it the same everywhere? One line per group: a dot as large as its information, its interval, the number."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from onsetstudy.core.results import EstimateLike, NotAvailable
from onsetstudy.report.figures.canvas import (
    INK,
    NARROW,
    SECONDARY,
    WIDE,
    ArmLook,
    Drawing,
    axes_at,
    canvas,
    drawing,
    look_of,
    say,
    to_svg,
)
from onsetstudy.report.numbers import MINUS, THIN, counted, decimal, interval, listed, places_for, tidy
from onsetstudy.report.rows import rows_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Line", "Scale", "alt_text", "data_for", "draw", "draw_figure", "reasons"]

SMALLEST, LARGEST = 3.5, 9.0
# Words on a narrow screen stand on lines of the axis.
WHITE = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 1.2}


@dataclass(frozen=True, slots=True)
class Line:
    """One group, or a heading over groups when it has no result; ``whole`` marks all cases together.

    ``outside`` marks a line that stands for no case at all, such as a practice that is not in the study.
    """

    label: str
    result: EstimateLike | None = None
    whole: bool = False
    outside: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What the axis says: its unit, what its left and right mean, and from where on a difference matters.

    ``factor`` -1 turns a difference round, such as minutes waited into minutes saved.
    """

    unit: str
    ends: tuple[str, str]
    matters: float | None = None
    factor: float = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    label: str
    heading: bool
    whole: bool
    cases: float
    estimate: float | None
    low: float
    high: float
    information: float
    number: str
    reason: str


def data_for(lines: Sequence[Line], *, factor: float = 1) -> pd.DataFrame:
    """Columns ``label, heading, whole, cases, estimate, low, high, information, number, reason``.

    ``information`` is one over the squared standard error, as a share of the largest among the groups.
    """
    rows = []
    for line in lines:
        row: dict[str, object] = {"label": line.label, "heading": line.result is None, "whole": line.whole}
        e = line.result
        if isinstance(e, NotAvailable):
            row |= {"cases": e.n.cases, "reason": tidy(e.reason.strip().rstrip("."))}
        elif e is not None:
            low, high = sorted((factor * e.interval.low, factor * e.interval.high))
            places = places_for((low, high, e.estimate))
            row |= {
                "cases": np.nan if line.outside else e.n.cases,
                "estimate": factor * e.estimate,
                "low": low,
                "high": high,
                "information": 1 / e.std_error**2 if e.std_error else np.nan,
                "number": f"{decimal(factor * e.estimate, places)} ({interval(low, high, places)})",
            }
        rows.append(row)
    columns = ["label", "heading", "whole", "cases", "estimate", "low", "high", "information", "number", "reason"]
    frame = pd.DataFrame(rows, columns=columns)
    frame["information"] = frame["information"].astype(float) / frame["information"].astype(float).max()
    return frame


def draw(frame: pd.DataFrame, ax: Axes, *, places: Iterable[float], look: ArmLook, scale: Scale) -> None:
    """Dots and intervals at ``places``, zero and the difference that matters marked, both sides named."""
    ax.axvline(0, color=INK, linewidth=1.0, zorder=0)
    if scale.matters is not None:
        ax.axvline(scale.matters, color=SECONDARY, linewidth=1.0, linestyle=(0, (1, 1.6)), zorder=0)
        ax.annotate(
            "matters", (scale.matters, 1), xycoords=("data", "axes fraction"), xytext=(0, 2),
            textcoords="offset points", ha="center", va="bottom", fontsize=8, color=SECONDARY,
        )  # fmt: skip
    for y, row in zip(places, rows_of(frame, _Row), strict=True):
        if pd.isna(row.estimate):
            continue
        ax.hlines(y, row.low, row.high, color=look.colour, linewidth=2.0 if row.whole else 1.4, zorder=2)
        share = 0.0 if pd.isna(row.information) else float(row.information)
        size = SMALLEST + (LARGEST - SMALLEST) * np.sqrt(share)
        ax.plot(row.estimate, y, "D" if row.whole else "o", color=look.colour, markersize=size, zorder=3)
    reach = [0.0, *frame["low"].dropna(), *frame["high"].dropna()] + ([] if scale.matters is None else [scale.matters])
    pad = 0.08 * (max(reach) - min(reach) or 1.0)
    ax.set(xlim=(min(reach) - pad, max(reach) + pad), yticks=[])
    ax.spines["left"].set_visible(False)
    ax.locator_params(axis="x", nbins=6)
    ax.xaxis.set_major_formatter(lambda v, _: f"{v:g}".replace("-", MINUS))
    for place, align, text in ((0.0, "left", f"← {scale.ends[0]}"), (1.0, "right", f"{scale.ends[1]} →")):
        ax.annotate(
            text, (place, 0), xycoords="axes fraction", xytext=(0, -20), textcoords="offset points", ha=align,
            va="top", fontsize=8, color=SECONDARY,
        )  # fmt: skip


def alt_text(frame: pd.DataFrame, unit: str) -> str:
    """What the figure shows, in words."""
    told = []
    for row in rows_of(frame, _Row):
        if row.heading:
            told.append(f"{row.label}")
        else:
            said = row.number if pd.notna(row.estimate) else f"no estimate, {row.reason}"
            n = "" if pd.isna(row.cases) else f", {counted(int(row.cases), 'case')}"
            told.append(f"{row.label}{n}: {said}")
    text = f"One line per group, {unit}, with interval. {'; '.join(told)}."
    return text.replace(MINUS, "minus ").replace(THIN, " ")


def draw_figure(frame: pd.DataFrame, *, name: str, title: str, scale: Scale, arm: str, arms: Sequence[str]) -> Drawing:
    """The lines of :func:`data_for`, with their names at the left and their numbers at the right."""
    alt = alt_text(frame, scale.unit)
    look = look_of(arm, arms)

    def paint(ids: str, narrow: bool) -> str:
        step = 0.42 if narrow else 0.215
        foot, head = 0.5, 0.2
        height = step * len(frame) + foot + head
        with canvas(NARROW if narrow else WIDE, height) as figure:
            left, width = (0.08, NARROW - 0.16) if narrow else (2.75, 2.1)
            ax = axes_at(figure, left, foot, width, step * len(frame))
            places = np.arange(len(frame))[::-1] + (0.27 if narrow else 0.5)
            draw(frame, ax, places=places, look=look, scale=scale)
            ax.set_ylim(0, len(frame))
            tops = foot + step * (np.arange(len(frame))[::-1] + 1)
            for row, top in zip(rows_of(frame, _Row), tops, strict=True):
                (_words_narrow if narrow else _words_wide)(figure, row, top, step)
            if not narrow:
                say(figure, 2.55, height - 0.11, "cases", ha="right", fontsize=8, color=SECONDARY)
                say(figure, 5.05, height - 0.11, scale.unit, fontsize=8, color=SECONDARY)
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)


def _words_wide(figure: Figure, row: _Row, top: float, step: float) -> None:
    y = top - step / 2
    weight = "bold" if row.whole else "normal"
    if row.heading:
        say(figure, 0, y - 0.02, row.label, fontsize=8, color=SECONDARY)
        return
    say(figure, 0.12, y, row.label, weight=weight)
    say(figure, 2.55, y, "—" if pd.isna(row.cases) else f"{int(row.cases)}", ha="right", weight=weight)
    number = row.number if pd.notna(row.estimate) else "no estimate"
    say(figure, 5.05, y, number, weight=weight, color=INK if pd.notna(row.estimate) else SECONDARY)


def _words_narrow(figure: Figure, row: _Row, top: float, step: float) -> None:
    style = {"weight": "bold" if row.whole else "normal", "bbox": WHITE}
    if row.heading:
        say(figure, 0, top - step + 0.1, row.label, fontsize=8, color=SECONDARY, bbox=WHITE)
        return
    y = top - 0.11
    say(figure, 0, y, row.label if pd.isna(row.cases) else f"{row.label}, {int(row.cases)}", **style)
    number = row.number if pd.notna(row.estimate) else "no estimate"
    say(figure, NARROW, y, number, ha="right", **style, color=INK if pd.notna(row.estimate) else SECONDARY)


def reasons(frame: pd.DataFrame) -> str:
    """Why groups have no estimate, as sentences; empty when all have one."""
    wanting = frame[frame["reason"].notna()]
    told = [f"{listed(list(part['label']))}: {why}." for why, part in wanting.groupby("reason", sort=False)]
    return " ".join(told)
