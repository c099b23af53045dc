"""Whether a case was mixed as its arm and the protocol say, and with what one may expect to buffer."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.protocol.model import Protocol
from onsetstudy.records.checks.findings import Findings

__all__ = ["crosscheck_mixing"]

USUAL_RATIO = (1 / 20, 1 / 8)
WEAK_PERCENT = 4.0
MIXED = {"add": "added on top", "replace": "put in place of the same volume"}


def _rows(mask: pd.Series | NDArray[np.bool_]) -> list[int]:
    return [int(i) for i in np.flatnonzero(np.asarray(mask, dtype=bool))]


def crosscheck_mixing(cases: pd.DataFrame, found: Findings, protocol: Protocol) -> None:
    """Arm against bicarbonate, ratio, precipitates, strength, and the way of mixing that was planned."""
    arm, volume, mode = cases["arm"], cases["bicarbonate_ml"].astype(float), cases["mix_mode"]
    declared = {a.code for a in protocol.arms}
    for row in _rows(arm.notna() & arm.isin(["plain", "buffered"]) & ~arm.isin(declared)):
        found.refuse(
            row,
            "arm",
            "code",
            f"{arm.iloc[row]} is not an arm of this study",
            f"write one of {', '.join(sorted(declared))}",
        )
    buffered, plain = arm == "buffered", arm == "plain"
    unread = {(row, problem.where.column) for row, problem in found.problems}
    for name, missing in (
        ("bicarbonate_ml", volume.isna() | (volume == 0)),
        ("mix_mode", mode.isna() | (mode == "none")),
    ):
        for row in _rows(buffered & missing):
            if (row, name) not in unread:
                what = (
                    "a buffered case without bicarbonate"
                    if name == "bicarbonate_ml"
                    else "a buffered case that was not mixed"
                )
                found.refuse(row, name, "mixing", what, "enter how it was mixed, or correct the arm")
    for row in _rows(plain & (volume > 0)):
        what = f"a plain case with {volume.iloc[row]:g} mL of bicarbonate"
        found.refuse(row, "bicarbonate_ml", "mixing", what, "correct the arm, or take the volume out")
    for row in _rows(plain & mode.isin(["add", "replace"])):
        found.refuse(
            row, "mix_mode", "mixing", f"a plain case mixed by {mode.iloc[row]}", "correct the arm, or write none"
        )
    ratio = volume / cases["cartridge_ml"].astype(float)
    odd = buffered & (volume > 0) & ((ratio < USUAL_RATIO[0] - 1e-9) | (ratio > USUAL_RATIO[1] + 1e-9))
    found.query(
        _rows(odd),
        "bicarbonate_ml",
        "ratio",
        "{value} mL of bicarbonate is outside 1:20 to 1:8 of the cartridge",
        "is it right?",
    )
    planned = next((a.mix_mode for a in protocol.arms if a.code == "buffered"), "")
    if planned in MIXED:
        _mixed_otherwise(buffered, mode, planned, found)
    else:
        _two_ways(buffered, mode, found)
    # The case stays: whoever was injected with it belongs in the counts of harm.
    found.query(
        _rows(buffered & (cases["agent"] == "bupivacaine") & (ratio >= 0.1 - 1e-9)),
        "bicarbonate_ml",
        "precipitates",
        "{value} mL of bicarbonate: bupivacaine precipitates at one part in ten or more",
        "check agent and volume; the case stays in the counts of harm",
    )
    strength = cases["bicarbonate_percent"].astype(float) if "bicarbonate_percent" in cases else ratio * np.nan
    found.query(
        _rows(buffered & (strength > 0) & (strength < WEAK_PERCENT)),
        "bicarbonate_percent",
        "weak_bicarbonate",
        "bicarbonate of {value} %, below 4 %: perhaps not buffered",
        "check the strength on the label; the case stays",
    )


def _two_ways(buffered: pd.Series, mode: pd.Series, found: Findings) -> None:
    """Cases mixed in another way than most: a protocol has one way of preparing the mixture."""
    many = mode[buffered & mode.isin(["add", "replace"])].value_counts()
    if len(many) < 2:
        return
    usual, other = ("add", "replace") if many["add"] >= many["replace"] else ("replace", "add")
    found.query(
        _rows(buffered & (mode == other)),
        "mix_mode",
        "two_ways",
        f"bicarbonate {MIXED[other]}, where in most cases it was {MIXED[usual]}",
        "is it right? The protocol says how the mixture is prepared; doses are worked out as recorded",
    )


def _mixed_otherwise(buffered: pd.Series, mode: pd.Series, planned: str, found: Findings) -> None:
    """Cases mixed in another way than the protocol says, though all of them were."""
    (other,) = MIXED.keys() - {planned}
    found.query(
        _rows(buffered & (mode == other)),
        "mix_mode",
        "mixed_otherwise",
        f"bicarbonate {MIXED[other]}, where the protocol says {MIXED[planned]}",
        "is it right? If so, the case stays, and doses are worked out as recorded",
    )
