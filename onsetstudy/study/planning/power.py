"""Power of a protocol's primary outcome by its own test: by simulation and by formula, over sizes and effects.

The interim analyses that the protocol promises are a part of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from scipy import optimize, special

from onsetstudy.core.errors import DesignError
from onsetstudy.core.parallel import Mapper, Progress, serial
from onsetstudy.design.expected_wait import expected_wait
from onsetstudy.design.interim.interim_analyses import plan_looks
from onsetstudy.design.interim.results import LookPlan
from onsetstudy.design.size_results import SampleSize
from onsetstudy.design.trials.results import SimulatedPower, TrialScenario
from onsetstudy.design.trials.trial_power import seconds_of, simulate_power
from onsetstudy.protocol.estimands import estimand_of
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.planning.results import OUTCOME_OF, Aim, Needed, PowerPoint
from onsetstudy.study.planning.sizes import BY_SPENDING, Sizing, main_size, planned_effect

TRIALS = 1000
"""Simulated trials at each point, unless others are asked for."""
LONGEST, FEWEST = 120.0, 100
"""Seconds on one core that the trials of a plan may take, and the trials at a point below which none are simulated."""
EFFECTS = (1.2, 1.35, 1.5, 1.75, 2.0)
PARTS = (0.5, 0.75, 1.0, 1.5)
"""Effects of the power curve for differences, as parts of the planned one."""
STEPS = (0.25, 0.5, 0.75, 1.0, 1.5)
PAIRS_NOT_SIMULATED = (
    "No power by simulation stands here: each patient has both arms, and such trials are not simulated for a plan."
)
NO_EFFECT = (
    "No power by simulation stands here: the protocol does not name the difference in the primary outcome that "
    "matters, or its spread."
)
OUT_OF_REACH = (
    "No power by simulation stands here: between no difference and the expected curves none has the difference in the "
    "restricted mean time to onset that matters."
)
TOO_LARGE = (
    "No power by simulation stands here: trials of {} cases, judged as this protocol judges them, would take hours. "
    "Only a formula tells of such sizes, and none of the rate of becoming numb; a larger effect takes fewer cases."
)
MUCH_MORE = 1.05
"""So many times the planned size are told as more."""
CLOSE = 0.03
"""By how much a simulated power may differ from the planned one before the formula is called off."""
FARTHEST = 3.0
"""How far beyond the expected curves, in parts of their effect, curves for a planned difference are looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """How much is simulated, and by whom."""

    trials: int
    seed: int
    mapper: Mapper
    progress: Progress | None = None
    found: dict[TrialScenario, SimulatedPower] = field(default_factory=dict)

    def power(self, scenario: TrialScenario) -> SimulatedPower:
        """Power of a scenario, each simulated once."""
        if scenario not in self.found:
            self.found[scenario] = simulate_power(
                scenario, trials=self.trials, seed=self.seed, mapper=self.mapper, progress=self.progress
            )
        return self.found[scenario]


def trials_within(asked: int, scenario: TrialScenario, size: int) -> int:
    """Trials at each point with which a plan takes no longer than :data:`LONGEST`.

    ``size`` are the analysed cases of the size by formula. A plan draws the planned trial with and without an effect,
    and about seven that are analysed once.

    Raises
    ------
    DesignError
        If these are too few to tell anything.
    """
    once = replace(scenario, cases=even(STEPS[-1] * max(scenario.cases, size)), looks=())
    found = min(asked, int(LONGEST / (2 * seconds_of(scenario) + 7 * seconds_of(once))))
    if found < min(asked, FEWEST):
        raise DesignError(TOO_LARGE.format(max(scenario.cases, size)))
    return found


def plan_of(protocol: Protocol) -> LookPlan | None:
    """Plan of looks as the protocol promises it: equal steps, one for each quarter; ``None`` without spending."""
    rule = protocol.looks
    if rule is None or rule.boundary not in BY_SPENDING:
        return None
    count = len(protocol.quarters)
    plan = plan_looks(
        [k / count for k in range(1, count + 1)],
        kind=rule.boundary,
        planned_information=rule.planned_information,
        alpha=rule.alpha,
        sided=rule.sided,
        rho=rule.rho,
        power=protocol.plan.planned_power,
        futility=rule.futility,
        unit=rule.information,
    )
    return replace(plan, effect=planned_effect(protocol))


