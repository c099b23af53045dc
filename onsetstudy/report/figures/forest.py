"""Was it the same everywhere? One line per result: a mark, its interval, the number; of groups, or of published trials.

The mark of a group is as large as its information.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from onsetstudy.core.claims import counted_in
from onsetstudy.core.quantities import places_for
from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.outcomes.published_results import ContextPanel, PublishedRange
from onsetstudy.report.cells import reason_of, spanned
from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import INK, NARROW, SECONDARY, ArmLook, Drawing, Sheet
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import UNKNOWN_FROM, capital, counted, decimal, listed

SMALLEST, LARGEST = 3.5, 9.0
STEPS_OF_RATIOS, MOST_TICKS = ((1, 2, 5), (1, 3), (1,)), 6


@dataclass(frozen=True, slots=True)
class Line:
    """One group, or a heading over groups when it has no result; ``whole`` marks all cases together.

    ``outside`` marks a line that stands for no case at all, such as a practice that is not in the study.
    """

    label: str
    result: EstimateLike | None = None
    whole: bool = False
    outside: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What the axis says: its unit, what its left and right mean, and from where on a difference matters.

    ``factor`` -1 turns a difference round, such as minutes waited into minutes saved; ``base`` is the fewest decimals.
    Ratios (``log``) stand by their logarithms, around 1.
    """

    unit: str
    ends: tuple[str, str]
    matters: float | None = None
    factor: float = 1
    base: int = 1
    log: bool = False

    @property
    def null(self) -> float:
        """Place of no difference."""
        return 1.0 if self.log else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A line as it is drawn: a heading, or a name with its number or the reason why there is none.

    ``strong`` lines are bold with a diamond. ``cases`` counts what ``of`` names. ``information`` is one over the
    squared standard error, as a share of the largest among the groups. Published results (not ``ours``) are drawn open,
    those ``pooled`` as squares.
    """

    label: str
    heading: bool = False
    strong: bool = False
    ours: bool = True
    pooled: bool = False
    cases: int | None = None
    of: str = "case"
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    information: float | None = None
    number: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Where things stand, inches; pairs are for a page and for a narrow screen.

    ``counted`` heads the counts; empty: what the first estimate is of.
    """

    axis: tuple[float, float] = (2.75, 2.1)
    cases: float = 2.55
    number: float = 5.05
    step: tuple[float, float] = (0.215, 0.42)
    foot: float = 0.5
    head: tuple[float, float] = (0.2, 0.2)
    counted: str = ""
    uncounted: str = "—"


GROUPS = Columns()
FROM_MEMORY = "†"
TRIALS = Columns(
    axis=(2.55, 2.55),
    cases=2.4,
    number=5.25,
    step=(0.225, 0.4),
    foot=0.52,
    head=(0.22, 0.05),
    counted="patients",
    uncounted="",
)


def numbers(value: float, low: float | None, high: float | None, scale: Scale) -> dict[str, Any]:
    """Fields of a row: an estimate and its limits on the scale, with as many decimals as it asks for, or more."""
    value *= scale.factor
    if low is None or high is None:
        return {"estimate": value, "number": decimal(value, places_for([value], base=scale.base))}
    low, high = sorted((scale.factor * low, scale.factor * high))
    places, unit = places_for((low, high, value), (scale.null,), base=scale.base), "ratio" if scale.log else ""
    return {"estimate": value, "low": low, "high": high, "number": spanned(value, low, high, places, unit=unit)}


def data_for(lines: Sequence[Line], scale: Scale) -> list[Row]:
    """Lines as rows, on the scale of the drawing."""
    known = [1 / e.std_error**2 for line in lines if isinstance(e := line.result, Estimate) and e.std_error]
    rows = []
    for line in lines:
        row, e = _row(line.label, line.result, scale, strong=line.whole), line.result
        if isinstance(e, Estimate):
            information = 1 / e.std_error**2 / max(known) if e.std_error else 0.0
            row = replace(row, cases=None if line.outside else row.cases, information=information)
        rows.append(row)
    # Under a head of patients or scores stands no number of cases.
    head = _counted_in(rows)
    return [row if row.of == head else replace(row, cases=None) for row in rows]


