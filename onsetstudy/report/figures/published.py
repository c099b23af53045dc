"""Where does this practice stand among published results? Technique by technique, positive and null alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from onsetstudy.core.results import NotAvailable
from onsetstudy.outcomes.published_results import ContextPanel, PublishedRange
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
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import MINUS, THIN, counted, decimal, interval, places_for, tidy
from onsetstudy.report.rows import rows_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["ContextScale", "alt_text", "data_for", "draw", "draw_figure"]

FROM_MEMORY = "†"
WHITE = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 1.2}
COLUMNS = ["label", "heading", "own", "pooled", "cases", "estimate", "low", "high", "number", "reason"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ContextScale:
    """What the axis says; ``factor`` -1 turns minutes waited into minutes saved."""

    unit: str
    ends: tuple[str, str]
    factor: float = 1
    base: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    label: str
    heading: bool
    own: bool
    pooled: bool
    cases: float
    estimate: float | None
    low: float
    high: float
    number: str
    reason: str


def data_for(panel: ContextPanel, *, factor: float = 1, base: int = 1) -> pd.DataFrame:
    """Columns ``label, heading, own, pooled, cases, estimate, low, high, number, reason``; one row a line.

    Values are on the drawing's scale. A published line without a printed interval has none here. A technique of which
    nothing is published is left out.
    """
    rows: list[dict[str, object]] = []
    for group in panel.groups:
        if not group.drawn:
            continue
        rows.append({"label": plain_words(group.technique).capitalize(), "heading": True, "own": False})
        own = group.own
        row: dict[str, object] = {"label": "These cases", "heading": False, "own": True, "cases": own.n.cases}
        if isinstance(own, NotAvailable):
            row["reason"] = tidy(own.reason.strip().rstrip("."))
        else:
            scaled = tuple(factor * panel.own_factor * v for v in (own.estimate, own.interval.low, own.interval.high))
            row |= _numbers(scaled[0], scaled[1], scaled[2], base=base)
        rows.append(row)
        rows += [_published(r, factor=factor, base=base) for r in group.drawn]
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame["pooled"] = frame["pooled"].eq(True)
    for name in ("estimate", "low", "high"):
        frame[name] = frame[name].astype(float)
    return frame


def _published(found: PublishedRange, *, factor: float, base: int) -> dict[str, object]:
    shown = found.drawn()
    if shown is None:
        raise ValueError(f"{found.id} has nothing to draw")
    value, low, high, _ = shown
    row: dict[str, object] = {
        "label": found.study + (f" {FROM_MEMORY}" if found.label == "from memory" else ""),
        "heading": False,
        "own": False,
        "pooled": found.evidence == "pooled",
        "cases": found.n,
    }
    ends = (None, None) if low is None or high is None else (factor * low, factor * high)
    return row | _numbers(factor * value, *ends, base=base)


def _numbers(value: float, one: float | None, other: float | None, *, base: int) -> dict[str, object]:
    if one is None or other is None:
        return {"estimate": value, "number": decimal(value, places_for([value], base=base))}
    low, high = sorted((one, other))
    places = places_for((low, high, value), base=base)
    number = f"{decimal(value, places)} ({interval(low, high, places)})"
    return {"estimate": value, "low": low, "high": high, "number": number}


def draw(frame: pd.DataFrame, ax: Axes, *, places: np.ndarray, look: ArmLook, scale: ContextScale) -> None:
    """Own lines with a filled diamond, published ones with an open circle, pooled ones with an open square."""
    ax.axvline(0, color=INK, linewidth=1.0, zorder=0)
    for y, row in zip(places, rows_of(frame, _Row), strict=True):
        if pd.isna(row.estimate):
            continue
        colour = look.colour if row.own else SECONDARY
        if pd.notna(row.low):
            ax.hlines(y, row.low, row.high, color=colour, linewidth=2.0 if row.own else 1.2, zorder=2)
        marker = "D" if row.own else "s" if row.pooled else "o"
        face = colour if row.own else "#ffffff"
        ax.plot(row.estimate, y, marker, color=colour, markerfacecolor=face, markersize=6.5 if row.own else 5, zorder=3)
    reach = [0.0, *frame["estimate"].dropna(), *frame["low"].dropna(), *frame["high"].dropna()]
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
            told.append(row.label)
            continue
        cases = "" if pd.isna(row.cases) else f", {counted(int(row.cases), 'case' if row.own else 'patient')}"
        said = row.number if pd.notna(row.estimate) else f"no estimate, {row.reason}"
        bare = "" if pd.isna(row.estimate) or pd.notna(row.low) else ", no interval printed"
        told.append(f"{row.label}{cases}: {said}{bare}")
    text = f"One line per result, {unit}. {'; '.join(told)}."
    return text.replace(MINUS, "minus ").replace(THIN, " ").replace(f" {FROM_MEMORY}", " (from memory)")


def draw_figure(
    frame: pd.DataFrame, *, name: str, title: str, scale: ContextScale, arm: str, arms: tuple[str, ...]
) -> Drawing:
    """The lines of :func:`data_for`: names at the left, numbers at the right, own lines in the colour of the arm."""
    alt, look = alt_text(frame, scale.unit), look_of(arm, arms)

    def paint(ids: str, narrow: bool) -> str:
        step, foot, head = (0.4 if narrow else 0.225), 0.52, (0.05 if narrow else 0.22)
        height = foot + step * len(frame) + head
        with canvas(NARROW if narrow else WIDE, height) as figure:
            left, width = (0.08, NARROW - 0.16) if narrow else (2.55, 2.55)
            ax = axes_at(figure, left, foot, width, step * len(frame))
            order = np.arange(len(frame))[::-1]
            draw(frame, ax, places=order + (0.27 if narrow else 0.5), look=look, scale=scale)
            ax.set_ylim(0, len(frame))
            for row, top in zip(rows_of(frame, _Row), foot + step * (order + 1), strict=True):
                _words(figure, row, top, step, narrow=narrow)
            if not narrow:
                say(figure, 2.4, height - 0.11, "patients", ha="right", fontsize=8, color=SECONDARY)
                say(figure, 5.25, height - 0.11, scale.unit, fontsize=8, color=SECONDARY)
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)


def _words(figure: Figure, row: _Row, top: float, step: float, *, narrow: bool) -> None:
    style: dict[str, object] = {"bbox": WHITE} if narrow else {}
    if row.heading:
        say(figure, 0, top - step + 0.1 if narrow else top - step / 2 - 0.02, row.label, fontsize=8, color=SECONDARY,
            **style)  # fmt: skip
        return
    y = top - 0.11 if narrow else top - step / 2
    style["weight"] = "bold" if row.own else "normal"
    missing = pd.isna(row.estimate)
    number, colour = ("no estimate", SECONDARY) if missing else (row.number, INK)
    cases = "" if pd.isna(row.cases) else f"{int(row.cases)}"
    if narrow:
        say(figure, 0, y, f"{row.label}, {cases}" if cases else row.label, **style)
        say(figure, NARROW, y, number, ha="right", color=colour, **style)
        return
    say(figure, 0.12, y, row.label, **style)
    say(figure, 2.4, y, cases, ha="right", **style)
    say(figure, 5.25, y, number, color=colour, **style)