def of_primary(sizing: Sizing, base: TrialScenario) -> TrialScenario | None:
    """The trial in which the primary outcome differs by what the plan is for, decided by its own test.

    ``None`` if no curves between no difference and the expected ones, or a little beyond, have that difference.

    Notes
    -----
    The restricted mean time to onset is planned for the difference that matters, which is not the one between the
    expected curves. Hazard ratio (on the log scale) and never-numb share go from no difference toward those of the
    expected curves, in step, as far as gives the means that difference.
    """
    protocol, plan, assumed = sizing.protocol, sizing.protocol.plan, sizing.assumed
    if plan.primary == "pain_difference" and protocol.pain is not None:
        less = protocol.pain.instrument.important_difference or 0.0
        return replace(base, decision="pain", pain_sd=assumed.pain_sd or 0.0, pain_less=less)
    if plan.primary == "treatment_success_difference":
        reference, other = assumed.treated_reference or 0.0, assumed.treated_other or 0.0
        return replace(base, decision="treatment", treated_reference=reference, treated_other=other)
    if plan.primary != "rmst_difference":
        return base
    wanted, share = plan.wait_difference_min or 0.0, base.ratio[1] / sum(base.ratio)

    def part(of: float) -> TrialScenario:
        e = base.expected
        never = min(max(e.never_reference + of * (e.never_other - e.never_reference), 0.0), 0.999)
        return replace(
            base,
            decision="wait",
            grace_min=estimand_of(protocol, "rmst_difference").grace_min or 0.0,
            hazard_ratio=base.hazard_ratio**of,
            expected=replace(e, never_other=never),
        )

    def short(of: float) -> float:
        made = part(of)
        wait = expected_wait(made.expected, made.hazard_ratio, operator_spread=base.operator_spread, share=share)
        return wait.reference_mean_min - wait.other_mean_min - wanted

    if short(FARTHEST) < 0 or wanted <= 0:
        return None
    return part(float(optimize.brentq(short, 0.0, FARTHEST, xtol=1e-10)))


def without_effect(scenario: TrialScenario) -> TrialScenario:
    """The same trial with arms alike."""
    nothing = replace(scenario.expected, never_other=scenario.expected.never_reference)
    return replace(
        scenario, hazard_ratio=1.0, pain_less=0.0, treated_other=scenario.treated_reference, expected=nothing
    )


def corrected(sizing: Sizing, at_size: SimulatedPower) -> Needed | None:
    """Size with the planned power by the trials of the size by formula, where these call the formula off."""
    off = abs(at_size.power - sizing.protocol.plan.planned_power) >= max(CLOSE, 3 * at_size.mc_error)
    try:
        return needed_of(sizing, at_size, None) if off else None
    except DesignError:  # these trials see no effect to size by; their power is told all the same
        return None


def needed_of(sizing: Sizing, single: SimulatedPower, looks: LookPlan | None) -> Needed:
    """Size with the planned power by trials analysed once: the mean z statistic grows with the root of the cases.

    The formulas take the hazard ratio as the same at all times. Where some teeth never become numb it fades, since
    they are what is left in the end; the simulation knows that and the formulas do not.
    """
    alpha, power = sizing.alpha, sizing.protocol.plan.planned_power
    # Where there is an effect the z statistic does not spread by 1, least of all with unequal arms: its own spread.
    spread_z = single.mean_z_error * math.sqrt(single.trials - single.without_answer)
    wanted = float(-special.ndtri(alpha / 2) - spread_z * special.ndtri(1 - power))
    inflation = 1.0 if looks is None else looks.inflation
    # Positive where the other arm does better: of a study that is planned for a worse one, turned over.
    mean_z = single.scenario.side * single.mean_z
    if not mean_z > 2 * single.mean_z_error:
        raise DesignError(
            "simulated trials of the planned size do not see the planned effect at all; plan for more cases"
        )
    analysed = single.scenario.cases * (wanted / mean_z) ** 2 * inflation
    spread = 2 * 2 * analysed * single.mean_z_error / mean_z
    included = math.ceil(analysed / (1 - sizing.assumed.lost_share))
    return Needed(
        test=single.test,
        analysed=math.ceil(analysed),
        two_errors=math.ceil(spread),
        included=included,
        pace=sizing.pace(included),
    )


def rate_needed(protocol: Protocol) -> Needed | None:
    """What :func:`plan_study` finds a study of the rate to need, for reports: the same trials from the same seed.

    ``None`` where the main outcome is another, has a size by formula, or cannot be simulated.
    """
    if protocol.planning is None or protocol.plan.primary != "hazard_ratio" or protocol.study.paired:
        return None
    sizing, looks = Sizing.of(protocol), plan_of(protocol)
    size = sizing.size("onset_test", protocol.plan.planned_hazard_ratio)
    scenario = scenario_of(sizing, planned_cases(sizing, size), looks)
    try:
        run = Run(trials=trials_within(TRIALS, scenario, size.analysed), seed=protocol.plan.seed, mapper=serial)
        return needed_of(sizing, run.power(replace(scenario, looks=())), looks)
    except DesignError:
        return None


