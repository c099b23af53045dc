"""Sizes by formula for every outcome of a protocol, each with the test that its power is of; parallel arms or pairs."""

from __future__ import annotations

import math
from dataclasses import replace

from onsetstudy.core.errors import DesignError
from onsetstudy.design.expected_wait import ExpectedWait, expected_wait
from onsetstudy.design.size_results import OnsetExpectation, SampleSize
from onsetstudy.design.sizes.frame import Frame
from onsetstudy.design.sizes.plans import (
    plan_onset_test,
    plan_pain_difference,
    plan_paired_success,
    plan_success,
    plan_wait,
)
from onsetstudy.protocol.model import PlanningAssumptions, Protocol
from onsetstudy.study.planning_results import NotSized

__all__ = [
    "OUTCOME_OF",
    "expectation_of",
    "frame_of",
    "main_size",
    "numb_by",
    "numb_by_target",
    "overall_alpha",
    "pair_sizes",
    "parallel_sizes",
    "rate_size",
    "treatment_size",
    "unit_of_pain",
    "wait_of_curves",
]

OUTCOME_OF = {
    "hazard_ratio": "onset_test",
    "success_difference": "success",
    "rmst_difference": "wait",
    "pain_difference": "pain",
    "treatment_success_difference": "treatment",
}
"""Outcome of the sizes that each primary quantity asks for."""

NO_CORRELATION = (
    "not sized: each patient has both arms, and the protocol does not state within_patient_correlation; a size as if "
    "the arms were different patients would be of another study"
)
PAIRED_RATE = "not sized: there is no formula here for the test of the rate with both arms within patients"


def overall_alpha(protocol: Protocol) -> float:
    """Two-sided error rate of the study."""
    return protocol.looks.alpha if protocol.looks else 1 - protocol.plan.conf_level


def frame_of(protocol: Protocol, assumed: PlanningAssumptions) -> Frame:
    """Allocation ratio and losses; pairs have one case of each arm."""
    rule = protocol.allocation
    ratio = rule.ratio if rule and rule.ratio and not protocol.study.paired else (1, 1)
    return Frame(ratio=(float(ratio[0]), float(ratio[1])), lost_share=assumed.lost_share)


def numb_by(expected: OnsetExpectation, minute: float, ratio: float, other: bool) -> float:
    """Proportion numb by a minute in one of the arms."""
    never = expected.never_other if other else expected.never_reference
    hazard = math.log(2) * (minute / expected.median_min) ** expected.shape
    return (1 - never) * -math.expm1(-ratio * hazard)


def parallel_sizes(
    protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation, wait: ExpectedWait
) -> list[SampleSize]:
    """The log-rank test first, then every outcome for which the protocol says what matters.

    The restricted time is sized with the spread of the curves: within the tolerance the stated one is as good, and
    beyond it a locked protocol's promise of power would not hold.
    """
    frame, plan = frame_of(protocol, assumed), protocol.plan
    power, alpha, ratio = plan.planned_power, overall_alpha(protocol), plan.planned_hazard_ratio
    freedman = plan_onset_test(
        hazard_ratio=ratio, power=power, alpha=alpha, expected=expected, formula="freedman", frame=frame
    )
    found = [rate_size(protocol, assumed, expected), freedman]
    shares = numb_by_target(protocol, expected)
    if shares[0] != shares[1]:
        found.append(
            plan_success(reference=shares[0], difference=shares[1] - shares[0], power=power, alpha=alpha, frame=frame)
        )
    if plan.wait_difference_min is not None:
        found.append(
            plan_wait(
                sd_min=wait.sd_min, difference_min=plan.wait_difference_min, power=power, alpha=alpha, frame=frame
            )
        )
    pain = protocol.pain.instrument.important_difference if protocol.pain else None
    if pain is not None and assumed.pain_sd is not None:
        found.append(
            plan_pain_difference(
                sd=assumed.pain_sd, difference=pain, power=power, alpha=alpha, unit=unit_of_pain(protocol), frame=frame
            )
        )
    if assumed.treated_reference is not None and assumed.treated_other is not None:
        found.append(treatment_size(assumed, assumed.treated_other, power=power, alpha=alpha, frame=frame))
    return found


def rate_size(protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation) -> SampleSize:
    """The log-rank test at the planned hazard ratio, by Schoenfeld's formula."""
    plan = protocol.plan
    return plan_onset_test(
        hazard_ratio=plan.planned_hazard_ratio,
        power=plan.planned_power,
        alpha=overall_alpha(protocol),
        expected=expected,
        formula="schoenfeld",
        frame=frame_of(protocol, assumed),
    )


def treatment_size(
    assumed: PlanningAssumptions,
    other: float,
    *,
    alpha: float,
    frame: Frame,
    power: float | None = None,
    cases: float | None = None,
) -> SampleSize:
    """Size, or power with ``cases``, of the difference between two proportions of successful treatments."""
    reference = assumed.treated_reference or 0.5
    size = plan_success(
        reference=reference, difference=other - reference, cases=cases, power=power, alpha=alpha, frame=frame
    )
    return replace(size, quantity="treatment")


