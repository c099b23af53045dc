"""How soon were teeth numb? Share numb (rising) or not yet numb (falling) against minutes, both arms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.report.figures.canvas import HAIRLINE, INK, SECONDARY, canvas, look_of, to_svg
from onsetstudy.report.numbers import percent
from onsetstudy.study.results import StudyResults

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["alt_text", "data_for", "draw", "figure_svg"]


def data_for(results: StudyResults) -> pd.DataFrame:
    """Bounds of the share numb where the curve can change, limits at the tests and the numbers still being tested.

    Columns ``arm, minute, low, high, conf_low, conf_high, estimate, still_tested``; what does not belong to a minute is
    missing.
    """
    horizon = results.protocol.onset.horizon_min
    rows: list[dict[str, Any]] = []
    for curve in results.overall.curves:
        if isinstance(curve.curve, NotAvailable):
            continue
        ends = np.concatenate((curve.curve.left, curve.curve.right))
        minutes = np.unique(np.concatenate(([0.0, horizon], ends[np.isfinite(ends) & (ends <= horizon)])))
        limits = {t: e for t, e in curve.limits if isinstance(e, Estimate)}
        tested = dict(curve.still_tested)
        minutes = np.unique(np.concatenate((minutes, list(limits), list(tested))))
        low_not, high_not = curve.curve.at(minutes)
        just_before, just_after = minutes - 1e-9, minutes + 1e-9
        before, after = curve.curve.at(np.maximum(just_before, 0)), curve.curve.at(just_after)
        for i, minute in enumerate(minutes):
            found = limits.get(float(minute))
            rows.append(
                {
                    "arm": curve.arm,
                    "minute": float(minute),
                    "low": 1 - float(high_not[i]),
                    "high": 1 - float(low_not[i]),
                    "high_before": 1 - float(before[0][i]),
                    "high_after": 1 - float(after[0][i]),
                    "estimate": found.estimate if found else np.nan,
                    "conf_low": found.interval.low if found else np.nan,
                    "conf_high": found.interval.high if found else np.nan,
                    "still_tested": tested.get(float(minute), np.nan),
                }
            )
    return pd.DataFrame(rows)


def draw(frame: pd.DataFrame, ax: Axes, *, labels: dict[str, str], target_min: float, falling: bool = False) -> None:
    """Bands between tests, a step where numbness is certain, limits as thin lines at the tests."""

    def turn(share: Any) -> Any:
        return 100 * (1 - share) if falling else 100 * share

    ends: list[tuple[float, str, str]] = []
    for number, (arm, part) in enumerate(frame.groupby("arm", sort=False)):
        look, t = look_of(str(arm)), part["minute"].to_numpy()
        low, high = part["low"].to_numpy(), part["high_after"].to_numpy()
        ax.fill_between(t, turn(low), turn(high), step="post", color=look.colour, alpha=0.16, linewidth=0)
        ax.step(t, turn(low), where="post", color=look.colour, linestyle=look.line, linewidth=1.7)
        given = part[part["estimate"].notna()]
        x = given["minute"] + (0.07 if number else -0.07)
        ax.vlines(x, turn(given["conf_low"]), turn(given["conf_high"]), color=look.colour, linewidth=0.8)
        ax.plot(
            x,
            turn(given["estimate"]),
            look.marker,
            color=look.colour,
            markerfacecolor=look.face,
            markersize=4.5,
            zorder=3,
            clip_on=False,
        )
        if len(given):
            ends.append((float(turn(given["estimate"].iloc[-1])), labels[str(arm)], look.colour))
    last = float(frame["minute"].max())
    for place, (_, label, colour) in zip(_apart([e[0] for e in ends], 9.0), ends, strict=True):
        ax.annotate(
            label, (last, place), xytext=(9, 0), textcoords="offset points", color=colour, va="center", weight="bold"
        )
    ax.axvline(target_min, color=HAIRLINE, linewidth=1, zorder=0)
    ax.annotate(
        f"target {target_min:g} min",
        (target_min, 100),
        xytext=(3, 0),
        textcoords="offset points",
        color=SECONDARY,
        va="bottom",
        fontsize=8,
    )
    ticks = sorted(frame.loc[frame["still_tested"].notna(), "minute"].unique())
    ax.set(xlim=(0, last), ylim=(0, 100), xticks=ticks, yticks=range(0, 101, 20))
    ax.set_xticklabels([f"{t:g}" for t in ticks])
    ax.set_yticks(range(0, 101, 20), [f"{v}" for v in range(0, 101, 20)])
    ax.set_ylabel("not yet numb, %" if falling else "numb, %")
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.5, alpha=0.6)
    ax.set_axisbelow(True)
    _still_tested(frame, ax, labels, ticks)


def _apart(places: list[float], least: float) -> list[float]:
    """Label heights that do not touch."""
    if len(places) == 2 and abs(places[0] - places[1]) < least:
        middle, up = sum(places) / 2, 1 if places[0] >= places[1] else -1
        return [middle + up * least / 2, middle - up * least / 2]
    return places


def _still_tested(frame: pd.DataFrame, ax: Axes, labels: dict[str, str], ticks: list[float]) -> None:
    """Numbers still being tested, under the ticks they belong to."""
    shown = [t for i, t in enumerate(ticks) if len(ticks) <= 16 or i % 2 == 0]
    ax.annotate(
        "minutes after the injection",
        (0.5, 0),
        xycoords="axes fraction",
        xytext=(0, -30),
        textcoords="offset points",
        ha="center",
    )
    ax.annotate(
        "still being tested", (0, 0), xycoords="axes fraction", xytext=(-72, -47), textcoords="offset points",
        color=SECONDARY, fontsize=8, ha="left",
    )  # fmt: skip
    for number, (arm, part) in enumerate(frame.groupby("arm", sort=False)):
        look, down = look_of(str(arm)), -61 - 13 * number
        ax.annotate(
            labels[str(arm)], (0, 0), xycoords="axes fraction", xytext=(-14, down), textcoords="offset points",
            color=look.colour, fontsize=8, ha="right", weight="bold",
        )  # fmt: skip
        tested = part.dropna(subset=["still_tested"]).set_index("minute")["still_tested"]
        for t in shown:
            if t in tested.index:
                ax.annotate(
                    f"{int(tested[t])}", (t, 0), xycoords=("data", "axes fraction"), xytext=(0, down),
                    textcoords="offset points", color=INK, fontsize=8, ha="center",
                )  # fmt: skip


def alt_text(frame: pd.DataFrame, labels: dict[str, str], counts: dict[str, int], *, falling: bool = False) -> str:
    """What the figure shows, in words."""
    parts = []
    for arm, part in frame.groupby("arm", sort=False):
        given = part[part["estimate"].notna()]
        points = given.iloc[:: max(1, len(given) // 5)]
        shares = ", ".join(
            f"{percent(1 - row.estimate if falling else row.estimate, counts[str(arm)])} by minute {row.minute:g}"
            for row in points.itertuples()
        )
        parts.append(f"{labels[str(arm)]}: {shares}")
    what = "Share of teeth not yet numb" if falling else "Share of teeth numb"
    return f"{what} against minutes after the injection. {'; '.join(parts)}."


def figure_svg(
    results: StudyResults, *, name: str, title: str, falling: bool = False, height: float = 3.5
) -> tuple[str, str]:
    """SVG of the curves and its alternative text."""
    frame = data_for(results)
    labels = {code: results.protocol.label(code) for code in results.protocol.arm_codes}
    counts = {a.arm: a.cases for a in results.overall.n.by_arm}
    alt = alt_text(frame, labels, counts, falling=falling)
    with canvas(7.0, height) as figure:
        ax = figure.add_axes((0.155, 1.22 / height, 0.725, 1 - 1.44 / height))
        draw(frame, ax, labels=labels, target_min=results.protocol.onset.target_min, falling=falling)
        return to_svg(figure, name, title, alt), alt
