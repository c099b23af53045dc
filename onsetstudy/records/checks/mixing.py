"""Whether a case was mixed as its arm and the protocol say, and with what one may expect to buffer."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.findings import Findings

__all__ = ["crosscheck_mixing"]

USUAL_RATIO = (1 / 20, 1 / 8)
WEAK_PERCENT = 4.0
MIXED = {"add": "added on top", "replace": "put in place of the same volume"}


def crosscheck_mixing(cases: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    """Arm against bicarbonate, ratio, precipitates, strength, and the way of mixing that was planned."""
    arm, volume, mode = cases["arm"], cases["bicarbonate_ml"].astype(float), cases["mix_mode"]
    declared = [a.code for a in protocol.arms]
    mend = f"write one of {', '.join(sorted(declared))}"
    other = arm.isin(["plain", "buffered"]) & ~arm.isin(declared)
    found.refuse_where(other, "arm", "code", "{arm} is not an arm of this study", mend, arm=arm)
    buffered, plain = arm == "buffered", arm == "plain"
    for name, missing, what in (
        ("bicarbonate_ml", volume.isna() | (volume == 0), "a buffered case without bicarbonate"),
        ("mix_mode", mode.isna() | (mode == "none"), "a buffered case that was not mixed"),
    ):
        mend = "enter how it was mixed, or correct the arm"
        found.refuse_where(buffered & missing & ~found.unread(name), name, "mixing", what, mend)
    what, mend = "a plain case with {volume:g} mL of bicarbonate", "correct the arm, or take the volume out"
    found.refuse_where(plain & (volume > 0), "bicarbonate_ml", "mixing", what, mend, volume=volume)
    what, mend = "a plain case mixed by {mode}", "correct the arm, or write none"
    found.refuse_where(plain & mode.isin([*MIXED]), "mix_mode", "mixing", what, mend, mode=mode)
    ratio = volume / cases["cartridge_ml"].astype(float)
    odd = buffered & (volume > 0) & ((ratio < USUAL_RATIO[0] - 1e-9) | (ratio > USUAL_RATIO[1] + 1e-9))
    what = "{value} mL of bicarbonate is outside 1:20 to 1:8 of the cartridge"
    found.query(odd, "bicarbonate_ml", "ratio", what, "is it right?")
    _other_ways(buffered, mode, found, protocol)
    # The case stays: whoever was injected with it belongs in the counts of harm.
    clouded = buffered & (cases["agent"] == "bupivacaine") & (ratio >= 0.1 - 1e-9)
    what = "{value} mL of bicarbonate: bupivacaine precipitates at one part in ten or more"
    mend = "check agent and volume; the case stays in the counts of harm"
    found.query(clouded, "bicarbonate_ml", "precipitates", what, mend)
    strength = cases["bicarbonate_percent"].astype(float) if "bicarbonate_percent" in cases else ratio * np.nan
    weak = buffered & (strength > 0) & (strength < WEAK_PERCENT)
    what, mend = (
        "bicarbonate of {value} %, below 4 %: perhaps not buffered",
        "check the strength on the label; the case stays",
    )
    found.query(weak, "bicarbonate_percent", "weak_bicarbonate", what, mend)


def _other_ways(buffered: pd.Series, mode: pd.Series, found: Findings, protocol: Protocol) -> None:
    """Cases mixed otherwise than the protocol says; where it does not, in another way than most."""
    planned = next((a.mix_mode for a in protocol.arms if a.code == "buffered"), "")
    many = mode[buffered & mode.isin([*MIXED])].value_counts()
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