def main_size(protocol: Protocol) -> SampleSize | None:
    """Size by formula of the protocol's primary outcome, by its own test; ``None`` where there is none.

    Whoever tells the size of the main outcome takes it from here, so that plan and reports tell one. It is none for the
    rate of becoming numb, whose formula does not know of teeth that never become numb (``rate_needed`` simulates it),
    nor for pairs without a stated correlation.
    """
    assumed, wanted = protocol.planning, OUTCOME_OF[protocol.plan.primary]
    if assumed is None or protocol.plan.primary == "hazard_ratio":
        return None
    expected = expectation_of(protocol, assumed)
    wait = wait_of_curves(protocol, assumed, expected)
    sizes = (pair_sizes(protocol, assumed, expected, wait)[0] if protocol.study.paired
             else parallel_sizes(protocol, assumed, expected, wait))  # fmt: skip
    return next((s for s in sizes if s.quantity in (wanted, f"paired_{wanted}")), None)


def expectation_of(protocol: Protocol, assumed: PlanningAssumptions) -> OnsetExpectation:
    """What the protocol expects of onset."""
    return OnsetExpectation(
        median_min=assumed.median_min,
        shape=assumed.shape,
        never_reference=assumed.never_reference,
        never_other=assumed.never_other,
        tau_min=protocol.onset.tau_min,
    )


def wait_of_curves(protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation) -> ExpectedWait:
    """Mean and spread of the restricted time to onset under the planned ratio."""
    return expected_wait(
        expected,
        protocol.plan.planned_hazard_ratio,
        operator_spread=assumed.operator_spread,
        share=frame_of(protocol, assumed).share,
    )


def unit_of_pain(protocol: Protocol) -> str:
    """Unit of the protocol's scale of pain."""
    return protocol.pain.instrument.unit if protocol.pain else "points"


def pair_sizes(
    protocol: Protocol, assumed: PlanningAssumptions, expected: OnsetExpectation, wait: ExpectedWait
) -> tuple[list[SampleSize], tuple[NotSized, ...]]:
    """Patients who each have both arms, by the stated correlation of their two outcomes.

    Differences within patients spread by ``sd sqrt(2 (1 - correlation))``; the proportions numb in one of the two only
    are those of two correlated binary outcomes. Carry-over and period effects are taken as none.
    """
    rho, frame, plan = assumed.within_patient_correlation, frame_of(protocol, assumed), protocol.plan
    pain = protocol.pain.instrument.important_difference if protocol.pain else None
    outcomes = ["onset_test", "success"]
    outcomes += ["wait"] if plan.wait_difference_min is not None else []
    outcomes += ["pain"] if pain is not None and assumed.pain_sd is not None else []
    outcomes += ["treatment"] if assumed.treated_other is not None else []
    if rho is None:
        return [], tuple(NotSized(outcome=o, reason=NO_CORRELATION) for o in outcomes)
    power, alpha = plan.planned_power, overall_alpha(protocol)
    found, gone = [], [NotSized(outcome="onset_test", reason=PAIRED_RATE)]
    shares = {"success": numb_by_target(protocol, expected)}
    if assumed.treated_reference is not None and assumed.treated_other is not None:
        shares["treatment"] = (assumed.treated_reference, assumed.treated_other)
    for outcome, (p0, p1) in shares.items():
        both = p0 * p1 + rho * math.sqrt(p0 * (1 - p0) * p1 * (1 - p1))
        alone = {"only_other": p1 - both, "only_reference": p0 - both}
        try:
            size = plan_paired_success(**alone, power=power, alpha=alpha, frame=frame)
        except DesignError:
            reason = (
                f"not sized: proportions of {p0:.3g} and {p1:.3g} cannot be correlated by {rho:g}, or do not differ"
            )
            gone.append(NotSized(outcome=outcome, reason=reason))
        else:
            found.append(replace(size, quantity=f"paired_{outcome}"))
    narrower = math.sqrt(2 * (1 - rho))
    if plan.wait_difference_min is not None:
        found.append(
            plan_wait(
                sd_min=narrower * wait.sd_min,
                difference_min=plan.wait_difference_min,
                power=power,
                alpha=alpha,
                paired=True,
                frame=frame,
            )
        )
    if pain is not None and assumed.pain_sd is not None:
        found.append(
            plan_pain_difference(
                sd=narrower * assumed.pain_sd, difference=pain, power=power, alpha=alpha, paired=True,
                unit=unit_of_pain(protocol), frame=frame,
            )
        )  # fmt: skip
    return found, tuple(gone)


def numb_by_target(protocol: Protocol, expected: OnsetExpectation) -> tuple[float, float]:
    """Expected proportions numb by the target minute, reference arm first."""
    target, ratio = protocol.onset.target_min, protocol.plan.planned_hazard_ratio
    return numb_by(expected, target, 1.0, False), numb_by(expected, target, ratio, True)
