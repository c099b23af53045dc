"""What it would take to know more, at the pace so far."""

from __future__ import annotations

import math

import numpy as np

from onsetstudy.core.results import Counts
from onsetstudy.design.power import log_rank_events
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.results import MoreNeeded

__all__ = ["PACE_QUARTERS", "more_needed"]

PACE_QUARTERS = 2
SOURCE = "Schoenfeld 1983, Biometrics 39:499-503 (events of the log-rank test)"


def more_needed(protocol: Protocol, counts: Counts, cases_by_quarter: tuple[int, ...]) -> MoreNeeded:
    """Onsets, cases and quarters that the plan's effect asks for.

    Parameters
    ----------
    protocol : Protocol
        Gives the hazard ratio to be found, the power and the level.
    counts : Counts
        Analysed cases and onsets so far.
    cases_by_quarter : tuple of int
        Analysed cases of each quarter so far, oldest first.
    """
    ratio, power = protocol.plan.planned_hazard_ratio, protocol.plan.planned_power
    alpha = 1 - protocol.plan.conf_level
    sizes = [counts.arm(code).cases for code in protocol.arm_codes[:2]]
    share = sizes[1] / sum(sizes) if all(sizes) else 0.5
    events = math.ceil(log_rank_events(ratio, power=power, alpha=alpha, allocation_share=share))
    onset_share = counts.onsets / counts.cases if counts.cases else 0.0
    cases = math.ceil(events / onset_share) if onset_share > 0 else None
    begun = next((i for i, n in enumerate(cases_by_quarter) if n > 0), 0)
    recent = cases_by_quarter[begun:][-PACE_QUARTERS:]
    pace = float(np.mean(recent)) if recent and sum(recent) > 0 else None
    quarters = None
    if cases is not None and pace is not None:
        quarters = max(0, math.ceil((cases - counts.cases) / pace))
    return MoreNeeded(
        hazard_ratio=ratio,
        test="log-rank test",
        power=power,
        alpha=alpha,
        events_needed=events,
        events_seen=counts.onsets,
        cases_needed=cases,
        cases_seen=counts.cases,
        cases_per_quarter=pace,
        quarters_more=quarters,
        text=_sentence(protocol, events, counts, cases, pace, quarters),
        source=SOURCE,
    )


def _sentence(
    protocol: Protocol, events: int, counts: Counts, cases: int | None, pace: float | None, quarters: int | None
) -> str:
    ratio, power = protocol.plan.planned_hazard_ratio, protocol.plan.planned_power
    other = "" if protocol.plan.primary == "hazard_ratio" else ", which is not the main outcome's (see the plan),"
    wish = (
        f"To find a hazard ratio of {ratio:g} (becoming numb at {ratio:g} times the rate) with {100 * power:.0f} % "
        f"power of the log-rank test{other} takes {events} teeth seen to go numb"
    )
    if counts.onsets >= events:
        return f"{wish}; {counts.onsets} have been seen."
    if cases is None:
        return f"{wish}; none has been seen so far, so the number of cases cannot be told."
    told = (
        f"{wish}, about {cases} cases at the share seen so far; "
        f"{counts.onsets} such teeth in {counts.cases} cases have been seen."
    )
    if quarters is None or pace is None:
        return told
    word = "quarter" if quarters == 1 else "quarters"
    return f"{told} At {pace:.0f} cases a quarter that is about {quarters} more {word}."
