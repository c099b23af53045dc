"""The interim analyses that a protocol promises."""

from __future__ import annotations

from onsetstudy.design.interim.interim_analyses import plan_looks
from onsetstudy.design.interim.results import LookPlan
from onsetstudy.protocol.model import Protocol

__all__ = ["BY_SPENDING", "plan_of"]

BY_SPENDING = ("obrien_fleming", "pocock", "power")


def plan_of(protocol: Protocol) -> LookPlan | None:
    """Plan of looks as the protocol promises it: equal steps, one for each quarter; ``None`` without spending."""
    rule = protocol.looks
    if rule is None or rule.boundary not in BY_SPENDING:
        return None
    count = len(protocol.quarters)
    return plan_looks(
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
