"""Whether a case was mixed as its arm and the protocol say, and with what one may expect to buffer."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.arrays import BoolArray
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.checks.findings import Findings

__all__ = ["crosscheck_mixing"]

USUAL_RATIO = (1 / 20, 1 / 8)
WEAK_PERCENT = 4.0
MIXED = {"add": "added on top", "replace": "put in place of the same volume"}


def crosscheck_mixing(found: Findings, protocol: Protocol) -> None:
    """Arm against bicarbonate, ratio, precipitates, strength, and the way of mixing that was planned."""
    arm, volume, mode = found.words("arm"), found.numbers("bicarbonate_ml"), found.words("mix_mode")
    declared = [a.code for a in protocol.arms]
    mend = f"write one of {', '.join(sorted(declared))}"
    other = np.isin(arm, CODES["arm"]) & ~np.isin(arm, declared)
    found.refuse_where(other, "arm", "code", "{arm} is not an arm of this study", mend, arm=arm)
    buffered, plain = arm == "buffered", arm == "plain"
    for name, missing, what in (
        ("bicarbonate_ml", np.isnan(volume) | (volume == 0), "a buffered case without bicarbonate"),
        ("mix_mode", np.isin(mode, ("", "none")), "a buffered case that was not mixed"),
    ):
        mend = "enter how it was mixed, or correct the arm"
        found.refuse_where(buffered & missing & ~found.unread(name), name, "mixing", what, mend)
    what, mend = "a plain case with {volume:g} mL of bicarbonate", "correct the arm, or take the volume out"
    found.refuse_where(plain & (volume > 0), "bicarbonate_ml", "mixing", what, mend, volume=volume)
    what, mend = "a plain case mixed by {mode}", "correct the arm, or write none"
    found.refuse_where(plain & np.isin(mode, [*MIXED]), "mix_mode", "mixing", what, mend, mode=mode)
    cartridge = found.numbers("cartridge_ml")
    ratio = volume / np.where(cartridge > 0, cartridge, np.nan)
    odd = buffered & (volume > 0) & ((ratio < USUAL_RATIO[0] - 1e-9) | (ratio > USUAL_RATIO[1] + 1e-9))
    what = "{value} mL of bicarbonate is outside 1:20 to 1:8 of the cartridge"
    found.query(odd, "bicarbonate_ml", "ratio", what, "is it right?")
    _other_ways(buffered, mode, found, protocol)
    # The case stays: whoever was injected with it belongs in the counts of harm.
    clouded = buffered & (found.words("agent") == "bupivacaine") & (ratio >= 0.1 - 1e-9)
    what = "{value} mL of bicarbonate: bupivacaine precipitates at one part in ten or more"
    mend = "check agent and volume; the case stays in the counts of harm"
    found.query(clouded, "bicarbonate_ml", "precipitates", what, mend)
    strength = found.numbers("bicarbonate_percent")
    weak = buffered & (strength > 0) & (strength < WEAK_PERCENT)
    what = "bicarbonate of {value} %, below 4 %: perhaps not buffered"
    mend = "check the strength on the label; the case stays"
    found.query(weak, "bicarbonate_percent", "weak_bicarbonate", what, mend)


def _other_ways(buffered: BoolArray, mode: NDArray[np.object_], found: Findings, protocol: Protocol) -> None:
    """Cases mixed otherwise than the protocol says; where it does not, in another way than most."""
    planned = next((a.mix_mode for a in protocol.arms if a.code == "buffered"), "")
    many = Counter(way for way in mode[buffered] if way in MIXED)
    if planned in MIXED:
        code, usual, where = "mixed_otherwise", planned, "the protocol says"
        mend = "is it right? If so, the case stays, and doses are worked out as recorded"
    elif len(many) == 2:
        code, usual, where = "two_ways", "add" if many["add"] >= many["replace"] else "replace", "in most cases it was"
        mend = "is it right? The protocol says how the mixture is prepared; doses are worked out as recorded"
    else:
        return
    (other,) = MIXED.keys() - {usual}
    what = f"bicarbonate {MIXED[other]}, where {where} {MIXED[usual]}"
    found.query(buffered & (mode == other), "mix_mode", code, what, mend)
