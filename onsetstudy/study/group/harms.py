"""Harms of a group: counted where they were recorded, never guessed where they were not."""

from __future__ import annotations

import pandas as pd

from onsetstudy.core.results import ArmCount, Counts
from onsetstudy.outcomes.harm_results import ArmEvents
from onsetstudy.outcomes.harms import arm_events
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.group.results import GroupHarm

WORDS = {"any": ("event", "recorded"), "serious": ("serious", "rated")}
"""What is counted of each kind of harm, and the cases in which it is known."""


def group_harms(safety: pd.DataFrame, protocol: Protocol) -> tuple[GroupHarm, ...]:
    """Any adverse event, and serious ones, by arm, among the cases in which it was recorded whether one happened.

    Of an event that does not say whether it was serious it is not known that it was not. Files from before that was
    counted do not tell, so that of their events only those marked as serious are known.
    """
    total = _with_rated(safety).groupby(["arm", "what"])["n"].sum()

    def arm_of(arm: str, event: str, word: str, known: str) -> ArmEvents:
        happened, told, cases = (int(total.get((arm, what), 0)) for what in (word, known, "cases"))
        n = Counts(cases=cases, onsets=happened, by_arm=(ArmCount(arm=arm, cases=cases, onsets=happened),))
        return arm_events(event, arm, happened, told, cases, n=n, level=protocol.plan.conf_level)

    return tuple(
        GroupHarm(event=event, arms=tuple(arm_of(arm, event, *words) for arm in protocol.arm_codes[:2]))
        for event, words in WORDS.items()
    )


def _with_rated(safety: pd.DataFrame) -> pd.DataFrame:
    """The counts, with ``rated`` as far as it is known where a practice's files do not count it."""
    wide = safety.groupby(["practice_id", "arm", "what"])["n"].sum().unstack("what", fill_value=0)
    wide = wide.reindex(columns=sorted({*wide.columns, "recorded", "event", "serious", "rated"}), fill_value=0)
    told = wide.groupby(level="practice_id")["rated"].transform("sum") > 0
    wide["rated"] = wide["rated"].where(told, wide["recorded"] - wide["event"] + wide["serious"])
    return wide.reset_index().melt(id_vars=["practice_id", "arm"], var_name="what", value_name="n")


def practices_without_harms(safety: pd.DataFrame) -> tuple[tuple[str, int], ...]:
    """Practices none of whose cases tells whether anything happened, with their cases."""
    wide = safety.groupby(["practice_id", "what"])["n"].sum().unstack("what", fill_value=0)
    wide = wide.reindex(columns=["cases", "recorded"], fill_value=0)
    silent = wide[(wide["cases"] > 0) & (wide["recorded"] == 0)]
    return tuple((str(code), int(n)) for code, n in silent["cases"].items())
