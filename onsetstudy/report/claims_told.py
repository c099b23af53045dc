"""The claims of results as files and the terminal tell them: the same objects and sentences as page 1."""

from __future__ import annotations

from typing import Any

from onsetstudy.core.claims import Claim, Claims
from onsetstudy.core.results import Estimate
from onsetstudy.core.serialise import to_dict
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.sentences import sentence


def answer_line(claims: Claims, protocol: Protocol) -> str:
    """The two sentences of page 1 about the primary outcome."""
    return sentence(claims.primary(), protocol).text


def claims_listed(claims: Claims, protocol: Protocol) -> list[dict[str, Any]]:
    """Every claim as plain JSON types; numbers in the quantity's own unit, infinite ones as texts."""
    return [_listed(claim, protocol) for claim in claims]


def looks_note(claim: Claim) -> str:
    """What kind of interval a claim has where interim analyses are planned; empty where none are."""
    if claim.looks is None:
        return ""
    note = "The interval is a repeated confidence interval, which allows for the interim analyses."
    if claim.looks.other:
        note += " It is held to the boundary of another analysis, at which the records may have decided."
    elif claim.looks.stopped:
        note += (
            f" The study was decided at analysis {claim.looks.number}; the interval is of all cases with the boundary "
            "of that analysis, not the interval by the stage-wise order of outcomes at the stop."
        )
    return note


def _listed(claim: Claim, protocol: Protocol) -> dict[str, Any]:
    quantity, answer, look = claim.quantity, claim.answer, claim.looks
    found = answer if isinstance(answer, Estimate) else None
    # Infinite limits are texts, as in every file of results.
    span, alone = ({} if each is None else to_dict(each) for each in (found and found.interval, claim.alone))
    side = claim.bears.side if claim.bears else 0
    withheld = found is not None and side == 0 and quantity.side(found.interval.low, found.interval.high) != 0
    return {
        "key": f"{quantity.key}/{claim.subset}" if claim.subset else quantity.key,
        "quantity": quantity.key,
        "contrast": answer.contrast,
        "population": claim.population,
        "subset": claim.subset,
        "estimate": found.estimate if found else None,
        **{name: span.get(name) for name in ("low", "high", "level")},
        "unit": answer.unit,
        "available": found is not None,
        "direction": quantity.word(side) if side else "",
        "size": claim.bears.size if claim.bears else "",
        "withheld": withheld,
        "leads": claim.leads,
        "look": None if look is None else {"number": look.number, "planned": look.planned, "verdict": look.code},
        **{f"{name}_if_looked_once": alone.get(name) for name in ("low", "high")},
        "caution": looks_note(claim),
        "sentence": sentence(claim, protocol).text,
    }
