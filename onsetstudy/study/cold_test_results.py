"""What onset would be if a cold test errs: a grid of sensitivity and specificity."""

from __future__ import annotations

from onsetstudy.core.results import EstimateLike
from onsetstudy.core.serialise import result_kind

__all__ = ["ColdTestErrors", "ErrorRow"]


@result_kind("error_row")
class ErrorRow:
    """Onset under one sensitivity and specificity.

    ``numb`` is the least and largest proportion numb by the target of each arm, reference first; ``wait`` the
    restricted mean time to onset of each, minutes; both empty with the ``reason``. ``difference`` is the wait of the
    other arm less that of the reference arm. ``from_control``: the specificity is that of the control teeth.
    ``numb_limits`` and ``difference_limits`` are profile likelihood limits of these; the former hold both bounds.
    """

    sensitivity: float
    specificity: float
    numb: tuple[tuple[float, float], ...] = ()
    wait: tuple[float, ...] = ()
    difference: float | None = None
    reason: str = ""
    from_control: bool = False
    numb_limits: tuple[tuple[float, float], ...] = ()
    difference_limits: tuple[float, float] | None = None


@result_kind("cold_test_errors")
class ColdTestErrors:
    """The grid, and how often control teeth, which are not numb, were said not to feel.

    ``false_not_felt`` is that proportion of the ``control_tests``; ``None`` where no control tooth was recorded.
    ``conf_level`` is of the limits of the rows. ``from_intervals``: of counted onset intervals, as a group has them,
    not of every single test.
    """

    rows: tuple[ErrorRow, ...]
    control_tests: int = 0
    false_not_felt: EstimateLike | None = None
    conf_level: float = 0.95
    from_intervals: bool = False
