"""What matters at a glance: four figures, each a dot with its interval on a small axis, the number beside it."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.figures.canvas import (
    HAIRLINE,
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
from onsetstudy.report.numbers import MINUS, THIN, percent, percent_interval, tidy
from onsetstudy.report.rows import rows_of
from onsetstudy.report.sentences import short_value
from onsetstudy.study.practice.results import StudyResults

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["alt_text", "data_for", "draw", "draw_figure"]

ROWS = ("treatment", "success", "wait", "never", "pain")
SHARES = ("treatment", "success", "never")
COLUMNS = ["row", "question", "arm", "estimate", "low", "high", "number", "matters", "reason"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    arm: str
    estimate: float | None
    low: float
    high: float
    number: str
    reason: str


def data_for(results: StudyResults) -> pd.DataFrame:
    """One line per dot: ``row, question, arm, estimate, low, high, number, matters, reason``; shares as per cent.

    Minutes saved are positive when the other arm was sooner than the reference. Where there is no estimate, ``reason``
    says why.
    """
    protocol, population = results.protocol, results.overall
    target, horizon = protocol.onset.target_min, protocol.onset.tau_min
    lines = [
        *_share_lines("success", f"Numb by {target:g} min", population.success, protocol),
        _claim_line("wait", f"Minutes of waiting saved, up to {horizon:g}", results, "rmst_difference"),
        *_share_lines("never", f"Not numb within {horizon:g} min", population.never_numb, protocol),
        _pain_line(results),
    ]
    if protocol.plan.primary == "treatment_success_difference":
        lines = [*_share_lines("treatment", "Successful treatments", population.treatment, protocol), *lines]
    return pd.DataFrame(lines, columns=COLUMNS)


def _line(row: str, question: str, arm: str, e: EstimateLike, number: Any, factor: float) -> dict[str, Any]:
    line: dict[str, Any] = {"row": row, "question": question, "arm": arm, "number": "", "reason": ""}
    if isinstance(e, NotAvailable):
        return line | {"reason": tidy(e.reason.strip().rstrip("."))}
    low, high = sorted((factor * e.interval.low, factor * e.interval.high))
    return line | {"estimate": factor * e.estimate, "low": low, "high": high, "number": number(e)}


def _share_lines(
    row: str, question: str, estimates: tuple[EstimateLike, ...], protocol: Protocol
) -> list[dict[str, Any]]:
    return [_line(row, question, arm, e, _share, 100) for arm, e in zip(protocol.arm_codes, estimates, strict=False)]


def _claim_line(row: str, question: str, results: StudyResults, key: str) -> dict[str, Any]:
    """A comparison as its claim has it, the difference that matters on the better side."""
    line: dict[str, Any] = {
        "row": row, "question": question, "arm": results.protocol.contrast_arm, "number": "", "reason": "",
    }  # fmt: skip
    claim = results.claims.get(key)
    if claim is None or isinstance(claim.answer, NotAvailable):
        answer = None if claim is None else claim.answer
        reason = answer.reason if isinstance(answer, NotAvailable) else "it was not compared"
        return line | {"reason": tidy(reason.strip().rstrip("."))}
    seen, better = claim.seen, claim.quantity.favours * claim.quantity.shown.factor
    assert seen is not None
    line |= {"estimate": seen.value, "low": seen.low, "high": seen.high, "number": short_value(claim)}
    size = claim.matters_shown
    return line | ({} if size is None else {"matters": size if better > 0 else -size})


def _pain_line(results: StudyResults) -> dict[str, Any]:
    protocol = results.protocol
    moment = protocol.pain.moment if protocol.pain else "the injection"
    arms = [protocol.label(code) for code in protocol.arm_codes]
    return _claim_line("pain", f"Mean pain at {moment}, {arms[1]} less {arms[0]}", results, "pain_difference")


def _share(e: Estimate) -> str:
    n = e.n.arm(str(e.contrast)).cases or e.n.cases
    return f"{percent(e.estimate, n)} ({percent_interval(e.interval.low, e.interval.high, n)})"


def draw(part: pd.DataFrame, ax: Axes, *, arms: tuple[str, ...], share: bool, ticks: int = 4) -> None:
    """One question: its dots with intervals on a small axis, zero and the difference that matters marked."""
    ax.axvline(0, color=INK, linewidth=1.1, zorder=0, clip_on=False)
    for y, row in zip(np.arange(len(part))[::-1], rows_of(part, _Row), strict=True):
        if pd.isna(row.estimate):
            continue
        look = look_of(str(row.arm), arms)
        ax.hlines(y, row.low, row.high, color=look.colour, linewidth=1.8, linestyle=look.line, zorder=2)
        ax.plot(
            row.estimate, y, look.marker, color=look.colour, markerfacecolor=look.face, markersize=6.5,
            markeredgewidth=1.4, zorder=3, clip_on=False,
        )  # fmt: skip
    matters = part["matters"].dropna()
    if len(matters):
        ax.axvline(float(matters.iloc[0]), color=SECONDARY, linewidth=1.1, linestyle=(0, (1, 1.6)), zorder=1)
        ax.annotate(
            "matters", (float(matters.iloc[0]), 1), xycoords=("data", "axes fraction"), xytext=(0, 2),
            textcoords="offset points", ha="center", va="bottom", fontsize=8, color=SECONDARY,
        )  # fmt: skip
    ax.set(xlim=_span(part, share=share), ylim=(-0.7, len(part) - 0.3), yticks=[])
    ax.spines["left"].set_visible(False)
    ax.locator_params(axis="x", nbins=ticks)
    if share:
        ax.xaxis.set_major_formatter(lambda v, _: f"{v:g}{THIN}%")
    else:
        ax.xaxis.set_major_formatter(lambda v, _: f"{v:g}".replace("-", MINUS))


def _span(part: pd.DataFrame, *, share: bool) -> tuple[float, float]:
    if share:
        top = float(np.nanmax([20.0, *part["high"].dropna()]))
        return 0.0, min(100.0, 10 * np.ceil(top / 10))
    reach = [0.0, *part["low"].dropna(), *part["high"].dropna(), *part["matters"].dropna()]
    pad = 0.12 * (max(reach) - min(reach) or 1.0)
    return min(reach) - pad, max(reach) + pad


def alt_text(frame: pd.DataFrame, labels: dict[str, str]) -> str:
    """What the figure shows, in words."""
    parts = []
    for question, part in frame.groupby("question", sort=False):
        if (part["reason"] != "").all():
            parts.append(f"{question}: no answer, {part['reason'].iloc[0]}")
            continue
        told = [row.number or f"no answer, {row.reason}" for row in rows_of(part, _Row)]
        names = [labels[str(arm)] for arm in part["arm"]]
        both = [f"{n} {t}" if len(part) > 1 else t for n, t in zip(names, told, strict=True)]
        parts.append(f"{question}: {', '.join(both)}")
    return ". ".join(parts).replace(MINUS, "minus ").replace(THIN, " ") + "."


def draw_figure(results: StudyResults, *, name: str, title: str) -> Drawing:
    """The four figures."""
    frame = data_for(results)
    arms = results.protocol.arm_codes
    labels = {code: results.protocol.label(code) for code in arms}
    alt = alt_text(frame, labels)
    parts = [frame[frame["row"] == row].reset_index(drop=True) for row in ROWS if (frame["row"] == row).any()]

    def paint(ids: str, narrow: bool) -> str:
        place = SCREEN if narrow else PAGE
        heights = [place.height_of(part) for part in parts]
        with canvas(place.width, sum(heights)) as figure:
            top = sum(heights)
            for number, (part, height) in enumerate(zip(parts, heights, strict=True)):
                if number:
                    _rule(figure, top)
                _question(figure, part, place, top, arms, labels)
                top -= height
            return to_svg(figure, ids, title, alt)

    return drawing(paint, name, alt)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where things stand, in inches; ``above`` is the room over the dots, where a narrow figure asks the question."""

    width: float
    axis_left: float
    axis_width: float
    number_left: float
    above: float
    question_wrap: int
    reason_wrap: int
    beside: bool

    def height_of(self, part: pd.DataFrame) -> float:
        """Height of one question."""
        return self.above + PER_DOT * len(part) + TICKS


