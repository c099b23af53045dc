"""What did each look allow? The score of the primary outcome beside the boundary, look by look."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from onsetstudy.design.interim.results import LookVerdict
from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import HAIRLINE, INK, SECONDARY, ArmLook, Drawing, Sheet
from onsetstudy.study.results import LooksTaken

HEIGHT, FOOT, HEAD = 2.0, 0.5, 0.1
TOP = 5.0
BAR = 16
"""Points that the bar of a boundary is wide."""
NAME = 0.52
"""Inches that the name of a look takes."""


def draw(taken: LooksTaken, ax: canvas.Axes, *, look: ArmLook) -> None:
    """The boundary as planned (line) and as applied (ticks), the naive one dotted, the scores as the arm's markers."""
    planned, two_sided = taken.plan.looks, taken.plan.sided == 2
    x, upper = [p.fraction for p in planned], np.minimum([p.upper for p in planned], TOP)
    told = [v for v in taken.verdicts if np.isfinite(v.z)]
    at, z = [v.fraction for v in told], [v.z for v in told]
    single = round(taken.plan.single_look, 2)
    bounded = [v for v in taken.verdicts if np.isfinite(v.boundary)]
    ax.axhline(0, color=INK, linewidth=1.0, zorder=1)
    for sign in (1, -1) if two_sided else (1,):
        ax.plot(x, sign * upper, color=SECONDARY, linewidth=1.2, linestyle=(0, (5.0, 2.5)), zorder=2)
        ax.axhline(sign * single, color=HAIRLINE, linewidth=1.0, linestyle=(0, (1.0, 1.6)), zorder=1)
        applied = sign * np.minimum([v.boundary for v in bounded], TOP)
        ax.plot([v.fraction for v in bounded], applied, "_", color=INK, markersize=BAR, markeredgewidth=1.8, zorder=3)
    ax.plot(at, z, color=look.colour, linewidth=1.2, linestyle=look.line, zorder=3)
    look.dots(ax, at, z, size=7, edge=1.5, zorder=4)
    reach = max(1.0, *(v.fraction for v in taken.verdicts))
    _names(taken.verdicts, ax, reach, look.colour)
    # Half a unit beyond the farthest bar or score, so that none is cut by the frame.
    low, high = min([-TOP if two_sided else -0.5, *z]), max([TOP, *z])
    ax.set(xlim=(0, 1.06 * reach), ylim=(low - 0.5, high + 0.5))
    first = min([x[0], *(v.fraction for v in bounded[:1])])
    canvas.beside(ax, "boundary", (first, upper[0]), (-BAR / 2 - 4, 0), ha="right", va="center")
    canvas.signed(ax.yaxis)
    ax.xaxis.set_major_formatter(lambda v, _: f"{100 * v:.0f}")


def _names(verdicts: Sequence[LookVerdict], ax: canvas.Axes, reach: float, colour: str) -> None:
    """Names stand at the line of no difference, on the side where no score is: boundaries never come near it."""
    inches = ax.get_window_extent().width / ax.figure.dpi / (1.06 * reach)
    ends = [-np.inf] * len(verdicts)
    for v in verdicts:
        place = v.fraction * inches
        line = next(k for k, end in enumerate(ends) if place - NAME / 2 > end)
        ends[line] = place + NAME / 2
        away, va = (-4 - 10 * line, "top") if v.z > 0 else (4 + 10 * line, "bottom")
        canvas.beside(ax, v.label, (v.fraction, 0), (0, away), ha="center", va=va, color=colour)


def alt_text(verdicts: Sequence[LookVerdict]) -> str:
    """What the figure shows, in words."""
    told = []
    for v in verdicts:
        limit = f"boundary {v.boundary:.2f}" if np.isfinite(v.boundary) else "no boundary of its own"
        z = f"z {v.z:.2f}" if np.isfinite(v.z) else "no z statistic, as the cold tests could not bear an answer"
        told.append(f"{v.label}: {z}, {limit}")
    return f"Z statistic of the primary outcome at each interim analysis. {'; '.join(told)}.".replace(" -", " minus ")


def draw_figure(taken: LooksTaken, *, look: ArmLook) -> Drawing:
    """Looks taken beside the plan."""

    def fill(sheet: Sheet) -> None:
        ax = sheet.axes(0.45, FOOT, sheet.width - 0.6, HEIGHT)
        draw(taken, ax, look=look)
        canvas.named_axes(ax, f"per cent of the planned {taken.plan.unit}", "z statistic")

    return Drawing(alt_text(taken.verdicts), height=HEIGHT + FOOT + HEAD, fill=fill)
