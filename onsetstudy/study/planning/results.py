"""Everything that a plan tells, and its claims: every size and power, each with the test that it is of.

Page 1, the tables, the terminal and the file draw from the claims; what leads is the size of the main outcome.
"""

from __future__ import annotations

import dataclasses

from onsetstudy.core.claims import PlanClaim
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Caution
from onsetstudy.core.serialise import result_kind
from onsetstudy.design.expected_wait import ExpectedWait
from onsetstudy.design.interim.results import LookPlan
from onsetstudy.design.precision import ExpectedPrecision
from onsetstudy.design.size_results import OnsetExpectation, Pace, SampleSize, SizeTable
from onsetstudy.design.trials.results import ScheduleComparison, SimulatedPower
from onsetstudy.protocol.guided.expected import placeholders
from onsetstudy.protocol.model import Protocol

OUTCOME_OF = {
    "hazard_ratio": "onset_test",
    "success_difference": "success",
    "rmst_difference": "wait",
    "pain_difference": "pain",
    "treatment_success_difference": "treatment",
}
"""Outcome of the sizes that each primary quantity asks for."""
QUANTITY_OF = {
    **{outcome: quantity for quantity, outcome in OUTCOME_OF.items()},
    "pain_ranks": "pain_shift",
    "paired_success": "success_difference",
    "paired_treatment": "treatment_success_difference",
}
NOT_NAMED = "the protocol does not name what that takes, the difference that matters or its spread"


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

    @property
    def total(self) -> int:
        """Cases to include, as a size by formula names them."""
        return self.included


@result_kind("aim")
class Aim:
    """What the main outcome is planned for: its ``effect``, and what it takes to find that with the planned power.

    ``effect`` is a log ratio or a difference in the outcome's unit, positive where the other arm does better. So many
    of ``unit`` are to be included for the power of ``test``, ``found`` by formula or by simulation: ``None`` where the
    protocol does not say enough. The planned looks take ``looks_more`` times as many in all: 1 where there are none, or
    they are in that number. ``short``: the planned information is too little for that.
    """

    effect: float | None
    included: int | None = None
    unit: str = "cases"
    test: str = ""
    found: str = ""
    looks_more: float = 1.0
    short: bool = False


@result_kind("planning_results")
class PlanningResults:
    """Everything before the first case.

    ``curve`` is the power of the primary outcome's test over sizes, ``planned_effect`` the effect in it that is planned
    for. ``planned`` is the planned information with its interim analyses through the simulation, ``null`` the same
    without an effect: ``None`` where the primary outcome is not simulated, and ``not_simulated`` says why.
    ``needed`` is what the planned power takes by the simulation, for the rate of becoming numb, whose formula does not
    know of teeth that never do; ``short`` where the planned information is too little for the main outcome. ``at_size``
    is the simulated power of the other outcomes at the size by their formula,
    analysed once, and ``corrected`` what the planned power takes by these trials where they call the formula off.
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
    short: bool = False
    at_size: SimulatedPower | None = None
    corrected: Needed | None = None
    not_simulated: str
    trials: int
    seed: int
    caution: tuple[Caution, ...] = ()
    precision: ExpectedPrecision | None = None

    @property
    def placeholders(self) -> tuple[str, ...]:
        """What sizes rest on until the practice has records of its own, as the protocol's sources say."""
        return () if self.protocol.planning is None else placeholders(self.protocol.planning.sources)

    @property
    def claims(self) -> tuple[PlanClaim, ...]:
        """Every size and power that the plan tells, the size of the main outcome first."""
        protocol, unit = self.protocol, "patients" if self.protocol.study.paired else "cases"
        primary = protocol.plan.primary
        sizes = [_size(q, unit) for q in self.questions]
        sizes += [_no_size(n.outcome, QUANTITY_OF[n.outcome], unit, n.reason) for n in self.not_sized]
        main = next((c for c in sizes if c.quantity.key == primary), None)
        if main is None:
            main = _no_size(OUTCOME_OF[primary], primary, unit, NOT_NAMED)
            sizes.append(main)
        # Trials are drawn with their own spread: of an effect with its assumed one, the difference.
        effect = main.effect.partition(", standard")[0]
        powers = {
            "power_at_size": (self.at_size, effect),
            "power_planned": (self.planned, effect),
            "error_planned": (self.null, "no difference"),
        }
        trials, lead = dataclasses.replace(main, power=None, source="", reason=""), main
        simulated = [
            dataclasses.replace(
                trials,
                kind=kind,
                value=power.power,
                low=power.interval.low,
                high=power.interval.high,
                unit="proportion",
                test=power.test,
                cases=power.scenario.cases,
                effect=of,
                method=power.method,
            )
            for kind, (power, of) in powers.items()
            if power is not None
        ]
        if (needed := self.needed) is not None:
            share = needed.included / needed.analysed
            lead = dataclasses.replace(
                trials,
                kind="simulated_size",
                value=needed.included,
                low=share * (needed.analysed - needed.two_errors),
                high=share * (needed.analysed + needed.two_errors),
                test=needed.test,
                cases=needed.analysed,
                power=protocol.plan.planned_power,
                method="simulated trials",
            )
        return (dataclasses.replace(lead, leads=True), *simulated, *(c for c in sizes if c is not lead))


def _no_size(outcome: str, key: str, unit: str, reason: str) -> PlanClaim:
    return PlanClaim(kind="size", outcome=outcome, quantity=quantity_of(key), value=None, unit=unit, reason=reason)


def _size(question: Question, unit: str) -> PlanClaim:
    size = question.size
    return PlanClaim(
        kind="size",
        outcome=question.outcome,
        quantity=quantity_of(QUANTITY_OF[question.outcome]),
        value=size.total,
        unit=unit,
        test=size.test,
        cases=size.analysed,
        power=size.power,
        effect=size.effect_text,
        method=size.method,
        source=size.source,
    )
