"""What a planning report needs."""

from __future__ import annotations

from dataclasses import dataclass

from onsetstudy.core.results import Caution
from onsetstudy.core.serialise import result_kind
from onsetstudy.design.looks_results import LookPlan
from onsetstudy.design.size_results import OnsetExpectation, SampleSize, SizeTable
from onsetstudy.design.trial_results import Pace, ScheduleComparison, SimulatedPower
from onsetstudy.protocol.model import Protocol

__all__ = ["Needed", "PlanningResults", "PowerPoint", "Question"]


@result_kind("power_point")
@dataclass(frozen=True, slots=True, kw_only=True)
class PowerPoint:
    """Power at one size and effect, by the formula and by simulation (with its error), where it was simulated."""

    hazard_ratio: float
    cases: int
    formula: float
    simulated: float | None = None
    mc_error: float | None = None


@result_kind("planning_question")
@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One outcome: the size it asks for and how long that takes."""

    outcome: str
    size: SampleSize
    pace: Pace


@result_kind("needed_cases")
@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """Cases that the planned power takes, by simulation: analysed, with two Monte Carlo errors, and to include."""

    analysed: int
    two_errors: int
    included: int
    pace: Pace


@result_kind("planning_results")
@dataclass(frozen=True, slots=True, kw_only=True)
class PlanningResults:
    """Everything before the first case.

    ``planned`` is the planned size with looks through the simulation, ``null`` the same without an effect. ``needed``
    is what the planned power takes by the simulation.
    """

    protocol: Protocol
    expected: OnsetExpectation
    questions: tuple[Question, ...]
    table: SizeTable
    curve: tuple[PowerPoint, ...]
    schedules: ScheduleComparison
    looks: LookPlan | None
    planned: SimulatedPower
    null: SimulatedPower
    needed: Needed
    trials: int
    seed: int
    caution: tuple[Caution, ...] = ()
