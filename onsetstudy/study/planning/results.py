"""Everything that a plan tells."""

from __future__ import annotations

from onsetstudy.core.claims import PlanClaim
from onsetstudy.core.results import Caution
from onsetstudy.core.serialise import result_kind
from onsetstudy.design.expected_wait import ExpectedWait
from onsetstudy.design.interim.results import LookPlan
from onsetstudy.design.precision import ExpectedPrecision
from onsetstudy.design.size_results import OnsetExpectation, SizeTable
from onsetstudy.design.trials.results import ScheduleComparison, SimulatedPower
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.planning.claims import plan_claims
from onsetstudy.study.planning_results import Needed, NotSized, PowerPoint, Question

__all__ = ["PlanningResults"]


@result_kind("planning_results")
class PlanningResults:
    """Everything before the first case.

    ``curve`` is the power of the primary outcome's test over sizes, ``planned_effect`` the effect in it that is planned
    for. ``planned`` is the planned information with its interim analyses through the simulation, ``null`` the same
    without an effect: ``None`` where the primary outcome is not simulated, and ``not_simulated`` says why.
    ``needed`` is what the planned power takes by the simulation, for the rate of becoming numb, whose formula does not
    know of teeth that never do; ``at_size`` is the simulated power of the other outcomes at the size by their formula,
    analysed once.
    ``schedules`` is of the log-rank test, whatever is primary. ``wait`` is
    what the expected curves say of the restricted time to onset. ``precision`` is of the planned size, where arms are
    parallel.
    """

    protocol: Protocol
    expected: OnsetExpectation
    wait: ExpectedWait
    questions: tuple[Question, ...]
    not_sized: tuple[NotSized, ...]
    table: SizeTable | None
    curve: tuple[PowerPoint, ...]
    planned_effect: float | None
    schedules: ScheduleComparison | None
    looks: LookPlan | None
    planned: SimulatedPower | None
    null: SimulatedPower | None
    needed: Needed | None
    at_size: SimulatedPower | None = None
    not_simulated: str
    trials: int
    seed: int
    caution: tuple[Caution, ...] = ()
    precision: ExpectedPrecision | None = None

    @property
    def claims(self) -> tuple[PlanClaim, ...]:
        """Every size and power that the plan tells, the size of the main outcome first."""
        return plan_claims(self)
