"""Sizes by formula for every outcome of a protocol, each with the test that its power is of; parallel arms or pairs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from scipy import special

from onsetstudy.core.errors import DesignError
from onsetstudy.design.accrual import time_to_answer
from onsetstudy.design.expected_wait import ExpectedWait, expected_wait
from onsetstudy.design.size_results import OnsetExpectation, Pace, SampleSize
from onsetstudy.design.sizes.exact import exact_mcnemar_power, exact_shares_power
from onsetstudy.design.sizes.frame import Frame
from onsetstudy.design.sizes.plans import (
    plan_onset_test,
    plan_pain_difference,
    plan_paired_success,
    plan_success,
    plan_wait,
)
from onsetstudy.design.sizes.ranks import plan_pain_ranks
from onsetstudy.protocol.model import PlanningAssumptions, Protocol
from onsetstudy.study.planning.results import OUTCOME_OF, QUANTITY_OF, NotSized

NO_CORRELATION = (
    "not sized: each patient has both arms, and the protocol does not state within_patient_correlation; a size as if "
    "the arms were different patients would be of another study"
)
PAIRED_RATE = "not sized: there is no formula here for the test of the rate with both arms within patients"
COUNTED_OUT = 4000
"""Cases up to which a power is also found by adding up every outcome."""

BY_SPENDING = ("obrien_fleming", "pocock", "power")


def overall_alpha(protocol: Protocol) -> float:
    """Error rate of the study as that of a two-sided test, which errs twice as often as one of the side that counts.

    Boundaries by spending alone are of one side; intervals that hold at any time have two ends whatever is asked.
    """
    rule = protocol.looks
    if rule is None or rule.boundary == "none":
        return 1 - protocol.plan.conf_level
    return rule.alpha * 2 / rule.sided if rule.boundary in BY_SPENDING else rule.alpha


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """What every size of a protocol rests on.

    ``expected`` is what the protocol expects of onset, ``wait`` the mean and spread of the restricted time to onset
    that these curves give under the planned ratio. ``frame`` has the allocation ratio and losses; pairs have one case
    of each arm.
    """

    protocol: Protocol
    assumed: PlanningAssumptions
    expected: OnsetExpectation
    wait: ExpectedWait
    frame: Frame
    alpha: float

    @classmethod
    def of(cls, protocol: Protocol) -> Sizing:
        """From the assumptions of a protocol.

        Raises
        ------
        DesignError
            If it states none.
        """
        assumed, plan, rule = protocol.planning, protocol.plan, protocol.allocation
        if assumed is None:
            raise DesignError.of_key(
                "planning",
                "the protocol states no assumptions to plan with",
                "copy the table [planning] from protocols/mandibular_block_group.toml and change what differs",
            )
        expected = OnsetExpectation(
            median_min=assumed.median_min,
            shape=assumed.shape,
            never_reference=assumed.never_reference,
            never_other=assumed.never_other,
            tau_min=protocol.onset.tau_min,
        )
        ratio = dict(zip((arm.code for arm in protocol.arms), rule.ratio if rule else (), strict=False))
        reference, other = (float(ratio.get(code, 1)) for code in protocol.arm_codes[:2])
        frame = Frame(ratio=(reference, other), lost_share=assumed.lost_share)
        wait = expected_wait(
            expected, plan.planned_hazard_ratio, operator_spread=assumed.operator_spread, share=frame.share
        )
        alpha = overall_alpha(protocol)
        return cls(protocol=protocol, assumed=assumed, expected=expected, wait=wait, frame=frame, alpha=alpha)

    def effects(self) -> dict[str, float]:
        """The effect that each outcome is sized for, where the protocol says what matters.

        A ratio of rates for onset and success, else a difference in the outcome's unit.
        """
        plan, pain, treated = self.protocol.plan, self.protocol.pain, self.shares().get("treatment")
        hurts = None if pain is None or self.assumed.pain_sd is None else pain.instrument.important_difference
        told = {
            "onset_test": plan.planned_hazard_ratio,
            "success": plan.planned_hazard_ratio,
            "wait": plan.wait_difference_min,
            "pain": hurts,
            "pain_ranks": hurts,
            "treatment": None if treated is None else treated[1] - treated[0],
        }
        return {outcome: effect for outcome, effect in told.items() if effect is not None}

    def size(
        self, outcome: str, effect: float, *, power: float | None = None, cases: float | None = None, **more: Any
    ) -> SampleSize:
        """Size of an outcome's test for an effect as of :meth:`effects`, or its power with ``cases`` to include.

        ``power`` is by default the planned one. The restricted time is sized with the spread of the curves: within the
        tolerance the stated one is as good, and beyond it a locked protocol's promise of power would not hold.
        """
        power = (power or self.protocol.plan.planned_power) if cases is None else None
        more |= {"cases": cases, "power": power, "alpha": self.alpha, "frame": self.frame}
        if outcome == "onset_test":
            return plan_onset_test(hazard_ratio=effect, expected=self.expected, **more)
        if outcome == "wait":
            return plan_wait(sd_min=self.wait.sd_min, difference_min=effect, **more)
        if outcome == "pain":
            unit = self.protocol.pain.instrument.unit if self.protocol.pain else "points"
            return plan_pain_difference(sd=self.assumed.pain_sd or 1.0, difference=effect, unit=unit, **more)
        if outcome == "pain_ranks":
            # Of normal scores: how often one case of each arm, or the sum of two differences, is on the better side.
            apart = effect / (self.assumed.pain_sd or 1.0) * (math.sqrt(2) if more.get("paired") else math.sqrt(0.5))
            return plan_pain_ranks(superiority=float(special.ndtr(apart)), **more)
        if outcome == "success":
            reference, other = self.numb_by_target(effect)
            return plan_success(reference=reference, difference=other - reference, **more)
        size = plan_success(reference=self.assumed.treated_reference or 0.5, difference=effect, **more)
        return replace(size, quantity=outcome)

    def shares(self) -> dict[str, tuple[float, float]]:
        """Expected proportions of the outcomes that are proportions, reference arm first."""
        found = {"success": self.numb_by_target(self.protocol.plan.planned_hazard_ratio)}
        if self.assumed.treated_reference is not None and self.assumed.treated_other is not None:
            found["treatment"] = (self.assumed.treated_reference, self.assumed.treated_other)
        return found

    def numb_by_target(self, hazard_ratio: float) -> tuple[float, float]:
        """Expected proportions numb by the target minute, reference arm first."""
        return self.expected.numb_by(self.protocol.onset.target_min, hazard_ratio)

    def pace(self, included: int) -> Pace:
        """How long so many cases take to include; patients where each has both arms, and so two cases."""
        assumed, protocol = self.assumed, self.protocol
        monthly = assumed.cases_per_month / (2 if protocol.study.paired else 1)
        return time_to_answer(
            included, cases_per_month=monthly, eligible_share=assumed.eligible_share, seed=protocol.plan.seed
        )


def planned_effect(protocol: Protocol) -> float | None:
    """The effect in the main outcome that a protocol plans for; ``None`` where it names none.

    A log ratio of rates, or a difference in the outcome's unit: positive where the other arm does better.
    """
    plan, pain = protocol.plan, protocol.pain
    if plan.primary == "hazard_ratio":
        return math.log(plan.planned_hazard_ratio)
    if plan.primary == "rmst_difference":
        return plan.wait_difference_min
    if plan.primary == "pain_difference":
        return pain.instrument.important_difference if pain else None
    shares = {} if protocol.planning is None else Sizing.of(protocol).shares()
    reference, other = shares.get(OUTCOME_OF[plan.primary], (None, None))
    return None if reference is None or other is None else other - reference


def sizes_of(plan: Sizing) -> tuple[list[SampleSize], tuple[NotSized, ...]]:
    """Every outcome for which the protocol says what matters, and those that no size is given for."""
    return _pair_sizes(plan) if plan.protocol.study.paired else (_parallel_sizes(plan), ())


def main_size(protocol: Protocol) -> SampleSize | None:
    """Size by formula of the protocol's primary outcome, by its own test; ``None`` where there is none.

    Whoever tells the size of the main outcome takes it from here, so that plan and reports tell one. It is none for the
    rate of becoming numb, whose formula does not know of teeth that never become numb (``rate_needed`` simulates it),
    nor for pairs without a stated correlation.
    """
    if protocol.planning is None or protocol.plan.primary == "hazard_ratio":
        return None
    sizes, _ = sizes_of(Sizing.of(protocol))
    return size_of_primary(sizes, protocol)


def size_of_primary(sizes: Iterable[SampleSize], protocol: Protocol) -> SampleSize | None:
    """The size of the primary outcome among all of a protocol."""
    return next((s for s in sizes if QUANTITY_OF[s.quantity] == protocol.plan.primary), None)


def _parallel_sizes(plan: Sizing) -> list[SampleSize]:
    """The log-rank test first, by both formulas, then the other outcomes."""
    effects, shares = plan.effects(), plan.shares()
    ratio = effects.pop("onset_test")
    if len(set(shares["success"])) == 1:
        del effects["success"]
    rate = [plan.size("onset_test", ratio, formula=formula) for formula in ("schoenfeld", "freedman")]
    others = []
    for outcome, effect in effects.items():
        size = plan.size(outcome, effect)
        if outcome in shares:
            other = round(plan.frame.share * size.analysed)
            arms = (size.analysed - other, other)
            size = _counted_out(size, partial(exact_shares_power, *arms, *shares[outcome], alpha=plan.alpha))
        others.append(size)
    return [*rate, *others]


def _counted_out(size: SampleSize, power: Callable[[], float]) -> SampleSize:
    """The size with the power that adding up every outcome gives it, where there are not too many to do so."""
    if size.analysed > COUNTED_OUT:
        return size
    return replace(size, method=f"{size.method} (by every outcome added up, the power is {100 * power():.1f} %)")


def _pair_sizes(plan: Sizing) -> tuple[list[SampleSize], tuple[NotSized, ...]]:
    """Patients who each have both arms, by the stated correlation of their two outcomes.

    Differences within patients spread by ``sd sqrt(2 (1 - correlation))``; the proportions numb in one of the two only
    are those of two correlated binary outcomes. Carry-over and period effects are taken as none.
    """
    assumed, effects = plan.assumed, plan.effects()
    rho = assumed.within_patient_correlation
    if rho is None:
        return [], tuple(NotSized(outcome=o, reason=NO_CORRELATION) for o in effects)
    found, gone = [], [NotSized(outcome="onset_test", reason=PAIRED_RATE)]
    for outcome, (p0, p1) in plan.shares().items():
        both = p0 * p1 + rho * math.sqrt(p0 * (1 - p0) * p1 * (1 - p1))
        alone = {"only_other": p1 - both, "only_reference": p0 - both}
        try:
            size = plan_paired_success(
                **alone, power=plan.protocol.plan.planned_power, alpha=plan.alpha, frame=plan.frame
            )
        except DesignError:
            reason = (
                f"not sized: proportions of {p0:.3g} and {p1:.3g} cannot be correlated by {rho:g}, or do not differ"
            )
            gone.append(NotSized(outcome=outcome, reason=reason))
        else:
            exact = partial(exact_mcnemar_power, size.analysed, **alone, alpha=plan.alpha)
            found.append(_counted_out(replace(size, quantity=f"paired_{outcome}"), exact))
    narrower = math.sqrt(2 * (1 - rho))
    within = replace(
        plan,
        wait=replace(plan.wait, sd_min=narrower * plan.wait.sd_min),
        assumed=replace(assumed, pain_sd=narrower * (assumed.pain_sd or 0.0)),
    )
    found += [within.size(o, effects[o], paired=True) for o in ("wait", "pain", "pain_ranks") if o in effects]
    return found, tuple(gone)
