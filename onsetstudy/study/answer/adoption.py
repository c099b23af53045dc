"""Adopt, do not adopt, or undecided: by the rule that was declared before the lock, and only once the study is over."""

from __future__ import annotations

from typing import Protocol

from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Estimate
from onsetstudy.outcomes.chair_results import ChairTime
from onsetstudy.outcomes.harm_results import Safety
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.protocol.governance import AdoptionRule
from onsetstudy.protocol.model import Protocol as StudyProtocol
from onsetstudy.study.adoption_results import Adoption, AdoptionPart
from onsetstudy.study.results import LooksTaken, Population

__all__ = ["adoption_of", "is_over", "side_of_margin", "verdict_of"]


class Finished(Protocol):
    """What the rule of adoption is held against."""

    @property
    def protocol(self) -> StudyProtocol: ...
    @property
    def quarter(self) -> str: ...
    @property
    def overall(self) -> Population: ...
    @property
    def looks(self) -> LooksTaken | None: ...
    @property
    def chair_time(self) -> ChairTime | None: ...
    @property
    def safety(self) -> Safety | None: ...


def is_over(results: Finished) -> bool:
    """Whether this is the closing page: a boundary was crossed, the planned size reached, or the last quarter come."""
    verdicts = () if results.looks is None else results.looks.verdicts
    ended = any(v.code in ("crossed", "ended") for v in verdicts)
    return ended or results.quarter == results.protocol.quarters[-1].label


def adoption_of(results: Finished) -> Adoption | None:
    """What the rule says; ``None`` without a rule, or as long as the study goes on."""
    rule = results.protocol.adoption
    if rule is None or not is_over(results):
        return None
    if rule.none_because is not None:
        return Adoption(verdict="", none_because=rule.none_because)
    pain = results.overall.pain
    chair = None if results.chair_time is None else results.chair_time.difference
    parts = (
        AdoptionPart(name="net_min", code=side_of_margin("chair_time_difference", chair, rule.net_min or 0.0)),
        AdoptionPart(
            name="pain_margin",
            code=side_of_margin(
                "pain_shift", pain.shift if isinstance(pain, PainComparison) else None, -(rule.pain_margin or 0.0)
            ),
        ),
        AdoptionPart(
            name="not_numb_margin",
            code=side_of_margin(
                "not_numb_difference", results.overall.never_numb_difference, -(rule.not_numb_margin or 0.0)
            ),
        ),
        AdoptionPart(name="stopping_harms", code=_harms(results, rule)),
    )
    return Adoption(verdict=verdict_of(parts), parts=parts)


def side_of_margin(key: str, estimate: object, least_gain: float) -> str:
    """Whether the gain of the other arm is at least ``least_gain`` (a loss that is allowed: below nought).

    Parameters
    ----------
    key : str
        Quantity: its row of the table says which side is better.
    estimate : object
        An ``Estimate``, or anything else where there is none.
    least_gain : float
        In the quantity's unit.

    Returns
    -------
    str
        ``met`` where the whole interval is, ``failed`` where nothing of it is, else ``open``.
    """
    if not isinstance(estimate, Estimate):
        return "open"
    ends = [quantity_of(key).favours * end for end in (estimate.interval.low, estimate.interval.high)]
    if min(ends) >= least_gain:
        return "met"
    return "failed" if max(ends) < least_gain else "open"


def _harms(results: Finished, rule: AdoptionRule) -> str:
    if results.safety is None:
        return "open"
    other = results.protocol.contrast_arm
    stopping = rule.stopping_harms or ()
    for arm, event, serious, _, count in results.safety.listing:
        if arm == other and count and (event in stopping or ("serious" in stopping and serious == "yes")):
            return "failed"
    return "met"


def verdict_of(parts: tuple[AdoptionPart, ...]) -> str:
    """One condition that failed is enough not to adopt; to adopt, all have to be met."""
    codes = {part.code for part in parts}
    if "failed" in codes:
        return "do_not_adopt"
    return "adopt" if codes == {"met"} else "undecided"
