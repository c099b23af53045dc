"""Numbers as readers see them: true minus, thin space before per cent, no digits that mean nothing."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Sequence

from onsetstudy.core.quantities import places_for

# The thin space is the one at which no line breaks.
MINUS, THIN = "\u2212", "\u202f"
FIGURE_SPACE, POINT_SPACE = "\u2007", "\u2008"
UNKNOWN_FROM = 100.0
ORDINALS = ("first", "second", "third", "fourth")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def decimal(value: float, places: int = 1) -> str:
    """A number with a true minus; never a negative nought."""
    if math.isinf(value):
        return f"{MINUS if value < 0 else ''}∞"
    return f"{value:z.{places}f}".replace("-", MINUS)


def ratio(value: float, places: int = 2) -> str:
    """A ratio; beyond a hundredfold either way its digits say no more than that it is not known."""
    if UNKNOWN_FROM < value < math.inf:
        return f"over {UNKNOWN_FROM:g}"
    return decimal(value, places) if value >= 1 / UNKNOWN_FROM else f"under {1 / UNKNOWN_FROM:g}"


def interval(low: float, high: float, places: int = 1, shown: Callable[[float, int], str] = decimal) -> str:
    """``0.4 to 2.1``."""
    return f"{shown(low, places)} to {shown(high, places)}"


def _percent_places(shares: Sequence[float], n: int) -> int:
    """No decimals below a hundred cases; from there on one where a share would seem to be none or all, or with many."""
    if n < 100:
        return 0
    if n >= 1000:
        return 1
    return min(1, places_for([100 * s for s in shares], (0.0, 100.0), base=0))


def percent(share: float, n: int) -> str:
    """A share of ``n`` cases as per cent."""
    return f"{decimal(100 * share, _percent_places([share], n))}{THIN}%"


def percent_interval(low: float, high: float, n: int) -> str:
    """``14 to 25 %``, of ``n`` cases."""
    return f"{interval(100 * low, 100 * high, _percent_places([low, high], n))}{THIN}%"


def level(share: float) -> str:
    """A confidence level: ``95 %``."""
    return f"{100 * share:g}{THIN}%"


def amount(value: float, unit: str) -> str:
    """``10 mm``, ``1 point``: a given amount, with as many digits as it was given."""
    return f"{value:g} {unit.removesuffix('s') if value == 1 else unit}"


def tidy(text: str) -> str:
    """A sentence of another room with the thin space before per cent, the true minus and the arm's shown name.

    Rooms below know the arm by its code; ``plain`` is shown as "not buffered", as the protocol's label is.
    """
    text = re.sub(r"\bplain\b", "not buffered", text)
    text = re.sub(r"(?<=\d) ?%", f"{THIN}%", text)
    return re.sub(r"(?<![\w.])-(?=\d)", MINUS, text)


def p_text(p: float | None) -> str:
    """Two significant digits, ``< 0.001`` at the smallest; a dash where there is none."""
    if p is None:
        return "—"
    if p < 0.001:
        return "< 0.001"
    return f"{p:.2g}" if p < 0.1 else f"{p:.2f}"


def p_equals(p: float) -> str:
    """``= 0.04`` or ``< 0.001``, for behind a p."""
    text = p_text(p)
    return text if text.startswith("<") else f"= {text}"


def uncapital(text: str) -> str:
    """A sentence as a part of another, without the capital at its beginning."""
    return text[:1].lower() + text[1:]


def capital(text: str) -> str:
    """A text with a capital at its beginning."""
    return text[:1].upper() + text[1:]


def counted(n: int, one: str, many: str | None = None) -> str:
    """``1 case``, ``24 cases``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def listed(words: Sequence[str]) -> str:
    """``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def day(iso: str) -> str:
    """``2026-09-30`` as ``30 September 2026``."""
    date = dt.date.fromisoformat(iso)
    return f"{date.day} {MONTHS[date.month - 1]} {date.year}"


def quarter(label: str) -> str:
    """``2026Q3`` as ``third quarter of 2026``."""
    return f"{ORDINALS[int(label[5]) - 1]} quarter of {label[:4]}"


def aligned(cells: Sequence[str]) -> tuple[str, ...]:
    """Numbers padded with spaces as wide as figures, so that their decimal points stand under each other."""
    longest = max((len(cell.partition(".")[2]) for cell in cells if _is_number(cell)), default=0)

    def padded(cell: str) -> str:
        _, point, decimals = cell.partition(".")
        return cell + (POINT_SPACE if longest and not point else "") + FIGURE_SPACE * (longest - len(decimals))

    return tuple(padded(cell) if _is_number(cell) else cell for cell in cells)


def _is_number(cell: str) -> bool:
    return cell.lstrip(MINUS).replace(".", "").isdecimal()
