"""How many cases for which effect? The planned effect as simulated, and beside it a line by formula for each effect.

Formula and simulation are drawn apart: in one picture the dots of one effect would lie on the line of another.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import HAIRLINE, INK, LOOKS, SECONDARY, Drawing, Sheet
from onsetstudy.report.numbers import capital
from onsetstudy.study.planning.results import PlanningResults

HEIGHT, FOOT, HEAD, LEFT = 1.9, 0.45, 0.3, 0.65
APART = 0.075
EFFECTS = {"rmst_difference": "difference in minutes", "treatment_success_difference": "difference of proportions"}


def data_for(results: PlanningResults) -> pd.DataFrame:
    """One row per effect and size: ``effect, cases, formula, simulated, mc_error``."""
    return pd.DataFrame(results.curve)[["effect", "cases", "formula", "simulated", "mc_error"]]


def draw_simulated(frame: pd.DataFrame, ax: canvas.Axes, *, planned: float, power: float) -> None:
    """The planned effect alone: dots as simulated, joined, and what the formula promises; each named at its line."""
    look = LOOKS[1]
    dots = frame.dropna(subset=["simulated"])
    ax.errorbar(dots["cases"], dots["simulated"], yerr=2 * dots["mc_error"], fmt="o-", color=look.colour, markersize=5,
                linewidth=1.4, zorder=4)  # fmt: skip
    line = frame[frame["effect"] == planned]
    ax.plot(line["cases"], line["formula"], color=SECONDARY, linewidth=1.2, linestyle=(0, (4.0, 2.0)))
    # The formula's line lies above the dots: its name stands over it, theirs under them.
    over, under = line.iloc[1], dots.iloc[min(2, len(dots) - 1)]
    plain = {"ha": "right", "fontsize": 8.5, "annotation_clip": False}
    canvas.beside(ax, "formula", (over["cases"], over["formula"]), (-5, 3), **plain)
    strong = {"va": "top", "fontsize": 8.5, "color": look.colour, "weight": "bold"}
    canvas.beside(ax, "simulated", (under["cases"], under["simulated"]), (5, -8), **strong)
    _finish(ax, frame, power)


def draw_formula(frame: pd.DataFrame, ax: canvas.Axes, *, planned: float, power: float) -> None:
    """Lines by formula, each with its effect at the end where the lines lie farther apart."""
    first = _at_left(frame)
    at = frame["cases"].min() if first else frame["cases"].max()
    ends = frame[frame["cases"] == at].reset_index(drop=True)
    for row, y in zip(ends.itertuples(), canvas.spread(ends["formula"].tolist(), APART), strict=True):
        strong = row.effect == planned
        colour = LOOKS[1].colour if strong else SECONDARY
        line = frame[frame["effect"] == row.effect]
        ax.plot(line["cases"], line["formula"], color=colour, linewidth=1.2)
        style: dict[str, Any] = {"color": colour, "weight": "bold" if strong else None, "fontsize": 8.5}
        moved, align = canvas.moved(ax, ax.transData, -5 if first else 5), "right" if first else "left"
        style |= {"ha": align, "va": "center", "transform": moved, "bbox": canvas.WHITE | {"pad": 0.6}}
        ax.text(row.cases, y, f"{row.effect:g}", **style)
    _finish(ax, frame, power)


def _finish(ax: canvas.Axes, frame: pd.DataFrame, power: float) -> None:
    ax.axhline(power, color=INK, linewidth=0.8, linestyle=(0, (1.0, 1.6)))
    ax.set(ylim=(0, 1.02), xlim=(0, 1.02 * float(frame["cases"].max())))
    ax.yaxis.set_major_formatter(lambda v, _: f"{100 * v:.0f}\u202f%")
    ax.grid(color=HAIRLINE, linewidth=0.5)


def _at_left(frame: pd.DataFrame) -> bool:
    """Whether the lines lie farther apart at their left ends than at their right ones."""
    ends = (frame["cases"].min(), frame["cases"].max())
    left, right = (frame.loc[frame["cases"] == at, "formula"].sort_values().diff().min() for at in ends)
    return bool(left >= right)


def alt_text(frame: pd.DataFrame, *, test: str, what: str) -> str:
    """What the figure shows, in words; ``what`` names the effect."""
    told = []
    for effect, part in frame.groupby("effect"):
        for column, way in (("formula", "by formula"), ("simulated", "simulated")):
            known = part.dropna(subset=[column])
            points = [f"{n} cases {share:.0%}" for n, share in zip(known["cases"], known[column], strict=True)]
            if points:
                told.append(f"{what} {effect:g}, {way}: {', '.join(points)}")
    return f"Power of the {test}. {'; '.join(told)}."


def effect_name(results: PlanningResults) -> str:
    """What the effects of the curve are, with their unit."""
    plan, pain = results.protocol.plan, results.protocol.pain
    if plan.primary == "pain_difference" and pain is not None:
        return f"difference on {pain.instrument.unit}"
    return EFFECTS.get(plan.primary, "hazard ratio")


def draw_figure(results: PlanningResults) -> Drawing:
    """Power of the primary outcome's test over analysed cases; by simulation only where that test is simulated."""
    frame, what = data_for(results), effect_name(results)
    test, planned, share = results.curve[0].test, results.planned_effect or 0.0, results.protocol.plan.planned_power
    dots = bool(frame["simulated"].notna().any())
    over = capital(what)
    tall = FOOT + HEIGHT + HEAD

    def fill(sheet: Sheet) -> None:
        half = sheet.width - LEFT - 0.25 if sheet.narrow else (sheet.width - LEFT - 0.9) / 2
        if dots:
            left = sheet.axes(LEFT, FOOT + (tall if sheet.narrow else 0), half, HEIGHT)
            draw_simulated(frame, left, planned=planned, power=share)
            left.set_title(f"{over} {planned:g}", fontsize=9, color=INK, loc="left")
        beside = dots and not sheet.narrow
        # The lines' effects stand at their ends, right of the axes.
        across = half if dots or sheet.narrow else sheet.width - LEFT - 0.55
        right = sheet.axes(LEFT + 0.6 + half if beside else LEFT, FOOT, across, HEIGHT)
        draw_formula(frame, right, planned=planned, power=share)
        right.set_title(f"{over}, by formula alone", fontsize=9, color=INK, loc="left")
        for ax in sheet.figure.axes:
            canvas.named_axes(ax, "analysed cases in both arms", "" if beside and ax is right else "power")

    alt = alt_text(frame, test=test, what=what)
    return Drawing(alt, height=lambda narrow: tall * (2 if narrow and dots else 1), fill=fill)
