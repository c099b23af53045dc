"""What matters at a glance: four figures, each a dot with its interval on a small axis, the number beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from onsetstudy.core.results import NotAvailable
from onsetstudy.report.figures.canvas import HAIRLINE, INK, SECONDARY, canvas, look_of, to_svg
from onsetstudy.report.numbers import MINUS, decimal, interval, percent, percent_interval
from onsetstudy.study.results import EstimateLike, StudyResults

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "figure_svg"]

ROWS = ("success", "wait", "never", "pain")


def data_for(results: StudyResults) -> pd.DataFrame:
    """One line per dot: ``row, question, arm, estimate, low, high, number, unit, matters``."""
    protocol, population = results.protocol, results.overall
    target, horizon = protocol.onset.target_min, protocol.onset.horizon_min
    lines: list[dict[str, object]] = []

    def line(
        row: str, question: str, arm: str, e: EstimateLike, number: str, matters: float | None = None, flip: int = 1
    ) -> None:
        if isinstance(e, NotAvailable):
            lines.append({"row": row, "question": question, "arm": arm, "number": f"no answer: {e.reason}"})
            return
        low, high = sorted((flip * e.interval.low, flip * e.interval.high))
        lines.append(
            {"row": row, "question": question, "arm": arm, "estimate": flip * e.estimate, "low": low, "high": high,
             "number": number, "matters": matters}
        )  # fmt: skip

    for row, question, estimates in (
        ("success", f"Numb by {target:g} min", population.success),
        ("never", f"Not numb in {horizon:g} min", population.never_numb),
    ):
        for arm, e in zip(protocol.arm_codes, estimates, strict=False):
            line(row, question, arm, e, "" if isinstance(e, NotAvailable) else _share(e))
    other = protocol.contrast_arm
    wait = population.wait_difference
    line("wait", "Minutes of waiting saved", other, wait, "" if isinstance(wait, NotAvailable) else _saved(wait),
         protocol.plan.wait_difference_min, flip=-1)  # fmt: skip
    pain = population.pain if isinstance(population.pain, NotAvailable) else population.pain.shift
    scale = protocol.pain.instrument if protocol.pain else None
    moment = protocol.pain.moment if protocol.pain else "injection"
    question = f"Pain at {moment}, buffered less plain"
    margin = -scale.important_difference if scale and scale.important_difference else None
    line("pain", question, other, pain, "" if isinstance(pain, NotAvailable) else _pain(pain), margin)
    frame = pd.DataFrame(lines, columns=["row", "question", "arm", "estimate", "low", "high", "number", "matters"])
    frame["row"] = pd.Categorical(frame["row"], ROWS, ordered=True)
    return frame.sort_values("row", kind="stable").reset_index(drop=True)


def _share(e: EstimateLike) -> str:
    n = e.n.arm(str(e.contrast)).cases or e.n.cases
    assert not isinstance(e, NotAvailable)
    return f"{percent(e.estimate, n)} ({percent_interval(e.interval.low, e.interval.high, n)})"


def _saved(e: EstimateLike) -> str:
    assert not isinstance(e, NotAvailable)
    return f"{decimal(-e.estimate)} min ({interval(-e.interval.high, -e.interval.low)})"


def _pain(e: EstimateLike) -> str:
    assert not isinstance(e, NotAvailable)
    places = 1 if e.unit == "points" else 0
    return f"{decimal(e.estimate, places)} {e.unit} ({interval(e.interval.low, e.interval.high, places)})"


def draw(part: pd.DataFrame, ax: Axes, *, labels: dict[str, str], span: tuple[float, float], share: bool) -> None:
    """One question: its dots on a small axis."""
    factor = 100 if share else 1
    places = np.arange(len(part))[::-1]
    for y, row in zip(places, part.itertuples(), strict=True):
        look = look_of(row.arm)
        if share:
            ax.annotate(
                labels[row.arm], (0, y), xycoords=("axes fraction", "data"), xytext=(-8, 0),
                textcoords="offset points", ha="right", va="center", color=look.colour, fontsize=8.5, weight="bold",
            )  # fmt: skip
        if pd.notna(row.estimate):
            ax.hlines(y, factor * row.low, factor * row.high, color=look.colour, linewidth=1.6, linestyle=look.line)
            ax.plot(
                factor * row.estimate,
                y,
                look.marker,
                color=look.colour,
                markerfacecolor=look.face,
                markersize=6.5,
                zorder=3,
            )
        ax.annotate(row.number, (1, y), xycoords=("axes fraction", "data"), xytext=(12, 0), textcoords="offset points",
                    va="center", color=INK, fontsize=9)  # fmt: skip
    ax.axvline(0, color=INK, linewidth=0.9, zorder=0)
    matters = part["matters"].dropna()
    if len(matters):
        ax.axvline(float(matters.iloc[0]), color=SECONDARY, linewidth=0.9, linestyle=":", zorder=0)
        ax.annotate(
            "matters", (float(matters.iloc[0]), 1), xycoords=("data", "axes fraction"), ha="center", va="bottom",
            fontsize=7.5, color=SECONDARY,
        )  # fmt: skip
    ax.set(xlim=span, ylim=(-0.6, len(part) - 0.4), yticks=[])
    ax.spines["left"].set_visible(False)
    ax.tick_params(labelsize=8)


def _span(part: pd.DataFrame, *, share: bool) -> tuple[float, float]:
    if share:
        top = 100 * float(np.nanmax([0.2, *part["high"].dropna()]))
        return 0.0, min(100.0, 10 * np.ceil(top / 10))
    reach = [0.0, *part["low"].dropna(), *part["high"].dropna(), *part["matters"].dropna()]
    pad = 0.12 * (max(reach) - min(reach) or 1.0)
    return min(reach) - pad, max(reach) + pad


def alt_text(frame: pd.DataFrame, labels: dict[str, str]) -> str:
    """What the figure shows, in words."""
    parts = []
    for question, part in frame.groupby("question", sort=False):
        shares = ", ".join(
            f"{labels[row.arm]} {row.number}" if len(part) > 1 else row.number for row in part.itertuples()
        )
        parts.append(f"{question}: {shares}")
    return ". ".join(parts).replace(MINUS, "minus ") + "."


def figure_svg(results: StudyResults, *, name: str, title: str) -> tuple[str, str]:
    """SVG of the four figures and its alternative text."""
    frame = data_for(results)
    labels = {code: results.protocol.label(code) for code in results.protocol.arm_codes}
    heights = {"success": 0.62, "never": 0.62, "wait": 0.5, "pain": 0.5}
    gap = 0.27
    total = sum(heights.values()) + 4 * gap
    with canvas(7.0, total) as figure:
        top = total
        for row in ROWS:
            part = frame[frame["row"] == row].reset_index(drop=True)
            height = heights[row]
            bottom = top - height
            ax = figure.add_axes((0.38, (bottom + 0.02) / total, 0.3, (height - 0.12) / total))
            share = row in ("success", "never")
            draw(part, ax, labels=labels, span=_span(part, share=share), share=share)
            if share:
                ax.xaxis.set_major_formatter(lambda v, _: f"{v:g} %")
            ax.locator_params(axis="x", nbins=4)
            if not share:
                ax.xaxis.set_major_formatter(lambda v, _: f"{v:g}".replace("-", MINUS))
            figure.text(
                0.0, (bottom + height / 2 - 0.03) / total, part["question"].iloc[0], va="center", fontsize=9, color=INK
            )
            top = bottom - gap
            if row != ROWS[-1]:
                figure.add_artist(_rule(figure, (top + 0.07) / total))
        return to_svg(figure, name, title, alt_text(frame, labels)), alt_text(frame, labels)


def _rule(figure, y: float):  # type: ignore[no-untyped-def]
    from matplotlib.lines import Line2D

    return Line2D([0, 1], [y, y], transform=figure.transFigure, color=HAIRLINE, linewidth=0.5)
