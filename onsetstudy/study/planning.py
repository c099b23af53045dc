"""Before the first case: what the study can and cannot show, and how long it takes."""

from __future__ import annotations

import math
from dataclasses import replace

from scipy import stats

from onsetstudy.core.errors import DesignError, Problem, Where
from onsetstudy.core.results import Caution
from onsetstudy.core.work import Mapper, Progress, serial
from onsetstudy.design.looks_results import LookPlan
from onsetstudy.design.pace import time_to_answer
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.schedules import compare_schedules
from onsetstudy.design.size_results import OnsetExpectation, SampleSize
from onsetstudy.design.sizes import Frame, plan_onset_test, plan_pain, plan_success, plan_wait, size_table
from onsetstudy.design.trial_power import simulate_power
from onsetstudy.design.trial_results import TrialScenario
from onsetstudy.protocol.model import PlanningAssumptions, Protocol
from onsetstudy.study.looks import plan_of
from onsetstudy.study.planning_results import Needed, PlanningResults, PowerPoint, Question

__all__ = ["plan_study"]

EFFECTS = (1.2, 1.35, 1.5, 1.75, 2.0)
STEPS = (0.25, 0.5, 0.75, 1.0, 1.5)
POWERS = (0.8, 0.9)


def plan_study(
    protocol: Protocol, *, trials: int = 1000, mapper: Mapper = serial, progress: Progress | None = None
) -> PlanningResults:
    """Sizes, power, schedules, looks and pace from the protocol's assumptions.

    Parameters
    ----------
    protocol : Protocol
        With a table ``[planning]``.
    trials : int
        Simulated trials at each point.
    mapper : Mapper
    progress : callable or None

    Raises
    ------
    DesignError
        If the protocol states no assumptions.
    """
    assumed = protocol.planning
    if assumed is None:
        raise DesignError(
            Problem(
                what="the protocol states no assumptions to plan with",
                where=Where(key="planning"),
                mend="copy the table [planning] from protocols/mandibular_block_group.toml and change what differs",
                code="planning",
            )
        )
    expected = OnsetExpectation(
        median_min=assumed.median_min,
        shape=assumed.shape,
        never_reference=assumed.never_reference,
        never_other=assumed.never_other,
        horizon_min=protocol.onset.horizon_min,
    )
    frame = _frame(protocol, assumed)
    sizes = _sizes(protocol, assumed, expected, frame)
    looks = plan_of(protocol)
    cases = _planned_cases(protocol, sizes[0], looks)
    scenario = _scenario(protocol, assumed, expected, cases, looks)
    seed = protocol.plan.seed

    planned = simulate_power(scenario, trials=trials, seed=seed, mapper=mapper, progress=progress)
    nothing = replace(expected, never_other=expected.never_reference)
    null = simulate_power(
        replace(scenario, hazard_ratio=1.0, expected=nothing),
        trials=trials,
        seed=seed,
        mapper=mapper,
        progress=progress,
    )
    return PlanningResults(
        protocol=protocol,
        expected=expected,
        questions=tuple(_question(s, assumed, seed) for s in sizes),
        table=size_table(
            lambda ratio, power: plan_onset_test(
                hazard_ratio=ratio, power=power, alpha=_alpha(protocol), expected=expected, frame=frame
            ),
            effects=sorted({*EFFECTS, protocol.plan.planned_hazard_ratio}),
            powers=POWERS,
        ),
        curve=_curve(protocol, expected, frame, scenario, cases, trials, seed, mapper, progress),
        schedules=compare_schedules(
            replace(scenario, looks=()),
            _schedules(protocol),
            trials=trials,
            seed=seed,
            mapper=mapper,
            progress=progress,
        ),
        looks=looks,
        planned=planned,
        null=null,
        needed=_needed(protocol, assumed, scenario, looks, trials, seed, mapper),
        trials=trials,
        seed=seed,
        caution=_cautions(protocol),
    )


def _alpha(protocol: Protocol) -> float:
    return protocol.looks.alpha if protocol.looks else 1 - protocol.plan.conf_level