def planned_cases(sizing: Sizing, primary: SampleSize | None) -> int:
    """Analysed cases: of the primary outcome, or of the planned information (from onsets if those are counted)."""
    rule = sizing.protocol.looks
    log_rank = sizing.size("onset_test", sizing.protocol.plan.planned_hazard_ratio)
    if rule is None:
        return (primary or log_rank).analysed
    if rule.information == "cases" or not log_rank.events:
        return rule.planned_information
    return round(rule.planned_information * log_rank.unrounded / log_rank.events)


def looks_more(takes: SampleSize | Needed, looks: LookPlan | None) -> float:
    """How many times a size the planned looks take: one by simulation has them in it, one by formula does not."""
    return 1.0 if looks is None or isinstance(takes, Needed) else looks.inflation


def falls_short(sizing: Sizing, takes: SampleSize | Needed | None, looks: LookPlan | None) -> bool:
    """Whether the planned information is too little for what the main outcome takes; onsets do not tell of pairs."""
    rule, paired = sizing.protocol.looks, sizing.protocol.study.paired
    if takes is None or rule is None or (paired and rule.information != "cases"):
        return False
    planned = rule.planned_information / 2 if paired else planned_cases(sizing, None)
    return looks_more(takes, looks) * takes.analysed > MUCH_MORE * planned


def size_told(protocol: Protocol) -> SampleSize | Needed | None:
    """The size of the main outcome that plan, protocol document and reports tell, by formula or by simulation."""
    return main_size(protocol) or rate_needed(protocol)


def aim_of(protocol: Protocol) -> Aim:
    """What the main outcome is planned for, with the size that plan and reports tell of it."""
    effect, takes = planned_effect(protocol), size_told(protocol)
    if takes is None:
        return Aim(effect=effect)
    looks, simulated = plan_of(protocol), isinstance(takes, Needed)
    found = "by simulation" if simulated else "by formula"
    return Aim(
        effect=effect,
        included=takes.total,
        unit="patients" if protocol.study.paired else "cases",
        test=takes.test,
        found=found if simulated and looks else f"{found}, for a single analysis",
        looks_more=looks_more(takes, looks),
        short=falls_short(Sizing.of(protocol), takes, looks),
    )


def scenario_of(sizing: Sizing, cases: int, looks: LookPlan | None) -> TrialScenario:
    """The planned trial with the expected curves."""
    protocol, assumed, ratio = sizing.protocol, sizing.assumed, sizing.frame.ratio
    below = (-math.inf,) if looks is not None and looks.sided == 1 else ()
    return TrialScenario(
        cases=cases,
        expected=sizing.expected,
        hazard_ratio=protocol.plan.planned_hazard_ratio,
        tests_min=protocol.schedule.tests_min,
        confirmations=protocol.onset.confirmations,
        target_min=protocol.onset.target_min,
        missed_share=assumed.missed_share,
        control_failure_share=0.01 if protocol.schedule.control_tooth == "required" else 0.0,
        operators=max(2, len(protocol.study.practices)),
        operator_spread=assumed.operator_spread,
        decision="success" if protocol.plan.primary == "success_difference" else "log_rank",
        alpha=sizing.alpha,
        conf_level=protocol.plan.conf_level,
        ratio=(int(ratio[0]), int(ratio[1])),
        looks=() if looks is None else tuple((p.fraction, p.upper, *below) for p in looks.looks),
    )


def even(cases: float) -> int:
    """The nearest even number of cases, 20 at least."""
    return max(20, 2 * round(cases / 2))


def curve_of(sizing: Sizing, simulated: TrialScenario | None, cases: int, run: Run) -> tuple[PowerPoint, ...]:
    """Power of the primary outcome's test: by formula over a grid, by simulation for the planned effect if it can."""
    outcome = OUTCOME_OF[sizing.protocol.plan.primary]
    planned = sizing.effects()[outcome]
    ratios = outcome in ("onset_test", "success")
    effects = sorted({*EFFECTS[:-1], planned} if ratios else {part * planned for part in PARTS})
    if outcome == "treatment":
        # No part of the planned difference takes a proportion out of its bounds.
        effects = [e for e in effects if 0 < (sizing.assumed.treated_reference or 0.5) + e < 1]
    points = []
    for effect in effects:
        for n in sorted({even(cases * step) for step in STEPS}):
            formula = sizing.size(outcome, effect, cases=sizing.frame.inflated(n))
            point = PowerPoint(test=formula.test, effect=effect, cases=n, formula=formula.power)
            if simulated is not None and effect == planned:
                found = run.power(replace(simulated, cases=n, looks=()))
                point = replace(point, simulated=found.power, mc_error=found.mc_error)
            points.append(point)
    return tuple(points)
