"""What a study asks, as its protocol says it: which quantity, of whom, and what a supplement means for it."""

from __future__ import annotations

import itertools
from dataclasses import replace
from statistics import median
from typing import Any

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.serialise import result_kind
from onsetstudy.protocol.earlier_names import todays_strategy
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import SENSITIVITY

INTENTION_TO_TREAT, AS_TREATED, PER_PROTOCOL = "intention to treat", "as treated", "per protocol"
QUESTIONS = {"hazard": "hazard_ratio", "success": "success_difference", "wait": "rmst_difference"}
"""What is asked of the onset intervals, each with the quantity that answers; a supplement may mean another for each."""
RESCUE_OF = {**{quantity: asked for asked, quantity in QUESTIONS.items()}, "not_numb_difference": "success"}
SUPPLEMENT = "supplement"


@result_kind("reading_rule")
class ReadingRule:
    """How onset is read off the tests.

    ``confirmations`` not-felt tests in a row make an onset; ``accept_unconfirmed``: a last test that was not felt
    counts though nothing confirmed it. ``control_tooth`` is required, optional or none. ``window_min``: tests no
    further away than that answer for planned minutes, of several the nearest, and onset lies between these; ``None``:
    every test counts, with its own minute.
    """

    confirmations: int
    control_tooth: str
    accept_unconfirmed: bool = False
    window_min: float | None = None


@result_kind("estimand")
class Estimand:
    """One question to which a number is the answer.

    Parameters
    ----------
    key : str
        Quantity and analysis set, such as ``rmst_difference:intention_to_treat``; of a sensitivity analysis its choice
        too.
    quantity : str
        A key of :mod:`onsetstudy.core.quantities`, such as ``rmst_difference``.
    at : float or None
        Minute that the quantity is of: the target, or the horizon.
    analysis_set : str
        ``intention to treat``, ``as treated`` or ``per protocol``.
    strategies : tuple of (event, strategy)
        What a supplemental injection before onset means, one of :data:`STRATEGIES`; empty where it means nothing.
    rule : ReadingRule
        How onset is read off the tests.
    matters : float or None
        Difference that matters to the study, in units of the quantity.
    grace_min : float or None
        How long before ``at`` a case may have been tested last and still count as followed to it; ``None`` where no
        minute is asked about.
    first_cases : bool
        Whether the first cases of each operator count.
    """

    key: str
    quantity: str
    at: float | None
    analysis_set: str
    strategies: tuple[tuple[str, str], ...]
    rule: ReadingRule
    matters: float | None = None
    grace_min: float | None = None
    first_cases: bool = True

    @property
    def minute(self) -> float:
        """The minute that the quantity is of.

        Raises
        ------
        OnsetStudyError
            If it is of none.
        """
        if self.at is None:
            raise OnsetStudyError(f"{self.quantity} is of no minute")
        return self.at

    @property
    def strategy(self) -> str:
        """What a supplement before onset means; empty where it means nothing."""
        return dict(self.strategies).get(SUPPLEMENT, "")


def main_set(protocol: Protocol, *, as_injected: bool = False) -> str:
    """The analysis set of the main analysis: intention to treat where arms were allocated at random and are known.

    ``as_injected``: a randomised study without list or log, whose cases can only be counted by the arm injected.
    """
    return INTENTION_TO_TREAT if protocol.study.randomised and not as_injected else AS_TREATED


def questions_of(protocol: Protocol, *, choice: str = "", analysis_set: str | None = None) -> dict[str, Estimand]:
    """The estimands of the rate, of success and of the wait, by :data:`QUESTIONS`.

    Parameters
    ----------
    protocol : Protocol
    choice : str
        A sensitivity analysis that a plan may name: another rule, strategy or analysis set; empty for the plan's own.
    analysis_set : str or None
        Another than the main one.
    """
    asked = {name: estimand_of(protocol, quantity, analysis_set=analysis_set) for name, quantity in QUESTIONS.items()}
    return {name: _under(each, choice) for name, each in asked.items()} if choice else asked


def _under(main: Estimand, choice: str) -> Estimand:
    """An estimand under another choice."""
    # Composite turned round is hypothetical; whatever else was promised, its opposite is the failure.
    other = "hypothetical" if main.strategy == "composite" else "composite"
    changed: dict[str, dict[str, Any]] = {
        "confirmations_1": {"rule": replace(main.rule, confirmations=1)},
        "confirmations_2": {"rule": replace(main.rule, confirmations=2)},
        "accept_unconfirmed": {"rule": replace(main.rule, accept_unconfirmed=True)},
        "control_ignored": {"rule": replace(main.rule, control_tooth="none")},
        "all_tests": {"rule": replace(main.rule, window_min=None)},
        "rescue_other_way": {"strategies": ((SUPPLEMENT, other),)},
        "first_cases_left_out": {"first_cases": False},
        "per_protocol": {"analysis_set": PER_PROTOCOL},
    }
    if choice not in changed:
        what, mend = f"the sensitivity analysis {choice!r} is not known", f"choose among {', '.join(SENSITIVITY)}"
        raise OnsetStudyError.of_key("analysis.sensitivity", what, mend, code="sensitivity")
    return replace(main, key=f"{main.key}:{choice}", **changed[choice])


def estimand_of(protocol: Protocol, quantity: str, *, analysis_set: str | None = None) -> Estimand:
    """What a protocol asks about one quantity.

    Parameters
    ----------
    protocol : Protocol
    quantity : str
        A key of :mod:`onsetstudy.core.quantities`.
    analysis_set : str or None
        ``None``: that of the main analysis.
    """
    onset, pain, plan = protocol.onset, protocol.pain, protocol.plan
    target, tau = onset.target_min, onset.tau_min
    at = {"success_difference": target, "rmst_difference": tau, "not_numb_difference": tau}
    matters = {
        "rmst_difference": plan.wait_difference_min,
        "pain_difference": None if pain is None else pain.instrument.important_difference,
    }
    analysis_set = main_set(protocol) if analysis_set is None else analysis_set
    asked = RESCUE_OF.get(quantity)
    supplement = None if asked is None else todays_strategy(getattr(protocol.rescue, asked))
    if quantity == "treatment_success_difference":
        supplement = "composite"  # A treatment that took a supplement is no success, whatever the rule for onset.
    return Estimand(
        key=f"{quantity}:{analysis_set.replace(' ', '_')}",
        quantity=quantity,
        at=at.get(quantity),
        analysis_set=analysis_set,
        strategies=() if supplement is None else ((SUPPLEMENT, supplement),),
        rule=ReadingRule(
            confirmations=onset.confirmations,
            control_tooth=protocol.schedule.control_tooth,
            window_min=protocol.schedule.window_min,
        ),
        matters=matters.get(quantity),
        grace_min=_grace(protocol) if quantity in at else None,
    )


def _grace(protocol: Protocol) -> float:
    """The plan's grace, or the median gap between the planned tests: not one that hangs on the cases at hand."""
    if protocol.plan.grace_min is not None:
        return protocol.plan.grace_min
    return float(median(later - earlier for earlier, later in itertools.pairwise((0.0, *protocol.schedule.tests_min))))
