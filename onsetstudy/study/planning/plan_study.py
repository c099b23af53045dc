"""Before the first case: what the study can and cannot show, and how long it takes."""

from __future__ import annotations

from dataclasses import replace

from onsetstudy.core.errors import DesignError
from onsetstudy.core.parallel import Mapper, Progress, serial
from onsetstudy.core.results import Caution
from onsetstudy.design.expected_wait import TOLERANCE, contradicts, refuse_contradiction
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.precision import ExpectedPrecision, expected_precision
from onsetstudy.design.size_results import SizeTable
from onsetstudy.design.sizes.frame import size_table
from onsetstudy.design.trials.results import ScheduleComparison, TrialScenario
from onsetstudy.design.trials.trial_power import compare_schedules
from onsetstudy.protocol.lock_results import ProtocolLock
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.planning import power
from onsetstudy.study.planning.results import OUTCOME_OF, PlanningResults, Question
from onsetstudy.study.planning.sizes import Sizing, size_of_primary, sizes_of

POWERS = (0.8, 0.9)


def plan_study(
    protocol: Protocol,
    *,
    lock: ProtocolLock | None = None,
    trials: int = power.TRIALS,
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
        Simulated trials at each point; fewer, or none, where a plan would take longer than a few minutes.
    mapper : Mapper
    progress : callable or None

    Raises
    ------
    DesignError
        If the protocol states no assumptions, or a standard deviation that contradicts its curves. What is locked
        cannot be corrected without an amendment: there the plan takes the spread of the curves and says so instead.
        Also if the rate of becoming numb is primary, whose size is simulated, and its trials would take hours.
    """
    sizing, plan, paired = Sizing.of(protocol), protocol.plan, protocol.study.paired
    effects = sizing.effects()
    if "wait" in effects and (lock is None or lock.latest.digest != protocol.digest):
        refuse_contradiction(sizing.assumed.wait_sd_min, sizing.wait)
    sizes, not_sized = sizes_of(sizing)
    looks, primary = power.plan_of(protocol), size_of_primary(sizes, protocol)
    why_not = power.PAIRS_NOT_SIMULATED if paired else power.NO_EFFECT if primary is None else ""
    cases = 0 if paired else power.planned_cases(sizing, primary)
    scenario = None if paired else power.scenario_of(sizing, cases, looks)
    simulated = None if why_not or scenario is None else power.of_primary(sizing, scenario)
    if simulated is None and not why_not:
        why_not = power.OUT_OF_REACH
    by_simulation, sized = plan.primary == "hazard_ratio", primary is not None and not paired
    most = max(cases, primary.analysed) if primary is not None else cases
    try:
        within = 0 if scenario is None else power.trials_within(trials, simulated or scenario, most)
    except DesignError as error:
        if by_simulation:  # the rate has no size by formula alone
            raise
        within, scenario, simulated, why_not = 0, None, None, why_not or str(error)
    run = power.Run(trials=within, seed=plan.seed, mapper=mapper, progress=progress)
    # As far as the main outcome takes: a figure that ends before it would show no way to the planned power.
    needed = at_size = None
    if simulated is not None and by_simulation:
        needed = power.needed_of(sizing, run.power(replace(simulated, looks=())), looks)
    elif simulated is not None and primary is not None:
        at_size = run.power(replace(simulated, cases=primary.analysed, looks=()))
    return PlanningResults(
        protocol=protocol,
        expected=sizing.expected,
        wait=sizing.wait,
        questions=tuple(Question(outcome=s.quantity, size=s, pace=sizing.pace(s.total)) for s in sizes),
        not_sized=not_sized,
        table=None if paired else _table(sizing),
        curve=power.curve_of(sizing, simulated, most, run) if sized else (),
        planned_effect=effects[OUTCOME_OF[plan.primary]] if sized else None,
        schedules=None if scenario is None else _compared(protocol, scenario, run),
        looks=looks,
        planned=None if simulated is None else run.power(simulated),
        null=None if simulated is None else run.power(power.without_effect(simulated)),
        needed=needed,
        short=power.falls_short(sizing, needed or primary, looks),
        at_size=at_size,
        corrected=None if at_size is None else power.corrected(sizing, at_size),
        not_simulated=why_not,
        trials=run.trials,
        seed=run.seed,
        caution=_cautions(sizing, trials, within),
        precision=None if paired else _precision(sizing, cases),
    )


def _precision(sizing: Sizing, cases: int) -> ExpectedPrecision:
    numb, share, level = sizing.shares()["success"], sizing.frame.share, sizing.protocol.plan.conf_level
    return expected_precision(cases, sd_min=sizing.wait.sd_min, numb=numb, share=share, conf_level=level)


def _table(sizing: Sizing) -> SizeTable:
    """Cases that the test of onset takes, by effect and power."""
    return size_table(
        lambda ratio, wanted: sizing.size("onset_test", ratio, power=wanted),
        effects=sorted({*power.EFFECTS, sizing.protocol.plan.planned_hazard_ratio}),
        powers=POWERS,
    )


def _compared(protocol: Protocol, scenario: TrialScenario, run: power.Run) -> ScheduleComparison:
    return compare_schedules(
        replace(scenario, looks=(), decision="log_rank"),
        _schedules(protocol),
        trials=run.trials,
        seed=run.seed,
        mapper=run.mapper,
        progress=run.progress,
    )


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


def _cautions(sizing: Sizing, asked: int, trials: int) -> tuple[Caution, ...]:
    """What a reader of the plan has to mind; also where fewer trials were simulated than were asked for."""
    protocol = sizing.protocol
    texts = {
        "assumptions": "These numbers are as good as the assumptions under them. Plan with what trials have found, not "
        "with a demonstration.",
        "test_the_tooth": "A plan for a study, not for a patient: test the tooth and ask before every procedure.",
        "ethics": "Randomising or allocating by protocol usually makes it research: ask for ethics or institutional "
        f"advice and follow local rules. Recorded: {protocol.study.ethics_status.rstrip('.')}.",
    }
    if 0 < trials < asked:
        texts["fewer_trials"] = f"{trials} trials are simulated at each point, not {asked}, to end within minutes."
    if whose := {"clinician_id": "operator", "practice_id": "practice"}.get(protocol.plan.cluster or ""):
        texts["clusters"] = (
            f"Sizes take every case as independent. Limits of the report allow for what cases of one {whose} share: "
            "where these are alike, it takes more cases than stand here."
        )
    return (
        *_contradiction(sizing),
        *implausible("hazard_ratio", protocol.plan.planned_hazard_ratio),
        *(Caution(code=code, text=text) for code, text in texts.items()),
    )


def _contradiction(sizing: Sizing) -> tuple[Caution, ...]:
    """What a locked protocol's standard deviation would have promised, beside what the curves say."""
    difference, sd, wait = sizing.effects().get("wait"), sizing.assumed.wait_sd_min, sizing.wait
    if difference is None or sd is None or not contradicts(sd, wait):
        return ()
    text = (
        f"The locked protocol contradicts itself: [planning] wait_sd_min states a standard deviation of {sd:g} min for "
        f"the restricted mean time to onset, up to {wait.tau_min:g} minutes, while its own curves spread that time by "
        f"{wait.sd_min:.2g} min (more than {TOLERANCE:.0%} apart). Sizes here take the spread of the curves"
    )
    if not sizing.protocol.study.paired:
        stated = replace(sizing, wait=replace(wait, sd_min=sd)).size("wait", difference)
        true = sizing.size("wait", difference, cases=stated.total)
        text += (
            f"; the {stated.total} cases that the stated one asks for have a power of {true.power:.0%}, not "
            f"{sizing.protocol.plan.planned_power:.0%}, in the {true.test}"
        )
    text += ". Amend the protocol: leave wait_sd_min out, or write what the curves give."
    return (Caution(code="spread_contradicts_curve", text=text),)
