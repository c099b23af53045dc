"""How much did the injection hurt? Every case a dot, and the distribution behind them, by arm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from onsetstudy.outcomes.results import PainComparison
from onsetstudy.report.figures.canvas import INK, SECONDARY, canvas, look_of, to_svg
from onsetstudy.report.numbers import decimal

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "figure_svg"]

BINS = 51


def data_for(comparison: PainComparison, *, low: float, high: float) -> pd.DataFrame:
    """One line per case: ``arm, score, place`` (which dot of its pile it is, from 0)."""
    width = (high - low) / (BINS - 1)
    parts = []
    for scores in comparison.scores:
        pile = np.round((scores.scores - low) / width)
        place = pd.Series(pile).groupby(pile).cumcount().to_numpy()
        parts.append(
            pd.DataFrame({"arm": scores.arm, "score": low + pile * width, "exact": scores.scores, "place": place})
        )
    return pd.concat(parts, ignore_index=True)


def draw(frame: pd.DataFrame, axes: list[Axes], *, labels: dict[str, str], low: float, high: float, unit: str) -> None:
    """One row per arm: piles of dots, the smoothed distribution as a line, the median marked."""
    import seaborn

    highest = max(1, int(frame["place"].max()) + 1)
    for ax, (arm, part) in zip(axes, frame.groupby("arm", sort=False), strict=True):
        look = look_of(str(arm))
        ax.plot(part["score"], part["place"] + 0.5, look.marker, color=look.colour, markerfacecolor=look.face,
                markersize=min(4.2, 52 / highest), linestyle="none", markeredgewidth=0.6)  # fmt: skip
        if part["exact"].nunique() > 4:
            twin = ax.twinx()
            seaborn.kdeplot(x=part["exact"], ax=twin, color=look.colour, linestyle=look.line, linewidth=1.2, cut=0)
            twin.set(ylim=(0, twin.get_ylim()[1] * 1.15), yticks=[], ylabel="", xlabel="")
            for side in twin.spines.values():
                side.set_visible(False)
        middle = float(part["exact"].median())
        ax.axvline(middle, color=INK, linewidth=0.9, zorder=0)
        ax.annotate(f"median {decimal(middle, 0)}", (middle, 1), xycoords=("data", "axes fraction"), xytext=(4, -2),
                    textcoords="offset points", va="top", fontsize=8, color=INK)  # fmt: skip
        ax.annotate(
            labels[str(arm)], (0, 0.5), xycoords="axes fraction", xytext=(-10, 0), textcoords="offset points",
            ha="right", va="center", color=look.colour, weight="bold",
        )  # fmt: skip
        span = high - low
        ax.set(xlim=(low - 0.02 * span, high + 0.02 * span), ylim=(0, highest * 1.12), yticks=[], xlabel="")
        ax.spines["left"].set_visible(False)
    axes[-1].set_xlabel(f"pain, {unit} (0 none)", color=SECONDARY)


def alt_text(frame: pd.DataFrame, labels: dict[str, str], unit: str) -> str:
    """What the figure shows, in words."""
    parts = []
    for arm, part in frame.groupby("arm", sort=False):
        q = part["exact"].quantile([0.25, 0.5, 0.75])
        half = f"middle half {q[0.25]:.0f} to {q[0.75]:.0f} {unit}"
        parts.append(f"{labels[str(arm)]}: {len(part)} scores, median {q[0.5]:.0f}, {half}")
    return f"Pain scores of every case by arm. {'; '.join(parts)}."


def figure_svg(
    comparison: PainComparison, *, name: str, title: str, labels: dict[str, str], low: float, high: float
) -> tuple[str, str]:
    """SVG of the scores and its alternative text."""
    frame = data_for(comparison, low=low, high=high)
    alt = alt_text(frame, labels, comparison.unit)
    rows = frame["arm"].nunique()
    with canvas(7.0, 1.2 * rows + 0.5) as figure:
        axes = list(np.atleast_1d(figure.subplots(rows, 1, sharex=True)))
        figure.subplots_adjust(left=0.13, right=0.97, top=0.97, bottom=0.19, hspace=0.3)
        draw(frame, axes, labels=labels, low=low, high=high, unit=comparison.unit)
        return to_svg(figure, name, title, alt), alt
