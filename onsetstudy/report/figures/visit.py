"""How is the time at the chair spent? The stages of a visit with their median minutes, one line for each arm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from onsetstudy.outcomes.chair_results import ChairTime
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
from onsetstudy.report.rows import rows_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "draw_figure"]

WAIT = "wait"
PALE, EDGE = "#eef0f2", "#ffffff"
ROW, BAR = 0.62, 0.26
LEAST_NAMED, ONE_LINE = 3.5, 15.0
LEAST_LABEL = {False: 2.2, True: 3.5}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    stage: str
    start: float
    minutes: float


def data_for(chair: ChairTime) -> pd.DataFrame:
    """One row per arm and stage in order: ``arm, stage, start, minutes, lower, upper, cases``."""
    rows = []
    reached: dict[str, float] = {}
    for stage in chair.stages:
        start = reached.get(stage.arm, 0.0)
        rows.append((stage.arm, stage.stage, start, stage.median_min, stage.lower_min, stage.upper_min, stage.cases))
        reached[stage.arm] = start + stage.median_min
    return pd.DataFrame(rows, columns=["arm", "stage", "start", "minutes", "lower", "upper", "cases"])


def draw(frame: pd.DataFrame, ax: Axes, *, arms: Sequence[str], narrow: bool) -> None:
    """Pale bars for what every visit has, the arm's colour for the wait; the minutes stand in or over the bars."""
    shown = [a for a in arms if (frame["arm"] == a).any()]
    for place, arm in enumerate(shown):
        y = len(shown) - place - 0.62
        look = look_of(arm, tuple(arms))
        for row in rows_of(frame[frame["arm"] == arm], _Row):
            wait = row.stage == WAIT
            ax.barh(y, row.minutes, left=row.start, height=0.42, color=look.colour if wait else PALE, edgecolor=EDGE,
                    hatch=None if look.filled or not wait else "////", linewidth=1.2)  # fmt: skip
            middle = row.start + row.minutes / 2
            if wait:
                ax.annotate(f"wait {row.minutes:.1f}", (middle, y + 0.23), ha="center", va="bottom", fontsize=8.5,
                            color=look.colour, weight="bold")  # fmt: skip
            elif row.minutes >= LEAST_LABEL[narrow]:
                ax.text(middle, y, f"{row.minutes:.0f}", ha="center", va="center", fontsize=8, color=INK)
    ax.set(ylim=(0, len(shown)), yticks=[], xlim=(0, float((frame["start"] + frame["minutes"]).max()) * 1.01))
    ax.spines["left"].set_visible(False)


def alt_text(frame: pd.DataFrame, labels: Mapping[str, str]) -> str:
    """What the figure shows, in words."""
    told = []
    for arm, part in frame.groupby("arm", sort=False):
        stages = ", ".join(f"{row.stage} {row.minutes:.1f}" for row in rows_of(part, _Row))
        told.append(f"{labels.get(str(arm), str(arm))}: {stages}")
    return f"Median minutes of each stage of the visit. {'; '.join(told)}."


def draw_figure(chair: ChairTime, labels: Mapping[str, str], *, name: str, title: str) -> Drawing:
    """The visit of each arm on one scale of minutes; ``labels`` in the order of the arms, reference first."""
    frame = data_for(chair)
    arms = list(labels)
    alt = alt_text(frame, labels)
    shown = [a for a in arms if (frame["arm"] == a).any()]

    def paint(ids: str, narrow: bool) -> str:
        width, left = (NARROW, 0.0) if narrow else (WIDE, 0.85)
        foot, head = 0.44, 0.24
        with canvas(width, ROW * len(shown) + foot + head) as figure:
            ax = axes_at(figure, left + 0.02, foot, width - left - 0.1, ROW * len(shown))
            draw(frame, ax, arms=arms, narrow=narrow)
            for place, arm in enumerate(shown):
                y = foot + ROW * (len(shown) - place - 0.62)
                colour = look_of(arm, tuple(arms)).colour
                if narrow:
                    say(figure, 0.02, y + 0.24, labels[arm], weight="bold", color=colour)
                else:
                    say(figure, 0, y, labels[arm], weight="bold", color=colour)
            _stage_names(ax, frame, shown[0], narrow=narrow)
            ax.set_xlabel("minutes since seated", fontsize=8, color=SECONDARY)
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)


def _stage_names(ax: Axes, frame: pd.DataFrame, arm: str, *, narrow: bool) -> None:
    """Names over the first bar, where there is room for them."""
    if narrow:
        return
    for row in rows_of(frame[frame["arm"] == arm], _Row):
        if row.stage == WAIT or row.minutes < LEAST_NAMED:
            continue
        middle = row.start + row.minutes / 2
        text = row.stage.replace(" ", "\n", 1) if row.minutes < ONE_LINE else row.stage
        ax.annotate(
            text, (middle, ax.get_ylim()[1]), ha="center", va="center", fontsize=8, color=SECONDARY,
            annotation_clip=False, linespacing=1.0,
        )  # fmt: skip