def _counted_in(rows: Sequence[Row]) -> str:
    """What the first estimate is of."""
    return next((row.of for row in rows if row.estimate is not None), "case")


def _row(label: str, e: EstimateLike | None, scale: Scale, *, strong: bool) -> Row:
    if e is None:
        return Row(label=label, strong=strong, heading=True)
    n, of = counted_in(e)
    if isinstance(e, NotAvailable):
        return Row(label=label, strong=strong, cases=n, of=of, reason=reason_of(e))
    told = numbers(e.estimate, e.interval.low, e.interval.high, scale)
    return Row(label=label, strong=strong, cases=n, of=of, **told)


def draw(rows: Sequence[Row], ax: canvas.Axes, *, places: Iterable[float], look: ArmLook, scale: Scale) -> None:
    """Marks and intervals at ``places``, no difference and one that matters marked, both sides named."""
    low, high = _span(rows, scale)
    ax.axvline(scale.null, color=INK, linewidth=1.0, zorder=0)
    if scale.matters is not None:
        canvas.difference_that_matters(ax, scale.matters, linewidth=1.0, zorder=0)
    for y, row in zip(places, rows, strict=True):
        if row.estimate is None:
            continue
        colour = look.colour if row.ours else SECONDARY
        if row.low is not None and row.high is not None:
            width = 2.0 if row.strong else 1.4 if row.ours else 1.2
            ax.hlines(y, max(row.low, low), min(row.high, high), color=colour, linewidth=width, zorder=2)
        size = 6.5 if row.strong else 5.0
        if row.information is not None:
            size = SMALLEST + (LARGEST - SMALLEST) * math.sqrt(row.information)
        marker = "D" if row.strong else "s" if row.pooled else "o"
        face = colour if row.ours else "#ffffff"
        ax.plot(row.estimate, y, marker, color=colour, markerfacecolor=face, markersize=size, zorder=3)
    if scale.log:
        ax.set_xscale("log")
        ladders = [[step * 10.0**tens for tens in range(-2, 3) for step in steps] for steps in STEPS_OF_RATIOS]
        inside = ([tick for tick in ladder if low <= tick <= high] for ladder in ladders)
        ax.set_xticks(next(ticks for ticks in inside if len(ticks) <= MOST_TICKS))
        ax.minorticks_off()
    else:
        ax.locator_params(axis="x", nbins=6)
    ax.set(xlim=(low, high))
    canvas.bare_left(ax)
    canvas.signed(ax.xaxis)
    for place, align, text in ((0.0, "left", f"← {scale.ends[0]}"), (1.0, "right", f"{scale.ends[1]} →")):
        canvas.beside(ax, text, (place, 0), (0, -20), xycoords="axes fraction", ha=align, va="top")


def _span(rows: Sequence[Row], scale: Scale) -> tuple[float, float]:
    """Ends of the axis: all that is drawn, with no difference and one that matters, and a little room."""
    reach = [v for row in rows for v in (row.estimate, row.low, row.high) if v is not None]
    if scale.log:
        # Beyond a hundredfold a ratio is not known, as its number says; its line goes on to the edge.
        known = [min(max(v, 1 / UNKNOWN_FROM), UNKNOWN_FROM) for v in reach]
        return min(0.5, *known) / 1.15, max(2.0, *known) * 1.15
    return canvas.around_none((*reach, scale.matters), 0.08)


def alt_text(rows: Sequence[Row], unit: str, what: str = "One line per group, {}, with interval.") -> str:
    """What the figure shows, in words."""
    told = []
    for row in rows:
        if row.heading:
            told.append(row.label)
            continue
        n = "" if row.cases is None else f", {counted(row.cases, row.of)}"
        said = f"no estimate, {row.reason}" if row.estimate is None else row.number
        bare = "" if row.estimate is None or row.low is not None else ", no interval printed"
        told.append(f"{row.label}{n}: {said}{bare}")
    return canvas.in_words(f"{what.format(unit)} {'; '.join(told)}.")


