"""What a study asks, as its protocol says it: which quantity, of whom, and what a supplement means for it."""

from __future__ import annotations

from dataclasses import dataclass

from onsetstudy.core.serialise import result_kind
from onsetstudy.protocol.earlier_names import todays_strategy
from onsetstudy.protocol.model import Protocol

__all__ = ["STRATEGIES", "Estimand", "estimands_of", "strategy_of"]

STRATEGIES = ("treatment_policy", "composite", "while_on_treatment", "hypothetical")
"""Strategies for an intercurrent event, by the names of ICH E9(R1), 2019, section A.3.2."""
INTENTION_TO_TREAT, AS_TREATED, PER_PROTOCOL = "intention to treat", "as treated", "per protocol"
RESCUE_OF = {
    "success_difference": "success",
    "not_numb_difference": "success",
    "rmst_difference": "wait",
    "hazard_ratio": "hazard",
}


@result_kind("estimand")
@dataclass(frozen=True, slots=True, kw_only=True)
class Estimand:
    """One question to which a number is the answer.

    Parameters
    ----------
    key : str
        Quantity and analysis set, such as ``rmst_difference:intention_to_treat``.
    quantity : str
        A key of :mod:`onsetstudy.core.quantities`, such as ``rmst_difference``.
    at : float or None
        Minute that the quantity is of: the target, or the horizon.
    analysis_set : str
        ``intention to treat``, ``as treated`` or ``per protocol``.
    unit : str
        ``case`` or ``patient`` (each patient has both arms).
    strategies : tuple of (event, strategy)
        What a supplemental injection before onset means, one of :data:`STRATEGIES`; empty where it means nothing.
    role : str
        ``primary``, ``secondary`` or ``supportive``.
    strata : tuple of str
        Columns within which arms are compared.
    matters : float or None
        Difference that matters to the study, in units of the quantity.
    margin : float or None
        Margin of non-inferiority; ``None``: a difference is asked for. It is never the difference that matters.
    """

    key: str
    quantity: str
    at: float | None
    analysis_set: str
    unit: str
    strategies: tuple[tuple[str, str], ...]
    role: str
    strata: tuple[str, ...]
    matters: float | None = None
    margin: float | None = None


def strategy_of(rule: str) -> str:
    """The standard name of a rule for supplements; earlier protocols say ``failure`` or ``censored``."""
    return todays_strategy(rule)


def estimands_of(protocol: Protocol) -> tuple[Estimand, ...]:
    """The primary estimand first, then the secondary ones, then the primary in the other analysis sets."""
    plan = protocol.plan
    main = INTENTION_TO_TREAT if protocol.study.randomised else AS_TREATED
    named = [(plan.primary, main, "primary")]
    named += [(quantity, main, "secondary") for quantity in plan.secondary if quantity != plan.primary]
    others = (AS_TREATED, PER_PROTOCOL) if protocol.study.randomised else (PER_PROTOCOL,)
    named += [(plan.primary, analysis_set, "supportive") for analysis_set in others]
    return tuple(_estimand(protocol, *each) for each in named)


def _estimand(protocol: Protocol, quantity: str, analysis_set: str, role: str) -> Estimand:
    onset, pain = protocol.onset, protocol.pain
    at = {
        "success_difference": onset.target_min,
        "rmst_difference": onset.tau_min,
        "not_numb_difference": onset.tau_min,
    }
    matters = {
        "rmst_difference": protocol.plan.wait_difference_min,
        "pain_difference": None if pain is None else pain.instrument.important_difference,
    }
    asked = RESCUE_OF.get(quantity)
    strategies = () if asked is None else (("supplement", strategy_of(getattr(protocol.rescue, asked))),)
    return Estimand(
        key=f"{quantity}:{analysis_set.replace(' ', '_')}",
        quantity=quantity,
        at=at.get(quantity),
        analysis_set=analysis_set,
        unit="patient" if protocol.study.paired else "case",
        strategies=strategies,
        role=role,
        strata=protocol.plan.strata,
        matters=matters.get(quantity),
    )
