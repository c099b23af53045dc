"""Where an estimator finds that the data do not decide, the plan goes on with a result that says so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Counts, EstimateLike, Interval, NotAvailable

T = TypeVar("T")


def attempt(
    estimate: Callable[[], T], *, quantity: str, contrast: str | None, unit: str, method: str, n: Counts, level: float
) -> T | NotAvailable:
    """Result of ``estimate``, or the ``NotAvailable`` that takes its place with the reason and any bound."""
    try:
        return estimate()
    except NotEstimable as error:
        found = not_asked(quantity, error.reason, code=error.code, contrast=contrast, unit=unit, n=n, method=method)
        if error.bound is None:
            return found
        low, high = error.bound
        return replace(found, bound=Interval(low=low, high=high, level=level, method="one-sided bound"))


def not_asked(
    quantity: str, reason: str, *, code: str, contrast: str | None, unit: str, n: Counts, method: str = ""
) -> NotAvailable:
    """A quantity that is not computed for this set of cases, and why."""
    return NotAvailable(quantity=quantity, contrast=contrast, code=code, reason=reason, unit=unit, method=method, n=n)


def without_number(answer: EstimateLike, code: str, reason: str) -> NotAvailable:
    """An answer that may not be told, and why."""
    return not_asked(
        answer.quantity, reason, code=code, contrast=answer.contrast, unit=answer.unit, n=answer.n, method=answer.method
    )
