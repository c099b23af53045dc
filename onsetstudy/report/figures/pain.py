"""How much did the injection hurt? Every case a dot, with the distribution behind them, by arm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import FloatArray
from onsetstudy.outcomes.scores.pain_results import PainComparison, PainScores
from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import INK, POINTS, SECONDARY, ArmLook, Drawing, Sheet, look_of
from onsetstudy.report.numbers import amount, counted, decimal

LARGEST_DOT, SMALLEST_DOT = 5.0, 0.6
MOST_COLUMNS, PILE_WIDTH, FINEST, STEPS = 9, 0.94, 0.05, (1, 2, 4, 5)
ROOM = 0.84
LEAST_FOR_A_CURVE = 10
ROWS = ((0.92, 0.14), (1.0, 0.26))
"""Height of an arm and the room over it, inches, on a page and on a narrow screen."""


@dataclass(frozen=True, slots=True)
class Piles:
    """How dots are piled, the same in every arm: width of a pile in units of the scale, dots side by side, diameter."""

    width: float
    columns: int
    size: float


def piles_for(arms: Sequence[FloatArray], *, low: float, high: float, points: float, room: float) -> Piles:
    """The largest dots, one per case, with which the piles of all arms fit.

    Scores of one step, or of a few steps of a fine scale, share a pile. No dot leaves its score by more than half of
    ``FINEST`` of the scale.

    Parameters
    ----------
    arms : sequence of ndarray
        Scores by arm.
    points : float
        Points across per unit of the scale.
    room : float
        Points up.
    """
    step = min(1.0, high - low)
    best = Piles(width=step, columns=1, size=SMALLEST_DOT)
    for steps in STEPS:
        width = steps * step
        if steps > 1 and width > FINEST * (high - low):
            break
        highest = max(int(np.unique(_pile(a, low, width), return_counts=True)[1].max(initial=1)) for a in arms)
        for columns in range(1, MOST_COLUMNS + 1):
            size = min(LARGEST_DOT, PILE_WIDTH * width * points / columns, room / math.ceil(highest / columns))
            if size > 1.05 * best.size:
                best = Piles(width=width, columns=columns, size=size)
    return best


def _pile(scores: FloatArray, low: float, width: float) -> FloatArray:
    return np.floor((scores - low) / width + (0.5 if width <= 1 else 1e-9))


def arrange(scores: FloatArray, piles: Piles, *, low: float, points: float) -> tuple[FloatArray, FloatArray]:
    """Place of each dot across on the scale, and its row from 0 upwards; ``scores`` are in increasing order."""
    pile = _pile(scores, low, piles.width)
    centre = low + pile * piles.width + max(0.0, (piles.width - 1) / 2)
    groups = pd.Series(pile).groupby(pile)
    place, count = groups.cumcount().to_numpy(), groups.transform("size").to_numpy()
    row = place // piles.columns
    in_row = np.minimum(piles.columns, count - piles.columns * row)
    return centre + (place % piles.columns - (in_row - 1) / 2) * piles.size / points, row.astype(float)


def middle(scores: FloatArray | Sequence[float]) -> float:
    """The middle one of ordered scores, or half way between the middle two."""
    return float(np.median(scores))


def draw(scores: FloatArray, ax: canvas.Axes, *, look: ArmLook, low: float, high: float, piles: Piles) -> None:
    """One arm: every case a dot, the smoothed distribution on the same scale behind them, the middle score marked."""
    span = high - low
    ax.set(xlim=(low - 0.02 * span, high + 0.02 * span), xlabel="", ylabel="")
    canvas.bare_left(ax)
    box, dots = ax.get_window_extent(), ax.figure.dpi / POINTS
    points, up = box.width / dots / (1.04 * span), box.height / dots
    across, row = arrange(scores, piles, low=low, points=points)
    ax.set_ylim(0, up)
    if scores.size >= LEAST_FOR_A_CURVE and np.unique(scores).size > 4:
        # As high as the piles would be if the cases were spread as smoothly as the line.
        _behind(scores, ax, look, (low, high), up / (scores.size * piles.width / piles.columns * piles.size))
    size, edge = 0.84 * piles.size, min(0.8, 0.2 * piles.size)
    look.dots(ax, across, (row + 0.6) * piles.size, size=size, edge=edge, linestyle="none", clip_on=False)
    half = middle(scores)
    ax.plot([half, half], [0, up], color=INK, linewidth=0.9, zorder=1)
    canvas.beside(
        ax, f"half of cases up to {decimal(half, 0 if half == round(half) else 1)}", (half, 1), (4, 0), color=INK,
        xycoords=("data", "axes fraction"), va="top", bbox=canvas.WHITE | {"pad": 1.0, "alpha": 0.8},
    )  # fmt: skip


def _behind(scores: FloatArray, ax: canvas.Axes, look: ArmLook, clip: tuple[float, float], top: float) -> None:
    """The smoothed distribution; ``top`` is the density at the upper edge of the axes."""
    import seaborn

    behind = ax.twinx()
    for fill in (True, False):
        seaborn.kdeplot(
            x=scores, ax=behind, color=look.colour, linestyle="-" if fill else look.line, clip=clip, cut=0,
            linewidth=0 if fill else 1.1, fill=fill, alpha=0.14 if fill else 1.0,
        )  # fmt: skip
    behind.set(ylim=(0, top), yticks=[], ylabel="", xlabel="")
    for side in behind.spines.values():
        side.set_visible(False)
    behind.set_zorder(1)
    ax.set_zorder(2)
    ax.patch.set_visible(False)


def _asked(comparison: PainComparison) -> list[PainScores]:
    return [s for s in comparison.scores if s.scores.size]


def alt_text(comparison: PainComparison, labels: dict[str, str]) -> str:
    """What the figure shows, in words."""
    parts = [
        f"{labels[s.arm]}: {counted(s.scores.size, 'score')} from {s.scores[0]:g} to {s.scores[-1]:g} "
        f"{comparison.unit}, half of them up to {middle(s.scores):g}"
        for s in _asked(comparison)
    ]
    return f"Pain scores of every case by arm. {'; '.join(parts)}."


def draw_figure(
    comparison: PainComparison, *, labels: dict[str, str], low: float, high: float, matters: float | None
) -> Drawing:
    """Every score, one row per arm; ``labels`` has the arms of the protocol in their order."""
    arms, foot = _asked(comparison), 0.46

    def fill(sheet: Sheet) -> None:
        left, (row, above) = 0.05 if sheet.narrow else 0.95, ROWS[sheet.narrow]
        across = sheet.width - left - 0.12
        points = across * POINTS / (1.04 * (high - low))
        piles = piles_for([s.scores for s in arms], low=low, high=high, points=points, room=ROOM * row * POINTS)
        for number, of_arm in enumerate(arms, start=1):
            bottom = foot + (len(arms) - number) * (row + above)
            ax, look = sheet.axes(left, bottom, across, row), look_of(of_arm.arm, tuple(labels))
            draw(of_arm.scores, ax, look=look, low=low, high=high, piles=piles)
            ax.tick_params(labelbottom=number == len(arms))
            up = bottom + (row + 0.1 if sheet.narrow else row / 2)
            sheet.say(0.0, up, labels[of_arm.arm], color=look.colour, weight="bold")
        _foot(ax, comparison.unit, low, high, matters)

    return Drawing(alt_text(comparison, labels), height=lambda narrow: len(arms) * sum(ROWS[narrow]) + foot, fill=fill)


def _foot(ax: canvas.Axes, unit: str, low: float, high: float, matters: float | None) -> None:
    """The scale in words, and a bar as long as the difference that matters."""
    canvas.beside(ax, f"pain, {unit}; {low:g} is none", (0, 0), (0, -24), xycoords="axes fraction", va="top")
    if matters is None:
        return
    moved = canvas.moved(ax, ax.get_xaxis_transform(), 0, -28)
    ax.plot([high - matters, high], [0, 0], "|-", color=SECONDARY, linewidth=1.0, markersize=5, transform=moved,
            clip_on=False)  # fmt: skip
    place = ("data", "axes fraction")
    canvas.beside(
        ax, f"{amount(matters, unit)} matters", (high - matters, 0), (-6, -24), xycoords=place, va="top", ha="right"
    )
