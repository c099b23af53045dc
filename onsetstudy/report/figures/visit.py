"""How is the time at the chair spent? The stages of a visit with their median minutes, one line for each arm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from onsetstudy.outcomes.chair_results import ChairTime
from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import INK, Drawing, Sheet, look_of

WAIT = "wait"
PALE, EDGE = "#eef0f2", "#ffffff"
ROW, FOOT, HEAD = 0.62, 0.44, 0.24
LEAST_NAMED, ONE_LINE = 3.5, 15.0
LEAST_LABEL = {False: 2.2, True: 3.5}


class Bar(NamedTuple):
    """A stage between two moments, minutes since seated."""

    stage: str
    start: float
    minutes: float

    @property
    def middle(self) -> float:
        """Half way."""
        return self.start + self.minutes / 2


def data_for(chair: ChairTime) -> dict[str, list[Bar]]:
    """The stages of each arm, one after the other."""
    bars: dict[str, list[Bar]] = {}
    for stage in chair.stages:
        row = bars.setdefault(stage.arm, [])
        row.append(Bar(stage.stage, row[-1].start + row[-1].minutes if row else 0.0, stage.median_min))
    return bars


def draw(bars: Mapping[str, Sequence[Bar]], ax: canvas.Axes, *, arms: Sequence[str], narrow: bool) -> None:
    """Pale bars for what every visit has, the arm's colour for the wait; the minutes stand in or over the bars.

    On a narrow page those of the wait stand with the name of the arm, which would lie under them.
    """
    for place, arm in enumerate(a for a in arms if a in bars):
        y = len(bars) - place - 0.62
        look = look_of(arm, arms)
        for bar in bars[arm]:
            wait = bar.stage == WAIT
            ax.barh(y, bar.minutes, left=bar.start, height=0.42, color=look.colour if wait else PALE, edgecolor=EDGE,
                    hatch=None if look.filled or not wait else "////", linewidth=1.2)  # fmt: skip
            if wait and not narrow:
                over = {"ha": "center", "va": "bottom", "fontsize": 8.5, "color": look.colour, "weight": "bold"}
                canvas.beside(ax, f"wait {bar.minutes:.1f}", (bar.middle, y + 0.23), (0, 0), **over)
            elif not wait and bar.minutes >= LEAST_LABEL[narrow]:
                ax.text(bar.middle, y, f"{bar.minutes:.0f}", ha="center", va="center", fontsize=8, color=INK)
    ax.set(ylim=(0, len(bars)), xlim=(0, max(row[-1].start + row[-1].minutes for row in bars.values()) * 1.01))
    canvas.bare_left(ax)


def alt_text(bars: Mapping[str, Sequence[Bar]], labels: Mapping[str, str]) -> str:
    """What the figure shows, in words."""
    told = [
        f"{labels.get(arm, arm)}: {', '.join(f'{bar.stage} {bar.minutes:.1f}' for bar in row)}"
        for arm, row in bars.items()
    ]
    return f"Median minutes of each stage of the visit. {'; '.join(told)}."


def draw_figure(chair: ChairTime, labels: Mapping[str, str]) -> Drawing:
    """The visit of each arm on one scale of minutes; ``labels`` in the order of the arms, reference first."""
    bars, arms = data_for(chair), list(labels)
    shown = [a for a in arms if a in bars]

    def fill(sheet: Sheet) -> None:
        left = 0.0 if sheet.narrow else 0.85
        ax = sheet.axes(left + 0.02, FOOT, sheet.width - left - 0.1, ROW * len(shown))
        draw(bars, ax, arms=arms, narrow=sheet.narrow)
        for place, arm in enumerate(shown):
            y = FOOT + ROW * (len(shown) - place - 0.62)
            across, up = (0.02, y + 0.24) if sheet.narrow else (0, y)
            waits = [f"wait {bar.minutes:.1f}" for bar in bars[arm] if sheet.narrow and bar.stage == WAIT]
            sheet.say(across, up, ", ".join([labels[arm], *waits]), weight="bold", color=look_of(arm, arms).colour)
        if not sheet.narrow:
            _stage_names(ax, bars[shown[0]])
        canvas.named_axes(ax, "minutes since seated")

    return Drawing(alt_text(bars, labels), height=ROW * len(shown) + FOOT + HEAD, fill=fill)


def _stage_names(ax: canvas.Axes, row: Sequence[Bar]) -> None:
    """Names over the first bar, where there is room for them."""
    for bar in row:
        if bar.stage == WAIT or bar.minutes < LEAST_NAMED:
            continue
        text = bar.stage.replace(" ", "\n", 1) if bar.minutes < ONE_LINE else bar.stage
        top = ax.get_ylim()[1]
        canvas.beside(ax, text, (bar.middle, top), ha="center", va="center", annotation_clip=False, linespacing=1.0)
