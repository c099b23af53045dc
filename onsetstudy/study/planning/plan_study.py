"""Before the first case: what the study can and cannot show, and how long it takes."""

from __future__ import annotations

from dataclasses import replace

from onsetstudy.core.errors import DesignError
from onsetstudy.core.parallel import Mapper, Progress, serial
from onsetstudy.core.results import Caution
from onsetstudy.design.accrual import time_to_answer
from onsetstudy.design.expected_wait import TOLERANCE, ExpectedWait, contradicts, refuse_contradiction
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.precision import ExpectedPrecision, expected_precision
from onsetstudy.design.size_results import OnsetExpectation, SampleSize, SizeTable
from onsetstudy.design.sizes.frame import size_table
from onsetstudy.design.sizes.plans import plan_onset_test, plan_wait
from onsetstudy.design.trials.results import ScheduleComparison, TrialScenario
from onsetstudy.design.trials.trial_power import compare_schedules
from onsetstudy.protocol.lock_results import ProtocolLock
from onsetstudy.protocol.model import PlanningAssumptions, Protocol
from onsetstudy.study.planning.interim_plan import plan_of
from onsetstudy.study.planning.power import (
    EFFECTS,
    OUT_OF_REACH,
    TRIALS,
    Run,
    curve_of,
    even,
    needed_of,
    not_simulated,
    of_primary,
    planned_cases,
    planned_effect,
    scenario_of,
    without_effect,
)
from onsetstudy.study.planning.results import PlanningResults
from onsetstudy.study.planning.sizes import (
    OUTCOME_OF,
    expectation_of,
    frame_of,
    numb_by_target,
    overall_alpha,
    pair_sizes,
    parallel_sizes,
    wait_of_curves,
)
from onsetstudy.study.planning_results import Question

__all__ = ["plan_study"]

POWERS = (0.8, 0.9)


def plan_study(
    protocol: Protocol,
    *,
    lock: ProtocolLock | None = None,
    trials: int = TRIALS,
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
    assumed = _assumed(protocol)
    run = Run(trials=trials, seed=protocol.plan.seed, mapper=mapper, progress=progress)
    expected, paired = expectation_of(protocol, assumed), protocol.study.paired
    wait = wait_of_curves(protocol, assumed, expected)
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
    why_not = not_simulated(protocol, primary)
    cases = 0 if paired else planned_cases(sizes[0], primary, looks)
    scenario = None if paired else scenario_of(protocol, assumed, expected, cases, looks)
    simulated = None if why_not or scenario is None else of_primary(protocol, assumed, scenario)
    if simulated is None and not why_not:
        why_not = OUT_OF_REACH
    by_simulation = protocol.plan.primary == "hazard_ratio"
    return PlanningResults(
        protocol=protocol,
        expected=expected,
        wait=wait,
        questions=tuple(_question(s, assumed, run.seed) for s in sizes),
        not_sized=not_sized,
        table=None if paired else _table(protocol, assumed, expected),
        # As far as the main outcome takes: a figure that ends before it would show no way to the planned power.
        curve=()
        if primary is None or paired
        else curve_of(protocol, assumed, expected, wait, simulated, max(cases, round(primary.unrounded)), run),
        planned_effect=None if primary is None or paired else planned_effect(protocol),
        schedules=None if scenario is None else _compared(protocol, scenario, run),
        looks=looks,
        planned=None if simulated is None else run.power(simulated),
        null=None if simulated is None else run.power(without_effect(simulated)),
        needed=needed_of(protocol, assumed, simulated, looks, run) if simulated is not None and by_simulation else None,
        at_size=None
        if simulated is None or primary is None or by_simulation
        else run.power(replace(simulated, cases=even(round(primary.unrounded)), looks=())),
        not_simulated=why_not,
        trials=trials,
        seed=run.seed,
        caution=_cautions(protocol, assumed, wait if used else None),
        precision=None if scenario is None else _precision(protocol, assumed, expected, wait, cases),
    )


def _precision(
    protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation, wait: ExpectedWait, cases: int
) -> ExpectedPrecision:
    return expected_precision(
        cases,
        sd_min=wait.sd_min,
        numb=numb_by_target(protocol, expected),
        share=frame_of(protocol, assumed).share,
        conf_level=protocol.plan.conf_level,
    )


def _assumed(protocol: Protocol) -> PlanningAssumptions:
    assumed = protocol.planning
    if assumed is None:
        raise DesignError.of_key(
            "planning",
            "the protocol states no assumptions to plan with",
            "copy the table [planning] from protocols/mandibular_block_group.toml and change what differs",
        )
    return assumed


def _table(protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation) -> SizeTable:
    """Sizes of the log-rank test over effects and powers."""
    frame, alpha = frame_of(protocol, assumed), overall_alpha(protocol)
    return size_table(
        lambda ratio, power: plan_onset_test(
            hazard_ratio=ratio, power=power, alpha=alpha, expected=expected, frame=frame
        ),
        effects=sorted({*EFFECTS, protocol.plan.planned_hazard_ratio}),
        powers=POWERS,
    )


def _compared(protocol: Protocol, scenario: TrialScenario, run: Run) -> ScheduleComparison:
    return compare_schedules(
        replace(scenario, looks=(), decision="log_rank"),
        _schedules(protocol),
        trials=run.trials,
        seed=run.seed,
        mapper=run.mapper,
        progress=run.progress,
    )


def _question(size: SampleSize, assumed: PlanningAssumptions, seed: int) -> Question:
    pace = time_to_answer(
        size.total, cases_per_month=assumed.cases_per_month, eligible_share=assumed.eligible_share, seed=seed
    )
    return Question(outcome=size.quantity, size=size, pace=pace)


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
    sd = assumed.wait_sd_min
    if wait is None or difference is None or sd is None or not contradicts(sd, wait):
        return ()
    text = (
        f"The locked protocol contradicts itself: [planning] wait_sd_min states a standard deviation of {sd:g} min for "
        f"the restricted mean time to onset, up to {wait.tau_min:g} minutes, while its own curves spread that time by "
        f"{wait.sd_min:.2g} min (more than {TOLERANCE:.0%} apart). Sizes here take the spread of the curves"
    )
    if not protocol.study.paired:
        frame, alpha, power = frame_of(protocol, assumed), overall_alpha(protocol), protocol.plan.planned_power
        stated = plan_wait(sd_min=sd, difference_min=difference, power=power, alpha=alpha, frame=frame)
        true = plan_wait(
            sd_min=wait.sd_min, difference_min=difference, cases=stated.total, power=None, alpha=alpha, frame=frame
        )
        text += (
            f"; the {stated.total} cases that the stated one asks for have a power of {true.power:.0%}, not "
            f"{power:.0%}, in the {true.test}"
        )
    text += ". Amend the protocol: leave wait_sd_min out, or write what the curves give."
    return (Caution(code="spread_contradicts_curve", text=text),)
