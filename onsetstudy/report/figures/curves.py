"""How soon were teeth numb? Proportion numb against minutes, by arm."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import HAIRLINE, INK, POINTS, SECONDARY, Drawing, Sheet, look_of
from onsetstudy.report.numbers import THIN, percent
from onsetstudy.study.group.results import GroupResults
from onsetstudy.study.practice.results import StudyResults
from onsetstudy.study.results import ArmCurve
from onsetstudy.survival.results import OnsetCurve

DODGE = 2.4
LABEL_WIDTH = 0.3


def data_for(results: StudyResults | GroupResults, *, least: int = 1) -> pd.DataFrame:
    """Bounds of the proportion numb where they can change, limits at the tests and the numbers still being tested.

    Arms with fewer than ``least`` cases are left out.

    Columns ``arm, minute, low, high, estimate, conf_low, conf_high, still_tested``. From ``minute`` up to the next line
    of its arm, at least the share ``low`` and at most ``high`` is numb; what does not belong to a minute is missing.
    """
    frames = [
        _arm_data(c, c.curve, results.protocol.onset.tau_min)
        for c in results.overall.curves
        if not isinstance(c.curve, NotAvailable) and results.overall.n.arm(c.arm).cases >= least
    ]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def _arm_data(found: ArmCurve, curve: OnsetCurve, horizon: float) -> pd.DataFrame:
    limits = {t: (e.estimate, e.interval.low, e.interval.high) for t, e in found.limits if isinstance(e, Estimate)}
    tested = {t: float(n) for t, n in found.still_tested}
    ends = np.concatenate((curve.left, curve.right))
    kept = ends[np.isfinite(ends) & (ends <= horizon)]
    minutes = np.unique(np.concatenate(([0.0, horizon], kept, list(limits), list(tested))))
    numb_at, may_be_after = 1 - curve.at(minutes)[1], 1 - curve.at(minutes + 1e-9)[0]
    frame = pd.DataFrame({"arm": found.arm, "minute": minutes, "low": numb_at, "high": may_be_after})
    frame[["estimate", "conf_low", "conf_high"]] = [limits.get(t, (np.nan, np.nan, np.nan)) for t in minutes]
    return frame.assign(still_tested=[tested.get(t, np.nan) for t in minutes])


def draw(frame: pd.DataFrame, ax: canvas.Axes, protocol: Protocol) -> None:
    """Bands between tests, a step where numbness is certain, limits as lines at the tests, names at the ends."""
    shares = ["low", "high", "estimate", "conf_low", "conf_high"]
    frame = frame.assign(**{name: 100 * frame[name] for name in shares})
    ends: list[tuple[float, str, str]] = []
    present = list(dict.fromkeys(frame["arm"]))
    for number, arm in enumerate(present):
        part = frame[frame["arm"] == arm]
        look, t = look_of(arm, protocol.arm_codes), part["minute"].to_numpy()
        low, high = part["low"].to_numpy(), part["high"].to_numpy()
        ax.fill_between(t, low, high, step="post", color=look.colour, alpha=0.17, linewidth=0, zorder=1)
        ax.step(t, high, where="post", color=look.colour, linewidth=0.5, alpha=0.55, zorder=2)
        ax.step(t, low, where="post", color=look.colour, linestyle=look.line, linewidth=1.8, zorder=3)
        given = part[part["estimate"].notna()]
        moved = canvas.moved(ax, ax.transData, DODGE * (number - (len(present) - 1) / 2) * 2)
        style: dict[str, Any] = {"transform": moved, "clip_on": False}
        limits = given["conf_low"], given["conf_high"]
        ax.vlines(given["minute"], *limits, linewidth=1.0, zorder=4, color=look.colour, **style)
        look.dots(ax, given["minute"], given["estimate"], size=4.4, edge=1.1, zorder=5, **style)
        last = given["estimate"].iloc[-1:] if len(given) else part["low"].iloc[-1:]
        ends.append((float(last.iloc[0]), protocol.label(arm), look.colour))
    _frame(frame, ax, target_min=protocol.onset.target_min)
    points_per_share = ax.get_window_extent().height / 100 * POINTS / ax.figure.dpi
    name: dict[str, Any] = {"va": "center", "weight": "bold", "annotation_clip": False, "fontsize": None}
    for place, (_, label, colour) in zip(canvas.spread([e[0] for e in ends], 11 / points_per_share), ends, strict=True):
        canvas.beside(ax, label, (float(frame["minute"].max()), place), (8, 0), color=colour, **name)


def _frame(frame: pd.DataFrame, ax: canvas.Axes, *, target_min: float) -> None:
    """Axes with ticks at the tests, and the target minute named."""
    last = float(frame["minute"].max())
    ax.axvline(target_min, color=SECONDARY, linewidth=0.9, linestyle=(0, (1, 1.6)), zorder=0)
    align = "center" if target_min > 0.12 * last else "left"
    canvas.beside(ax, f"target, {target_min:g} min", (target_min, 100), (0, 3), ha=align, va="bottom")
    ticks, named = _tests(frame), _named(frame, ax, target_min)
    ax.set(xlim=(0, last), ylim=(0, 100))
    ax.set_xticks(ticks, [f"{t:g}" if t in named else "" for t in ticks])
    ax.set_yticks(range(0, 101, 25), [f"{v}{THIN}%" for v in range(0, 101, 25)])
    ax.set_ylabel("numb")
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.5)
    ax.set_axisbelow(True)


def _tests(frame: pd.DataFrame) -> list[float]:
    """Minutes of the tests."""
    return sorted(frame.loc[frame["still_tested"].notna(), "minute"].unique())


def _named(frame: pd.DataFrame, ax: canvas.Axes, target_min: float) -> list[float]:
    """Minutes of the tests for whose names there is room."""
    inches = ax.get_window_extent().width / ax.figure.dpi
    return thinned(_tests(frame), least=LABEL_WIDTH / inches * float(frame["minute"].max()), keep=(target_min,))


def thinned(ticks: Sequence[float], *, least: float, keep: Sequence[float]) -> list[float]:
    """Ticks that can be named without touching; those to ``keep`` and the last have the first claim."""
    chosen: list[float] = []
    for tick in (*(t for t in keep if t in ticks), *ticks[-1:], *ticks):
        if all(abs(tick - other) >= least for other in chosen):
            chosen.append(tick)
    return sorted(chosen)


def _still_tested(frame: pd.DataFrame, ax: canvas.Axes, protocol: Protocol, left: float) -> None:
    """Numbers still being tested, under the ticks they belong to."""
    shown = _named(frame, ax, protocol.onset.target_min)

    def under(text: str, at: float, points: float, down: float, **style: Any) -> None:
        canvas.beside(ax, text, (at, 0), (points, -down), xycoords=("data", "axes fraction"), va="baseline", **style)

    middle = float(frame["minute"].max()) / 2
    under("minutes after the injection", middle, 0, 30, ha="center", color=None, fontsize=None)
    under("still being tested", 0, -left * POINTS, 44, ha="left")
    for number, arm in enumerate(dict.fromkeys(frame["arm"])):
        part, down = frame[frame["arm"] == arm], 57 + 12.5 * number
        colour = look_of(arm, protocol.arm_codes).colour
        under(protocol.label(arm), 0, -left * POINTS, down, color=colour, ha="left", weight="bold")
        tested = part.dropna(subset=["still_tested"]).set_index("minute")["still_tested"]
        for t in (t for t in shown if t in tested.index):
            under(f"{int(tested[t])}", t, 0, down, color=INK, ha="center")


def alt_text(frame: pd.DataFrame, results: StudyResults | GroupResults) -> str:
    """What the figure shows, in words: some tests, the target and the horizon; between tests what is possible."""
    onset, parts, drawn = results.protocol.onset, [], set(frame["arm"])
    for found in results.overall.curves:
        if found.arm not in drawn or isinstance(found.curve, NotAvailable):
            continue
        tests = [minute for minute, _ in found.limits]
        minutes = sorted({*tests[:: max(1, len(tests) // 5)], onset.target_min, onset.tau_min})
        cases = results.overall.n.arm(found.arm).cases
        ends = [[percent(1 - felt, cases) for felt in bound] for bound in found.curve.at(minutes)]
        shares = [
            f"{least if least == most else f'between {least} and {most}'} by minute {minute:g}"
            for minute, most, least in zip(minutes, *ends, strict=True)
        ]
        parts.append(f"{results.protocol.label(found.arm)}: {', '.join(shares)}")
    return f"Proportion of teeth numb against minutes after the injection. {'; '.join(parts)}.".replace(THIN, " ")


def draw_figure(results: StudyResults | GroupResults, frame: pd.DataFrame, *, height: float) -> Drawing:
    """The curves of :func:`data_for`."""
    protocol, arms = results.protocol, frame["arm"].unique()
    below = (48 + 12.5 * len(arms)) / POINTS
    longest = max(len(protocol.label(arm)) for arm in arms)

    def fill(sheet: Sheet) -> None:
        # The name of an arm stands before the first number still being tested.
        left = max(0.78 if sheet.narrow else 0.9, 0.2 + 0.075 * longest)
        names = 0.12 + 0.09 * longest
        ax = sheet.axes(left, below, sheet.width - left - names - 0.1, height - 0.26)
        draw(frame, ax, protocol)
        _still_tested(frame, ax, protocol, left)

    return Drawing(alt_text(frame, results), height=height + below, fill=fill)
