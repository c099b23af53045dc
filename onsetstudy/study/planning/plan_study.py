"""Before the first case: what the study can and cannot show, and how long it takes."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from scipy import stats

from onsetstudy.core.errors import DesignError, Problem, Where
from onsetstudy.core.results import Caution
from onsetstudy.core.work import Mapper, Progress, serial
from onsetstudy.design.expected_wait import TOLERANCE, ExpectedWait, contradicts, expected_wait, refuse_contradiction
from onsetstudy.design.interim.results import LookPlan
from onsetstudy.design.pace import time_to_answer
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.size_results import OnsetExpectation, SampleSize
from onsetstudy.design.sizes import plan_onset_test, plan_pain, plan_success, plan_wait, size_table
from onsetstudy.design.trials.results import ScheduleComparison, SimulatedPower, TrialScenario
from onsetstudy.design.trials.schedules import compare_schedules
from onsetstudy.design.trials.trial_power import simulate_power
from onsetstudy.protocol.lock_results import ProtocolLock
from onsetstudy.protocol.model import PlanningAssumptions, Protocol
from onsetstudy.study.planning.sizes import (
    frame_of,
    numb_by,
    overall_alpha,
    pair_sizes,
    parallel_sizes,
    superiority_of,
)
from onsetstudy.study.planning_results import Needed, PlanningResults, PowerPoint, Question
from onsetstudy.study.practice.interim import plan_of

__all__ = ["plan_study"]

EFFECTS = (1.2, 1.35, 1.5, 1.75, 2.0)
PARTS = (0.5, 0.75, 1.0, 1.5)
"""Effects of the power curve for differences, as parts of the planned one."""
STEPS = (0.25, 0.5, 0.75, 1.0, 1.5)
POWERS = (0.8, 0.9)
OUTCOME_OF = {
    "hazard_ratio": "onset_test",
    "success_difference": "success",
    "rmst_difference": "wait",
    "pain_difference": "pain",
}
PAIRS_NOT_SIMULATED = (
    "No power by simulation stands here: each patient has both arms, and such trials are not simulated for a plan."
)
NOT_THE_PRIMARY = (
    "No power by simulation stands here: the primary outcome is not simulated, and the power of another test is not "
    "its power."
)
INTERIM_OF_ANOTHER = (
    "No power by simulation stands here: the primary outcome is not simulated together with its interim analyses."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """How much is simulated, and by whom."""

    trials: int
    seed: int
    mapper: Mapper
    progress: Progress | None = None

    def power(self, scenario: TrialScenario) -> SimulatedPower:
        return simulate_power(scenario, trials=self.trials, seed=self.seed, mapper=self.mapper, progress=self.progress)


def plan_study(
    protocol: Protocol,
    *,
    lock: ProtocolLock | None = None,
    trials: int = 1000,
    mapper: Mapper = serial,
    progress: Progress | None = None,
) -> PlanningResults:
    """Sizes, power, schedules, interim analyses and pace from the protocol's assumptions.

    Parameters
    ----------
    protocol : Protocol
        With a table ``[planning]``.
    lock : ProtocolLock or None
        The protocol's lock, if it was locked.
    trials : int
        Simulated trials at each point.
    mapper : Mapper
    progress : callable or None

    Raises
    ------
    DesignError
        If the protocol states no assumptions, or a standard deviation that contradicts its curves. What is locked
        cannot be corrected without an amendment: there the plan takes the spread of the curves and says so instead.
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
    run = _Run(trials=trials, seed=protocol.plan.seed, mapper=mapper, progress=progress)
    expected, paired = _expectation(protocol, assumed), protocol.study.paired
    frame = frame_of(protocol, assumed)
    wait = expected_wait(
        expected, protocol.plan.planned_hazard_ratio, operator_spread=assumed.operator_spread, share=frame.share
    )
    used = protocol.plan.wait_difference_min is not None
    if used and (lock is None or lock.latest.digest != protocol.digest):
        refuse_contradiction(assumed.wait_sd_min, wait)
    sizes, not_sized = (
        pair_sizes(protocol, assumed, expected, wait)
        if paired
        else (parallel_sizes(protocol, assumed, expected, wait), ())
    )
    looks = plan_of(protocol)
    primary = next((s for s in sizes if s.quantity == OUTCOME_OF[protocol.plan.primary]), None)
    why_not = _not_simulated(protocol, looks, primary)
    cases = 0 if paired else _planned_cases(sizes[0], primary, looks)
    scenario = None if paired else _scenario(protocol, assumed, expected, cases, looks)
    simulated = None if why_not else scenario
    return PlanningResults(
        protocol=protocol,
        expected=expected,
        wait=wait,
        questions=tuple(_question(s, assumed, run.seed) for s in sizes),
        not_sized=not_sized,
        table=None
        if paired
        else size_table(
            lambda ratio, power: plan_onset_test(
                hazard_ratio=ratio, power=power, alpha=overall_alpha(protocol), expected=expected, frame=frame
            ),
            effects=sorted({*EFFECTS, protocol.plan.planned_hazard_ratio}),
            powers=POWERS,
        ),
        # As far as the main outcome takes: a figure that ends before it would show no way to the planned power.
        curve=()
        if primary is None or paired
        else _curve(protocol, assumed, expected, wait, simulated, max(cases, round(primary.unrounded)), run),
        planned_effect=None if primary is None or paired else _planned_effect(protocol),
        schedules=None if scenario is None else _compared(protocol, scenario, run),
        looks=looks,
        planned=None if simulated is None else run.power(simulated),
        null=None if simulated is None else run.power(_without_effect(simulated)),
        needed=None if simulated is None else _needed(protocol, assumed, simulated, looks, run),
        not_simulated=why_not,
        trials=trials,
        seed=run.seed,
        caution=_cautions(protocol, assumed, wait if used else None),
    )


