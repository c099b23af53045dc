"""What matters at a glance: four figures, each a dot with its interval on a small axis, the number beside it."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace

from onsetstudy.core.claims import within_patients
from onsetstudy.core.results import EstimateLike, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import reason_of, share_text
from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import INK, SECONDARY, Drawing, Sheet, look_of
from onsetstudy.report.numbers import THIN
from onsetstudy.report.sentences import short_value
from onsetstudy.study.practice.results import StudyResults

SHARES = ("treatment", "success", "never")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """One dot of a question; where there is no estimate, ``reason`` says why."""

    row: str
    question: str
    arm: str
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    number: str = ""
    matters: float | None = None
    reason: str = ""


def data_for(results: StudyResults) -> list[Dot]:
    """The dots, question after question; shares as per cent.

    Minutes saved are positive when the other arm was sooner than the reference.
    """
    protocol, population = results.protocol, results.overall
    target, horizon = protocol.onset.target_min, protocol.onset.tau_min
    moment = protocol.pain.moment if protocol.pain else "the injection"
    arms = [protocol.label(code) for code in protocol.arm_codes]
    dots = [
        *_share_dots("success", f"Numb by {target:g} min", population.success, protocol),
        _claim_dot("wait", f"Minutes of waiting saved, up to {horizon:g}", results, "rmst_difference"),
        *_share_dots("never", f"Not numb within {horizon:g} min", population.never_numb, protocol),
        _claim_dot("pain", f"Mean pain at {moment}, {arms[1]} less {arms[0]}", results, "pain_difference"),
    ]
    if protocol.plan.primary == "treatment_success_difference":
        dots = [*_share_dots("treatment", "Successful treatments", population.treatment, protocol), *dots]
    return dots


def _share_dots(row: str, question: str, estimates: tuple[EstimateLike, ...], protocol: Protocol) -> list[Dot]:
    dots, alone = [], any(not isinstance(e, NotAvailable) for e in estimates)
    for arm, e in zip(protocol.arm_codes, estimates, strict=False):
        dot = Dot(row=row, question=question, arm=arm)
        if isinstance(e, NotAvailable):
            # Beside the other arm its name says which; a whole reason has no room there.
            dots.append(replace(dot, reason="no case" if alone and e.code == "arm_missing" else reason_of(e)))
        else:
            value, low, high = (100 * v for v in (e.estimate, e.interval.low, e.interval.high))
            dots.append(replace(dot, estimate=value, low=low, high=high, number=share_text(e)))
    return dots


def _claim_dot(row: str, question: str, results: StudyResults, key: str) -> Dot:
    """A comparison as its claim has it, the difference that matters on the better side."""
    dot = Dot(row=row, question=question, arm=results.protocol.contrast_arm)
    claim = results.claims.get(key)
    if claim is None:
        return replace(dot, reason="it was not compared")
    if isinstance(claim.answer, NotAvailable):
        return replace(dot, reason=reason_of(claim.answer))
    if within_patients(claim.answer):
        dot = replace(dot, question=f"{question}, within patients")
    seen, matters = claim.seen, claim.matters_at
    assert seen is not None
    return replace(dot, estimate=seen.value, low=seen.low, high=seen.high, number=short_value(claim), matters=matters)


def draw(part: Sequence[Dot], ax: canvas.Axes, *, arms: tuple[str, ...], share: bool, ticks: int = 4) -> None:
    """One question: its dots with intervals on a small axis, zero and the difference that matters marked.

    The line of an interval without an end, as a very early analysis has, goes on to the edge.
    """
    left, right = _span(part, share=share)
    ax.axvline(0, color=INK, linewidth=1.1, zorder=0, clip_on=False)
    for y, dot in zip(range(len(part))[::-1], part, strict=True):
        if dot.estimate is None or dot.low is None or dot.high is None:
            continue
        look, ends = look_of(dot.arm, arms), (max(dot.low, left), min(dot.high, right))
        ax.hlines(y, *ends, color=look.colour, linewidth=1.8, linestyle=look.line, zorder=2)
        look.dots(ax, dot.estimate, y, size=6.5, edge=1.4, zorder=3, clip_on=False)
    for dot in part:
        if dot.matters is not None:
            canvas.difference_that_matters(ax, dot.matters, linewidth=1.1, zorder=1)
    ax.set(xlim=(left, right), ylim=(-0.7, len(part) - 0.3))
    canvas.bare_left(ax)
    ax.locator_params(axis="x", nbins=ticks)
    canvas.signed(ax.xaxis)
    if share:
        ax.xaxis.set_major_formatter(lambda v, _: f"{v:g}{THIN}%")


def _span(part: Sequence[Dot], *, share: bool) -> tuple[float, float]:
    reach = [v for dot in part for v in (dot.low, dot.high, dot.matters) if v is not None]
    if share:
        return 0.0, min(100.0, 10.0 * math.ceil(max([20.0, *reach]) / 10))
    return canvas.around_none(reach, 0.12)


def _questions(dots: Sequence[Dot]) -> list[list[Dot]]:
    return [[dot for dot in dots if dot.row == row] for row in dict.fromkeys(dot.row for dot in dots)]


def alt_text(dots: Sequence[Dot], labels: dict[str, str]) -> str:
    """What the figure shows, in words."""
    parts = []
    for part in _questions(dots):
        told = [dot.number or f"no answer, {dot.reason}" for dot in part]
        if all(dot.reason for dot in part):
            told = told[:1]
        elif len(part) > 1:
            told = [f"{labels[dot.arm]} {text}" for dot, text in zip(part, told, strict=True)]
        parts.append(f"{part[0].question}: {', '.join(told)}")
    return canvas.in_words(". ".join(parts)) + "."


def draw_figure(results: StudyResults) -> Drawing:
    """The four figures."""
    dots, protocol = data_for(results), results.protocol
    parts = _questions(dots)

    def height(narrow: bool) -> float:
        return sum((SCREEN if narrow else PAGE).height_of(part) for part in parts)

    def fill(sheet: Sheet) -> None:
        place, top = SCREEN if sheet.narrow else PAGE, height(sheet.narrow)
        told = (dot for part in parts for dot in part if not _untold(part))
        place = place.with_room_for(sheet, [place.beside_of(dot) for dot in told])
        for number, part in enumerate(parts):
            if number:
                _rule(sheet, top)
            _question(sheet, part, place, top, protocol)
            top -= place.height_of(part)

    labels = {code: protocol.label(code) for code in protocol.arm_codes}
    return Drawing(alt_text(dots, labels), height=height, fill=fill)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where things stand, in inches; ``above`` is the room over the dots, where a narrow figure asks the question."""

    axis_left: float
    axis_width: float
    number_left: float
    above: float
    question_wrap: int
    reason_wrap: int
    untold: int
    beside: bool

    def height_of(self, part: Sequence[Dot]) -> float:
        """Height of one question."""
        return self.above + PER_DOT * len(part) + TICKS

    def beside_of(self, dot: Dot) -> str:
        """What stands beside a dot, or where it would be."""
        if dot.reason == "no case":
            return dot.reason
        return dot.number or textwrap.shorten(f"no answer: {dot.reason}", self.untold, placeholder=" …")

    def with_room_for(self, sheet: Sheet, numbers: Sequence[str]) -> _Place:
        """The same with an axis as narrow as the widest number asks, within reason."""
        widest = max((sheet.width_of(text, fontsize=NUMBERS) for text in numbers), default=0.0)
        moved = min(max(0.0, self.number_left + widest + MARGIN - sheet.width), self.axis_width / 3)
        return replace(self, axis_width=self.axis_width - moved, number_left=self.number_left - moved)


