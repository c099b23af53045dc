"""Numbers as readers see them: true minus, thin space before per cent, no digits that mean nothing."""

from __future__ import annotations

import math

__all__ = ["decimal", "interval", "p_text", "percent", "percent_interval", "signed"]

MINUS, THIN = "\u2212", "\u2009"


def decimal(value: float, places: int = 1) -> str:
    """A number with a true minus; never a negative nought."""
    if math.isinf(value):
        return f"{MINUS if value < 0 else ''}∞"
    text = f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def signed(value: float, places: int = 1) -> str:
    """A number with its sign."""
    text = decimal(value, places)
    return text if text.startswith(MINUS) or float(text) == 0 else f"+{text}"


def interval(low: float, high: float, places: int = 1) -> str:
    """``0.4 to 2.1``."""
    return f"{decimal(low, places)} to {decimal(high, places)}"


def percent(share: float, n: int) -> str:
    """A share as per cent; decimals only from a thousand cases on."""
    places = 1 if n >= 1000 else 0
    return f"{decimal(100 * share, places)}{THIN}%"


def percent_interval(low: float, high: float, n: int) -> str:
    """``14 to 25 %``."""
    places = 1 if n >= 1000 else 0
    return f"{decimal(100 * low, places)} to {decimal(100 * high, places)}{THIN}%"


def p_text(p: float) -> str:
    """Two significant digits, ``< 0.001`` at the smallest."""
    if p < 0.001:
        return "< 0.001"
    return f"{p:.2g}" if p < 0.1 else f"{p:.2f}"