def _needed(
    protocol: Protocol,
    assumed: PlanningAssumptions,
    scenario: TrialScenario,
    looks: LookPlan | None,
    trials: int,
    seed: int,
    mapper: Mapper,
) -> Needed:
    """Size with the planned power by simulation: the mean score grows with the root of the cases.

    The formulas take the ratio of rates as the same at all times. Where some teeth never become numb it fades, since
    they are what is left in the end; the simulation knows that and the formulas do not.
    """
    single = simulate_power(replace(scenario, looks=()), trials=trials, seed=seed, mapper=mapper)
    alpha, power = _alpha(protocol), protocol.plan.planned_power
    wanted = float(stats.norm.isf(alpha / 2) + stats.norm.isf(1 - power))
    inflation = 1.0 if looks is None else looks.inflation
    if not single.mean_z > 2 * single.mean_z_error:
        raise DesignError(
            "simulated trials of the planned size do not see the planned effect at all; plan for more cases"
        )
    analysed = scenario.cases * (wanted / single.mean_z) ** 2 * inflation
    spread = 2 * 2 * analysed * single.mean_z_error / single.mean_z
    included = math.ceil(analysed / (1 - assumed.lost_share))
    return Needed(
        analysed=math.ceil(analysed),
        two_errors=math.ceil(spread),
        included=included,
        pace=time_to_answer(
            included, cases_per_month=assumed.cases_per_month, eligible_share=assumed.eligible_share, seed=seed
        ),
    )


def _frame(protocol: Protocol, assumed: PlanningAssumptions) -> Frame:
    ratio = protocol.allocation.ratio if protocol.allocation and protocol.allocation.ratio else (1, 1)
    return Frame(ratio=(float(ratio[0]), float(ratio[1])), lost_share=assumed.lost_share)


def _sizes(
    protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation, frame: Frame
) -> list[SampleSize]:
    """The log-rank test first, then every outcome for which the protocol says what matters."""
    power, alpha, ratio = protocol.plan.planned_power, _alpha(protocol), protocol.plan.planned_hazard_ratio
    found = [
        plan_onset_test(hazard_ratio=ratio, power=power, alpha=alpha, expected=expected, formula=formula, frame=frame)
        for formula in ("schoenfeld", "freedman")
    ]
    shares = [_numb_by(expected, protocol.onset.target_min, r, other) for r, other in ((1.0, False), (ratio, True))]
    if shares[0] != shares[1]:
        found.append(
            plan_success(reference=shares[0], difference=shares[1] - shares[0], power=power, alpha=alpha, frame=frame)
        )
    if protocol.plan.wait_difference_min is not None:
        found.append(
            plan_wait(
                sd_min=assumed.wait_sd_min,
                difference_min=protocol.plan.wait_difference_min,
                power=power,
                alpha=alpha,
                frame=frame,
            )
        )
    pain = protocol.pain.instrument.important_difference if protocol.pain else None
    if pain is not None and assumed.pain_sd is not None:
        chance = float(stats.norm.cdf(pain / (assumed.pain_sd * math.sqrt(2))))
        found.append(plan_pain(superiority=chance, power=power, alpha=alpha, frame=frame))
    return found


def _numb_by(expected: OnsetExpectation, minute: float, ratio: float, other: bool) -> float:
    never = expected.never_other if other else expected.never_reference
    hazard = math.log(2) * (minute / expected.median_min) ** expected.shape
    return (1 - never) * -math.expm1(-ratio * hazard)


def _planned_cases(protocol: Protocol, size: SampleSize, looks: LookPlan | None) -> int:
    """Analysed cases at the planned information, from onsets if those are counted."""
    if looks is None:
        return round(size.unrounded)
    if looks.unit == "cases" or not size.events:
        return round(looks.planned_information)
    return round(looks.planned_information * size.unrounded / size.events)


