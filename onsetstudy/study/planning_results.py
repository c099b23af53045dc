"""What a planning report needs."""

from __future__ import annotations

from onsetstudy.core.serialise import result_kind
from onsetstudy.design.size_results import Pace, SampleSize

__all__ = ["Needed", "NotSized", "PowerPoint", "Question"]


@result_kind("power_point")
class PowerPoint:
    """Power of the primary outcome's test at one size and effect.

    By the formula, and by simulation (with its error) where it was simulated: both are of ``test``. ``effect`` is a
    hazard ratio, or a difference in the unit of the outcome.
    """

    test: str
    effect: float
    cases: int
    formula: float
    simulated: float | None = None
    mc_error: float | None = None


@result_kind("planning_question")
class Question:
    """One outcome: the size it asks for and how long that takes."""

    outcome: str
    size: SampleSize
    pace: Pace


@result_kind("not_sized")
class NotSized:
    """An outcome that no size is given for, and why, as a sentence."""

    outcome: str
    reason: str


@result_kind("needed_cases")
class Needed:
    """Cases for the planned power of ``test``, by simulation: analysed, two Monte Carlo errors, to include."""

    test: str
    analysed: int
    two_errors: int
    included: int
    pace: Pace
