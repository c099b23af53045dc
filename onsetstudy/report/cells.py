"""Estimates as text: a number with its interval, or what stands in its place."""

from __future__ import annotations

import re
from collections.abc import Iterable

from onsetstudy.core.quantities import places_for
from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.report.numbers import decimal, interval, level, percent, percent_interval, ratio, tidy

NONE = "–"
"""Stands for a number that there is none of."""


def whole(text: str) -> str:
    """A cell that breaks before its bracket, if at all."""
    return re.sub(r" (?=(of|to|SD)\b)|(?<=\b(of|to|SD)) ", "\u00a0", text)


def reason_of(e: NotAvailable) -> str:
    """Why there is no estimate, as the end of a sentence."""
    return tidy(e.reason.strip().rstrip("."))


def reasons_of(estimates: Iterable[object]) -> list[str]:
    """Why some have no estimate, each reason once, as notes that begin with the dash."""
    return [f"{NONE}: {why}." for why in dict.fromkeys(reason_of(e) for e in estimates if isinstance(e, NotAvailable))]


def spanned(value: float, low: float, high: float, places: int = 1, *, unit: str = "") -> str:
    """``1.3 (0.4 to 2.1)``; a ratio by the rule of ratios."""
    shown = ratio if unit == "ratio" else decimal
    return f"{shown(value, places)} ({interval(low, high, places, shown)})"


def level_of(estimates: Iterable[object]) -> str:
    """The confidence level of the first that there is an estimate of, 95 % if of none."""
    return level(next((e.interval.level for e in estimates if isinstance(e, Estimate)), 0.95))


def value_text(e: EstimateLike, places: int = 1, *, factor: float = 1.0, missing: str | None = NONE) -> str:
    """An estimate times ``factor`` with its interval; ``missing`` (its reason, if that is None) where there is none."""
    if isinstance(e, NotAvailable):
        return reason_of(e) if missing is None else missing
    return spanned(factor * e.estimate, *_ends(e, factor), places, unit=e.unit)


def near_text(e: EstimateLike, *, base: int = 1) -> str:
    """The same with the fewest decimals, from ``base``, that keep it and its limits apart from no difference."""
    places = 0 if isinstance(e, NotAvailable) else places_for((e.estimate, *_ends(e, 1.0)), base=base)
    return value_text(e, places)


def _ends(e: Estimate, factor: float) -> tuple[float, float]:
    low, high = sorted((factor * e.interval.low, factor * e.interval.high))
    return low, high


def two_cells(e: EstimateLike, *, unit: str = "", factor: float = 1.0) -> tuple[str, str]:
    """An estimate times ``factor`` and its interval apart, or why there is none."""
    if isinstance(e, NotAvailable):
        return "not known", reason_of(e)
    return f"{decimal(factor * e.estimate)}{unit}", limits_cell(*_ends(e, factor))


def limits_cell(low: float, high: float, places: int = 1) -> str:
    """``0.4 to 2.1``; an interval of one number is none."""
    return "none: no value varies" if low == high else interval(low, high, places)


def share_text(e: EstimateLike, n: int | None = None) -> str:
    """A proportion as per cent, of ``n`` cases (of those of its arm, if not given), with its interval."""
    if isinstance(e, NotAvailable):
        return NONE
    n = n or e.n.arm(str(e.contrast)).cases or e.n.cases
    return f"{percent(e.estimate, n)} ({share_limits(e, n)})"


def share_limits(e: Estimate, n: int) -> str:
    """The interval of a proportion of ``n`` cases."""
    return percent_interval(e.interval.low, e.interval.high, n)


def mean_text(mean: float | None, sd: float | None, known: int, of: int, places: int = 1) -> str:
    """``4.2 (SD 1.1), 18 of 20``: a mean, its spread, and how many cases have it."""
    value = NONE if mean is None else decimal(mean, places)
    spread = "" if sd is None else f" (SD {decimal(sd, places)})"
    return whole(f"{value}{spread}, {known} of {of}")