PER_DOT, TICKS = 0.185, 0.27
PAGE = _Place(
    width=WIDE, axis_left=2.65, axis_width=2.2, number_left=5.02, above=0.16, question_wrap=28, reason_wrap=58,
    beside=True,
)  # fmt: skip
SCREEN = _Place(
    width=NARROW, axis_left=0.96, axis_width=0.84, number_left=1.89, above=0.46, question_wrap=60, reason_wrap=46,
    beside=False,
)  # fmt: skip


def _question(
    figure: Figure, part: pd.DataFrame, place: _Place, top: float, arms: tuple[str, ...], labels: dict[str, str]
) -> None:
    """One question with its words, dots and numbers."""
    height = PER_DOT * len(part)
    bottom = top - place.above - height
    middle = bottom + height / 2
    question = textwrap.fill(part["question"].iloc[0], place.question_wrap)
    say(figure, 0, middle if place.beside else top - 0.17, question, linespacing=1.25)
    if (part["reason"] != "").all():
        text = textwrap.fill(f"No answer: {part['reason'].iloc[0]}.", place.reason_wrap)
        left = place.axis_left if place.beside else 0
        say(figure, left, middle, text, fontsize=8, color=SECONDARY, linespacing=1.25)
        return
    ax = axes_at(figure, place.axis_left, bottom, place.axis_width, height)
    share = part["row"].iloc[0] in SHARES
    draw(part, ax, arms=arms, share=share, ticks=4 if place.beside else 2)
    for number, row in enumerate(rows_of(part, _Row)):
        y = bottom + height * (len(part) - number - 0.5) / len(part)
        if share:
            colour = look_of(str(row.arm), arms).colour
            style = {"color": colour, "weight": "bold", "ha": "right" if place.beside else "left"}
            say(figure, place.axis_left - 0.12 if place.beside else 0, y, labels[str(row.arm)], **style)
        text = row.number or textwrap.shorten(f"no answer: {row.reason}", 34, placeholder=" …")
        say(figure, place.number_left, y, text, fontsize=8.5)


def _rule(figure: Figure, y: float) -> None:
    from matplotlib.lines import Line2D

    height = figure.get_size_inches()[1]
    line = Line2D([0, 1], [y / height, y / height], transform=figure.transFigure, color=HAIRLINE, linewidth=0.6)
    figure.add_artist(line)
