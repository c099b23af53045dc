"""Estimates as text: a number with its interval, or what stands in its place."""

from __future__ import annotations

import re
from collections.abc import Iterable

from onsetstudy.core.quantities import Seen
from onsetstudy.core.results import EstimateLike, NotAvailable
from onsetstudy.report.numbers import decimal, interval, percent, percent_interval, places_for, tidy

__all__ = [
    "NONE",
    "points_text",
    "reason_of",
    "reasons_of",
    "share_text",
    "spanned",
    "two_cells",
    "value_text",
    "whole",
]

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


def spanned(value: float, low: float, high: float, places: int = 1) -> str:
    """``1.3 (0.4 to 2.1)``."""
    return f"{decimal(value, places)} ({interval(low, high, places)})"


def value_text(e: EstimateLike, places: int = 1, *, factor: float = 1.0, missing: str | None = NONE) -> str:
    """An estimate times ``factor`` with its interval; ``missing`` (its reason, if that is None) where there is none."""
    if isinstance(e, NotAvailable):
        return e.reason if missing is None else missing
    low, high = sorted((factor * e.interval.low, factor * e.interval.high))
    return spanned(factor * e.estimate, low, high, places)


def two_cells(e: EstimateLike, seen: Seen | None = None, *, unit: str = "") -> tuple[str, str]:
    """An estimate (as ``seen``, where it is shown otherwise) and its interval apart, or why there is none."""
    if isinstance(e, NotAvailable):
        return "not known", e.reason
    value, low, high = (seen.value, seen.low, seen.high) if seen else (e.estimate, e.interval.low, e.interval.high)
    return f"{decimal(value)}{unit}", interval(low, high)


def points_text(e: EstimateLike) -> str:
    """A difference of proportions in percentage points, with no digit too many and none too few."""
    if isinstance(e, NotAvailable):
        return NONE
    low, high, value = (100 * v for v in (e.interval.low, e.interval.high, e.estimate))
    return spanned(value, low, high, places_for((value, low, high), base=0))


def share_text(e: EstimateLike, n: int | None = None, *, missing: str | None = NONE) -> str:
    """A proportion as per cent, of ``n`` cases (of those of its arm, if not given), with its interval."""
    if isinstance(e, NotAvailable):
        return e.reason if missing is None else missing
    n = n or e.n.arm(str(e.contrast)).cases or e.n.cases
    return f"{percent(e.estimate, n)} ({percent_interval(e.interval.low, e.interval.high, n)})"