def draw_figure(
    rows: Sequence[Row], *, scale: Scale, look: ArmLook, columns: Columns = GROUPS, alt: str | None = None
) -> Drawing:
    """The rows with their names at the left and their numbers at the right; ``alt`` where it is not the groups'."""

    def height(narrow: bool) -> float:
        return columns.foot + columns.step[narrow] * len(rows) + columns.head[narrow]

    def fill(sheet: Sheet) -> None:
        step, foot, top = columns.step[sheet.narrow], columns.foot, height(sheet.narrow) - 0.11
        left, width = (0.08, NARROW - 0.16) if sheet.narrow else columns.axis
        ax = sheet.axes(left, foot, width, step * len(rows))
        order = range(len(rows))[::-1]
        draw(rows, ax, places=[k + (0.27 if sheet.narrow else 0.5) for k in order], look=look, scale=scale)
        ax.set_ylim(0, len(rows))
        for row, k in zip(rows, order, strict=True):
            _words(sheet, row, foot + step * (k + 1), step, columns)
        if not sheet.narrow:
            head = columns.counted or f"{_counted_in(rows)}s"
            sheet.say(columns.cases, top, head, ha="right", fontsize=8, color=SECONDARY)
            sheet.say(columns.number, top, scale.unit, fontsize=8, color=SECONDARY)

    alt = alt_text(rows, scale.unit) if alt is None else alt
    return Drawing(alt, height=height, fill=fill)


def _words(sheet: Sheet, row: Row, top: float, step: float, columns: Columns) -> None:
    """Name, count and number of one row: in a line on a page, over its line of the axis on a narrow screen."""
    style: dict[str, Any] = {"bbox": canvas.WHITE} if sheet.narrow else {}
    if row.heading:
        up = top - step + 0.1 if sheet.narrow else top - step / 2 - 0.02
        sheet.say(0, up, row.label, fontsize=8, color=SECONDARY, **style)
        return
    style["weight"] = "bold" if row.strong else "normal"
    number, colour = ("no estimate", SECONDARY) if row.estimate is None else (row.number, INK)
    if sheet.narrow:
        sheet.say(0, top - 0.11, row.label if row.cases is None else f"{row.label}, {row.cases}", **style)
        sheet.say(NARROW, top - 0.11, number, ha="right", color=colour, **style)
        return
    y = top - step / 2
    sheet.say(0.12, y, row.label, **style)
    sheet.say(columns.cases, y, columns.uncounted if row.cases is None else f"{row.cases}", ha="right", **style)
    sheet.say(columns.number, y, number, color=colour, **style)


def reasons(rows: Sequence[Row]) -> str:
    """Why groups have no estimate, as sentences; empty when all have one."""
    whose: dict[str, list[str]] = {}
    for row in rows:
        if row.reason:
            whose.setdefault(row.reason, []).append(row.label)
    return " ".join(f"{listed(labels)}: {why}." for why, labels in whose.items())


def published_rows(panel: ContextPanel, scale: Scale) -> list[Row]:
    """Own and published results on the drawing's scale, one row a line, under the names of their techniques.

    A published line without a printed interval has none here. A technique of which nothing is published is left out.
    """
    rows: list[Row] = []
    for group in panel.groups:
        if not group.drawn:
            continue
        rows.append(Row(label=capital(plain_words(group.technique)), heading=True))
        own = replace(scale, factor=scale.factor * panel.own_factor)
        rows.append(_row("These cases", group.own, own, strong=True))
        rows += [_published(r, scale) for r in group.drawn]
    return rows


def _published(found: PublishedRange, scale: Scale) -> Row:
    shown = found.drawn()
    assert shown is not None, "a group's drawn results have a difference"
    return Row(
        label=found.study + (f" {FROM_MEMORY}" if found.label == "from memory" else ""),
        ours=False,
        pooled=found.evidence == "pooled",
        cases=found.n,
        of="patient",
        **numbers(*shown[:3], scale),
    )


def published_figure(rows: Sequence[Row], *, scale: Scale, look: ArmLook) -> Drawing:
    """Own and published results with their names and numbers, own lines in the colour of the arm."""
    told = alt_text(rows, scale.unit, "One line per result, {}.").replace(f" {FROM_MEMORY}", " (from memory)")
    return draw_figure(rows, scale=scale, look=look, columns=TRIALS, alt=told)
