"""Where an estimator finds that the data do not decide, the plan goes on with a result that says so."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Counts, EstimateLike, NotAvailable

T = TypeVar("T")


def attempt(
    estimate: Callable[[], T], *, quantity: str, contrast: str | None, unit: str, method: str, n: Counts, level: float
) -> T | NotAvailable:
    """Result of ``estimate``, or the ``NotAvailable`` that takes its place with the reason and any bound."""
    try:
        return estimate()
    except NotEstimable as error:
        asked = NotEstimable(quantity, error.reason, code=error.code, bound=error.bound)
        return NotAvailable.because(asked, contrast=contrast, unit=unit, method=method, n=n, level=level)


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
