"""Were the arms tested alike? The minutes of each arm's first tests: median and middle half."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from onsetstudy.core.results import NotAvailable
from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import HAIRLINE, ArmLook, Drawing, Sheet, look_of
from onsetstudy.report.numbers import counted, decimal
from onsetstudy.study.practice.results import StudyResults

STEP, FOOT, KEY = 0.3, 0.46, 0.2
LEFT, RIGHT, SAMPLE, GAP, BETWEEN = 0.6, 0.15, 0.25, 0.08, 0.3
APART = 0.14
"""Of a line of the figure, how far an arm stands from its middle."""


class Row(NamedTuple):
    """The minutes of one test of an arm, among the cases that reached it."""

    arm: str
    test: int
    cases: int
    q25_min: float
    median_min: float
    q75_min: float


def data_for(results: StudyResults) -> tuple[Row, ...]:
    """One row per arm and test; none where the arms could not be compared."""
    found = results.diagnostics
    if found is None or isinstance(found.schedule, NotAvailable):
        return ()
    return tuple(Row(*minutes) for minutes in found.schedule.minutes)


def _tests(rows: Sequence[Row]) -> list[int]:
    return sorted({row.test for row in rows})


def draw(rows: Sequence[Row], ax: canvas.Axes, *, arms: Sequence[str]) -> None:
    """One line of the figure per test, the reference arm just above the other."""
    tests = _tests(rows)
    for row in rows:
        look = look_of(row.arm, arms)
        y = len(tests) - 1 - tests.index(row.test) + (APART if row.arm == arms[0] else -APART)
        ax.hlines(y, row.q25_min, row.q75_min, color=look.colour, linewidth=1.8, linestyle=look.line)
        look.dots(ax, row.median_min, y, size=5.5, zorder=3, clip_on=False)
    ax.set(xlim=(0, max(1, math.ceil(max(row.q75_min for row in rows)))), ylim=(-0.5, len(tests) - 0.5))
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.5)
    ax.set_axisbelow(True)
    canvas.bare_left(ax)


def alt_text(rows: Sequence[Row], labels: Mapping[str, str]) -> str:
    """What the figure shows, in words."""
    parts = []
    for test in _tests(rows):
        of_test = {row.arm: row for row in rows if row.test == test}
        told = [
            f"{label} at {decimal(of_test[arm].median_min)} min ({counted(of_test[arm].cases, 'case')})"
            for arm, label in labels.items()
            if arm in of_test
        ]
        parts.append(f"test {test}: {', '.join(told)}")
    return f"Median minutes of the first tests by arm. {'; '.join(parts)}."


def draw_figure(rows: Sequence[Row], labels: Mapping[str, str]) -> Drawing:
    """Minutes of the first tests; ``labels`` has the arms in their order, reference first."""
    tests, arms = _tests(rows), list(labels)
    shown = [arm for arm in arms if any(row.arm == arm for row in rows)]
    tall = STEP * len(tests)

    def fill(sheet: Sheet) -> None:
        ax = sheet.axes(LEFT, FOOT, sheet.width - LEFT - RIGHT, tall)
        draw(rows, ax, arms=arms)
        canvas.named_axes(ax, "minutes after the injection")
        for k, test in enumerate(tests):
            sheet.say(0, FOOT + tall - STEP * (k + 0.5), f"test {test}")
        # On a narrow screen the names of the arms stand one under the other.
        left, room = (0.0, sheet.width) if sheet.narrow else (LEFT, (sheet.width - LEFT) / len(shown) - BETWEEN)
        for k, arm in enumerate(shown):
            up = FOOT + tall + KEY * (len(shown) - k - 0.4 if sheet.narrow else 0.6)
            wide = _name(sheet, ax, look_of(arm, arms), labels[arm], left, up, room)
            left += 0 if sheet.narrow else wide + BETWEEN

    return Drawing(
        alt_text(rows, labels),
        height=lambda narrow: FOOT + tall + KEY * (len(shown) if narrow else 1) + 0.02,
        fill=fill,
    )


def _name(sheet: Sheet, ax: canvas.Axes, look: ArmLook, label: str, left: float, up: float, room: float) -> float:
    """An arm's name behind a sample of its line and marker, as much as there is room for; inches that it takes."""
    ends, inches = [left, left + SAMPLE / 2, left + SAMPLE], sheet.figure.dpi_scale_trans
    ax.plot(ends, [up] * 3, color=look.colour, linewidth=1.8, linestyle=look.line, transform=inches, clip_on=False)
    look.dots(ax, ends[1], up, size=5.5, transform=inches, clip_on=False)
    text = sheet.shortened(label, room - SAMPLE - GAP, weight="bold")
    sheet.say(left + SAMPLE + GAP, up, text, color=look.colour, weight="bold")
    return SAMPLE + GAP + sheet.width_of(text, weight="bold")