def _expectation(protocol: Protocol, assumed: PlanningAssumptions) -> OnsetExpectation:
    return OnsetExpectation(
        median_min=assumed.median_min,
        shape=assumed.shape,
        never_reference=assumed.never_reference,
        never_other=assumed.never_other,
        tau_min=protocol.onset.tau_min,
    )


def _not_simulated(protocol: Protocol, looks: LookPlan | None, primary: SampleSize | None) -> str:
    """Why the power of the primary outcome is not simulated; empty if it is."""
    if protocol.study.paired:
        return PAIRS_NOT_SIMULATED
    if protocol.plan.primary == "hazard_ratio":
        return ""
    if protocol.plan.primary != "success_difference" or primary is None:
        return NOT_THE_PRIMARY
    return "" if looks is None else INTERIM_OF_ANOTHER


def _without_effect(scenario: TrialScenario) -> TrialScenario:
    nothing = replace(scenario.expected, never_other=scenario.expected.never_reference)
    return replace(scenario, hazard_ratio=1.0, expected=nothing)


def _compared(protocol: Protocol, scenario: TrialScenario, run: _Run) -> ScheduleComparison:
    return compare_schedules(
        replace(scenario, looks=(), decision="log_rank"),
        _schedules(protocol),
        trials=run.trials,
        seed=run.seed,
        mapper=run.mapper,
        progress=run.progress,
    )


def _needed(
    protocol: Protocol, assumed: PlanningAssumptions, scenario: TrialScenario, looks: LookPlan | None, run: _Run
) -> Needed:
    """Size with the planned power by simulation: the mean z statistic grows with the root of the cases.

    The formulas take the hazard ratio as the same at all times. Where some teeth never become numb it fades, since
    they are what is left in the end; the simulation knows that and the formulas do not.
    """
    single = run.power(replace(scenario, looks=()))
    alpha, power = overall_alpha(protocol), protocol.plan.planned_power
    # Where there is an effect the z statistic does not spread by 1, least of all with unequal arms: its own spread.
    spread_z = single.mean_z_error * math.sqrt(run.trials - single.without_answer)
    wanted = float(stats.norm.isf(alpha / 2) + spread_z * stats.norm.isf(1 - power))
    inflation = 1.0 if looks is None else looks.inflation
    if not single.mean_z > 2 * single.mean_z_error:
        raise DesignError(
            "simulated trials of the planned size do not see the planned effect at all; plan for more cases"
        )
    analysed = scenario.cases * (wanted / single.mean_z) ** 2 * inflation
    spread = 2 * 2 * analysed * single.mean_z_error / single.mean_z
    included = math.ceil(analysed / (1 - assumed.lost_share))
    return Needed(
        test=single.test,
        analysed=math.ceil(analysed),
        two_errors=math.ceil(spread),
        included=included,
        pace=time_to_answer(
            included, cases_per_month=assumed.cases_per_month, eligible_share=assumed.eligible_share, seed=run.seed
        ),
    )


def _planned_cases(log_rank: SampleSize, primary: SampleSize | None, looks: LookPlan | None) -> int:
    """Analysed cases: of the primary outcome, or of the planned information (from onsets if those are counted)."""
    if looks is None:
        return round((primary or log_rank).unrounded)
    if looks.unit == "cases" or not log_rank.events:
        return round(looks.planned_information)
    return round(looks.planned_information * log_rank.unrounded / log_rank.events)


def _scenario(
    protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation, cases: int, looks: LookPlan | None
) -> TrialScenario:
    ratio = frame_of(protocol, assumed).ratio
    control = protocol.schedule.control_tooth == "required"
    return TrialScenario(
        cases=cases,
        expected=expected,
        hazard_ratio=protocol.plan.planned_hazard_ratio,
        tests_min=protocol.schedule.tests_min,
        confirmations=protocol.onset.confirmations,
        target_min=protocol.onset.target_min,
        missed_share=assumed.missed_share,
        control_failure_share=0.01 if control else 0.0,
        operators=max(2, len(protocol.study.practices)),
        operator_spread=assumed.operator_spread,
        decision="success" if protocol.plan.primary == "success_difference" else "log_rank",
        alpha=overall_alpha(protocol),
        ratio=(int(ratio[0]), int(ratio[1])),
        looks=() if looks is None else tuple((p.fraction, p.upper) for p in looks.looks),
    )