def _scenario(
    protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation, cases: int, looks: LookPlan | None
) -> TrialScenario:
    control = protocol.schedule.control_tooth == "required"
    return TrialScenario(
        cases=cases // 2 if protocol.study.paired else cases,
        expected=expected,
        hazard_ratio=protocol.plan.planned_hazard_ratio,
        tests_min=protocol.schedule.tests_min,
        confirmations=protocol.onset.confirmations,
        target_min=protocol.onset.target_min,
        missed_share=assumed.missed_share,
        control_failure_share=0.01 if control else 0.0,
        operators=max(2, len(protocol.study.practices)),
        operator_spread=assumed.operator_spread,
        patient_spread=assumed.operator_spread if protocol.study.paired else 0.0,
        design="paired" if protocol.study.paired else "parallel",
        alpha=_alpha(protocol),
        looks=() if looks is None else tuple((p.fraction, p.upper) for p in looks.looks),
    )


def _question(size: SampleSize, assumed: PlanningAssumptions, seed: int) -> Question:
    pace = time_to_answer(
        size.total, cases_per_month=assumed.cases_per_month, eligible_share=assumed.eligible_share, seed=seed
    )
    return Question(outcome=size.quantity, size=size, pace=pace)


def _curve(
    protocol: Protocol,
    expected: OnsetExpectation,
    frame: Frame,
    scenario: TrialScenario,
    cases: int,
    trials: int,
    seed: int,
    mapper: Mapper,
    progress: Progress | None,
) -> tuple[PowerPoint, ...]:
    """Formula over a grid of sizes and effects; simulation for the planned effect."""
    sizes = sorted({max(20, 2 * round(cases * step / 2)) for step in STEPS})
    effects = sorted({*EFFECTS[:-1], protocol.plan.planned_hazard_ratio})
    points = []
    for ratio in effects:
        for n in sizes:
            formula = plan_onset_test(
                hazard_ratio=ratio,
                cases=frame.inflated(n),
                power=None,
                alpha=_alpha(protocol),
                expected=expected,
                frame=frame,
            ).power
            found = None
            if ratio == protocol.plan.planned_hazard_ratio:
                this = replace(scenario, cases=n // 2 if scenario.design == "paired" else n, looks=())
                found = simulate_power(this, trials=trials, seed=seed, mapper=mapper, progress=progress)
            points.append(
                PowerPoint(
                    hazard_ratio=ratio,
                    cases=n,
                    formula=formula,
                    simulated=None if found is None else found.power,
                    mc_error=None if found is None else found.mc_error,
                )
            )
    return tuple(points)


def _schedules(protocol: Protocol) -> dict[str, tuple[float, ...]]:
    """The protocol's schedule, every second test of it, one that starts late, and one twice as fine."""
    tests = protocol.schedule.tests_min
    keep = tests[-protocol.onset.confirmations :]
    halved = tuple(sorted({*tests[1::2], *keep}))
    late = tuple(t for t in tests if t >= min(4.0, tests[-1]))
    between = tuple((a + b) / 2 for a, b in zip((0.0, *tests[:-1]), tests, strict=True))
    found = {"as planned": tests, "every second test": halved}
    if tests[0] < late[0] and len(late) >= protocol.onset.confirmations:
        found["first test late"] = late
    found["twice as many tests"] = tuple(sorted({*tests, *between}))
    return found


def _cautions(protocol: Protocol) -> tuple[Caution, ...]:
    texts = [
        (
            "assumptions",
            "These numbers are as good as the assumptions under them. Plan with what trials have found, not with a "
            "demonstration.",
        ),
        ("test_the_tooth", "A plan for a study, not for a patient: test the tooth and ask before every procedure."),
        (
            "ethics",
            "Randomising or allocating by protocol usually makes it research: ask for ethics or institutional advice "
            "and "
            f"follow local rules. Recorded: {protocol.study.ethics_status.rstrip('.')}.",
        ),
    ]
    found = [Caution(code=code, text=text) for code, text in texts]
    return (*implausible("hazard_ratio", protocol.plan.planned_hazard_ratio), *found)