PER_DOT, TICKS, NUMBERS = 0.185, 0.27, 8.5
GAP, MARGIN = 0.12, 0.04
"""Inches between words, and at the right edge, as a reader's type may run a little wider."""
PAGE = _Place(
    axis_left=2.65,
    axis_width=2.2,
    number_left=5.02,
    above=0.16,
    question_wrap=28,
    reason_wrap=58,
    untold=34,
    beside=True,
)
SCREEN = _Place(
    axis_left=0.96,
    axis_width=0.84,
    number_left=1.89,
    above=0.46,
    question_wrap=60,
    reason_wrap=46,
    untold=24,
    beside=False,
)


def _question(sheet: Sheet, part: Sequence[Dot], place: _Place, top: float, protocol: Protocol) -> None:
    """One question with its words, dots and numbers."""
    height = PER_DOT * len(part)
    bottom = top - place.above - height
    middle = bottom + height / 2
    question = _wrapped(sheet, part[0].question, place)
    sheet.say(0, middle if place.beside else top - 0.17, question, linespacing=1.25)
    if _untold(part):
        text = textwrap.fill(f"No answer: {part[0].reason}.", place.reason_wrap)
        sheet.say(place.axis_left if place.beside else 0, middle, text, fontsize=8, color=SECONDARY, linespacing=1.25)
        return
    share = part[0].row in SHARES
    ax = sheet.axes(place.axis_left, bottom, place.axis_width, height)
    draw(part, ax, arms=protocol.arm_codes, share=share, ticks=4 if place.beside else 2)
    left, align = (place.axis_left - GAP, "right") if place.beside else (0, "left")
    room = left - max(map(sheet.width_of, question.split("\n"))) - GAP if place.beside else place.axis_left - 0.06
    for number, dot in enumerate(part):
        y = bottom + height * (len(part) - number - 0.5) / len(part)
        if share:
            label = sheet.shortened(protocol.label(dot.arm), room, weight="bold")
            sheet.say(left, y, label, color=look_of(dot.arm, protocol.arm_codes).colour, weight="bold", ha=align)
        _number(sheet, place.beside_of(dot), place.number_left, y, alone=len(part) == 1)


def _wrapped(sheet: Sheet, question: str, place: _Place) -> str:
    """A question in as many lines as its place asks for."""
    room = place.axis_left - GAP if place.beside else sheet.width
    wraps = (textwrap.fill(question, most) for most in range(place.question_wrap, 12, -1))
    return next((text for text in wraps if sheet.width_of(text, linespacing=1.25) <= room), question)


def _untold(part: Sequence[Dot]) -> bool:
    """Whether nothing is drawn of a question, so that the reason takes the place of the axis."""
    return all(dot.reason for dot in part)


def _number(sheet: Sheet, text: str, left: float, y: float, *, alone: bool) -> None:
    """The number of a dot, all of it on the sheet: of a dot alone in two lines where one is too long."""
    room, style = sheet.width - left - MARGIN / 2, {"fontsize": NUMBERS}
    if alone and sheet.width_of(text, **style) > room:
        text = text.replace(" (", "\n(", 1)
    else:
        text = sheet.shortened(text, room, **style)
    sheet.say(left, y, text, **style)


def _rule(sheet: Sheet, y: float) -> None:
    from matplotlib.lines import Line2D

    up, across = [y / sheet.figure.get_size_inches()[1]] * 2, sheet.figure.transFigure
    sheet.figure.add_artist(Line2D([0, 1], up, transform=across, color=canvas.HAIRLINE, linewidth=0.6))
