"""Comparisons in which the injection cannot make a difference, as checks of blinding and of the testing."""

from __future__ import annotations

from onsetstudy.core.results import Estimate, EstimateLike
from onsetstudy.core.serialise import result_kind

__all__ = ["NegativeControl"]


@result_kind("negative_control")
class NegativeControl:
    """One outcome that no injected solution can change.

    ``outcome`` is ``insertion_pain`` (before any drug is given), ``control_tooth`` (outside the numb field, as many
    tests in a row as make an onset) or ``control_single`` (the same, one test). ``difference`` is the other arm minus
    the reference arm: of mean scores, or of the proportion of tests at which the control tooth began not to feel.
    ``arms`` are that proportion in each arm, reference first; empty for scores.
    """

    outcome: str
    difference: EstimateLike
    arms: tuple[EstimateLike, ...] = ()

    @property
    def differs(self) -> bool:
        """Whether the interval excludes no difference."""
        found = self.difference
        return isinstance(found, Estimate) and (found.interval.low > 0 or found.interval.high < 0)