def _question(size: SampleSize, assumed: PlanningAssumptions, seed: int) -> Question:
    pace = time_to_answer(
        size.total, cases_per_month=assumed.cases_per_month, eligible_share=assumed.eligible_share, seed=seed
    )
    return Question(outcome=size.quantity, size=size, pace=pace)


def _planned_effect(protocol: Protocol) -> float | None:
    """The effect that the primary outcome is sized for: a hazard ratio, or a difference in the outcome's unit."""
    plan = protocol.plan
    if plan.primary in ("hazard_ratio", "success_difference"):
        return plan.planned_hazard_ratio
    if plan.primary == "rmst_difference":
        return plan.wait_difference_min
    return protocol.pain.instrument.important_difference if protocol.pain else None


def _power_by_formula(
    protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation, wait: ExpectedWait
) -> Callable[[float, float], SampleSize]:
    """Power of the primary outcome's test for (analysed cases, effect)."""
    frame, alpha, target = frame_of(protocol, assumed), overall_alpha(protocol), protocol.onset.target_min

    def rate(n: float, effect: float) -> SampleSize:
        return plan_onset_test(
            hazard_ratio=effect, cases=frame.inflated(n), power=None, alpha=alpha, expected=expected, frame=frame
        )

    def success(n: float, effect: float) -> SampleSize:
        reference, other = numb_by(expected, target, 1.0, False), numb_by(expected, target, effect, True)
        return plan_success(
            reference=reference, difference=other - reference, cases=frame.inflated(n), power=None, alpha=alpha,
            frame=frame,
        )  # fmt: skip

    def restricted(n: float, effect: float) -> SampleSize:
        return plan_wait(
            sd_min=wait.sd_min, difference_min=effect, cases=frame.inflated(n), power=None, alpha=alpha, frame=frame
        )

    def pain(n: float, effect: float) -> SampleSize:
        chance = superiority_of(effect, assumed.pain_sd or 1.0)
        return plan_pain(superiority=chance, cases=frame.inflated(n), power=None, alpha=alpha, frame=frame)

    return {
        "hazard_ratio": rate,
        "success_difference": success,
        "rmst_difference": restricted,
        "pain_difference": pain,
    }[protocol.plan.primary]


def _curve(
    protocol: Protocol,
    assumed: PlanningAssumptions,
    expected: OnsetExpectation,
    wait: ExpectedWait,
    simulated: TrialScenario | None,
    cases: int,
    run: _Run,
) -> tuple[PowerPoint, ...]:
    """Power of the primary outcome's test: by formula over a grid, by simulation for the planned effect if it can."""
    planned = _planned_effect(protocol) or 0.0
    ratios = protocol.plan.primary in ("hazard_ratio", "success_difference")
    effects = sorted({*EFFECTS[:-1], planned} if ratios else {part * planned for part in PARTS})
    by_formula = _power_by_formula(protocol, assumed, expected, wait)
    points = []
    for effect in effects:
        for n in sorted({max(20, 2 * round(cases * step / 2)) for step in STEPS}):
            formula, found = by_formula(n, effect), None
            if simulated is not None and effect == planned:
                found = run.power(replace(simulated, cases=n, looks=()))
            points.append(
                PowerPoint(
                    test=formula.test,
                    effect=effect,
                    cases=n,
                    formula=formula.power,
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


def _cautions(protocol: Protocol, assumed: PlanningAssumptions, wait: ExpectedWait | None) -> tuple[Caution, ...]:
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
    return (
        *_contradiction(protocol, assumed, wait),
        *implausible("hazard_ratio", protocol.plan.planned_hazard_ratio),
        *found,
    )


def _contradiction(protocol: Protocol, assumed: PlanningAssumptions, wait: ExpectedWait | None) -> tuple[Caution, ...]:
    """What a locked protocol's standard deviation would have promised, beside what the curves say."""
    difference = protocol.plan.wait_difference_min
    if wait is None or difference is None or not contradicts(assumed.wait_sd_min, wait):
        return ()
    text = (
        f"The locked protocol contradicts itself: it states a standard deviation of {assumed.wait_sd_min:g} min for "
        f"the restricted mean time to onset, up to {wait.tau_min:g} minutes, while its own curves spread that time by "
        f"{wait.sd_min:.2g} min (more than {TOLERANCE:.0%} apart). Sizes here take the spread of the curves"
    )
    if not protocol.study.paired:
        frame, alpha, power = frame_of(protocol, assumed), overall_alpha(protocol), protocol.plan.planned_power
        stated = plan_wait(sd_min=assumed.wait_sd_min, difference_min=difference, power=power, alpha=alpha, frame=frame)
        true = plan_wait(
            sd_min=wait.sd_min, difference_min=difference, cases=stated.total, power=None, alpha=alpha, frame=frame
        )
        text += (
            f"; the {stated.total} cases that the stated one asks for have a power of {true.power:.0%}, not "
            f"{power:.0%}, in the {true.test}"
        )
    text += ". Amend the protocol."
    return (Caution(code="spread_contradicts_curve", text=text),)
