"""What it would take to know more, at the pace so far."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from onsetstudy.core.results import Counts
from onsetstudy.design.formulas import log_rank_events
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.planning.power import rate_needed
from onsetstudy.study.planning.sizes import main_size, overall_alpha
from onsetstudy.study.results import MoreNeeded

PACE_QUARTERS = 2
SOURCE = "Schoenfeld 1983, Biometrics 39:499-503 (events of the log-rank test)"


def more_needed(protocol: Protocol, counts: Counts, cases_by_quarter: tuple[int, ...]) -> MoreNeeded:
    """Onsets, cases and quarters that the plan's effect asks for.

    Parameters
    ----------
    protocol : Protocol
        Gives the effect to be found, the power and the level.
    counts : Counts
        Analysed cases and onsets so far.
    cases_by_quarter : tuple of int
        Analysed cases of each quarter so far, oldest first.
    """
    found = _of_plan(protocol, counts) or _by_onsets(protocol, counts)
    pace, quarters = _pace(found.cases_needed, counts, cases_by_quarter)
    text = found.text
    if pace is not None and quarters and not (found.events_needed and counts.onsets >= found.events_needed):
        text += f" At {pace:.0f} cases a quarter that is about {quarters} more quarter{'' if quarters == 1 else 's'}."
    return dataclasses.replace(found, cases_per_quarter=pace, quarters_more=quarters, text=text)


def _pace(cases: int | None, counts: Counts, cases_by_quarter: tuple[int, ...]) -> tuple[float | None, int | None]:
    """Cases a quarter of late, and quarters until so many cases are in."""
    begun = next((i for i, n in enumerate(cases_by_quarter) if n > 0), 0)
    recent = cases_by_quarter[begun:][-PACE_QUARTERS:]
    pace = float(np.mean(recent)) if recent and sum(recent) > 0 else None
    return pace, None if cases is None or pace is None else max(0, math.ceil((cases - counts.cases) / pace))


def _of_plan(protocol: Protocol, counts: Counts) -> MoreNeeded | None:
    """The size that the plan tells of its main outcome, by formula or by simulated trials, beside the cases so far."""
    ratio, power, alpha = protocol.plan.planned_hazard_ratio, protocol.plan.planned_power, overall_alpha(protocol)
    if (main := main_size(protocol)) is not None:
        power, alpha = main.power, main.alpha
        test, effect, source = main.test, main.effect_text, f"{main.method} ({main.source})"
        included, cases, whose = main.total, main.analysed, "patients" if len(main.cases) == 1 else "cases"
        meaning, looked, how = "", "", "for a single analysis"
    elif (rate := rate_needed(protocol)) is not None:
        test, effect, source = rate.test, f"a hazard ratio of {ratio:g}", "simulated trials of the plan"
        included, cases, whose = rate.included, rate.analysed, "cases"
        meaning, how = f", becoming numb at {ratio:g} times the rate", "by simulated trials"
        looked = "" if protocol.looks is None else " and with the planned interim analyses"
    else:
        return None
    lost = f" to include, {cases} of them analysed" if included > cases or main is None else ""
    text = (
        f"To find what is planned for in the main outcome ({effect}{meaning}) with {100 * power:.0f} % power of the "
        f"{test}{looked} takes {included} {whose}{lost}, as the plan has it {how}; {counts.cases} cases have been "
        "analysed."
    )
    return MoreNeeded(
        hazard_ratio=None if main is not None else ratio,
        test=test,
        effect=effect,
        power=power,
        alpha=alpha,
        events_seen=counts.onsets,
        cases_to_include=included,
        cases_needed=cases,
        cases_seen=counts.cases,
        text=text,
        source=source,
    )


def _by_onsets(protocol: Protocol, counts: Counts) -> MoreNeeded:
    """Onsets of the log-rank test by formula, which knows nothing of teeth that never become numb."""
    ratio, power = protocol.plan.planned_hazard_ratio, protocol.plan.planned_power
    alpha = 1 - protocol.plan.conf_level
    sizes = [counts.arm(code).cases for code in protocol.arm_codes[:2]]
    share = sizes[1] / sum(sizes) if all(sizes) else 0.5
    events = math.ceil(log_rank_events(ratio, power=power, alpha=alpha, allocation_share=share))
    onset_share = counts.onsets / counts.cases if counts.cases else 0.0
    cases = math.ceil(events / onset_share) if onset_share > 0 else None
    other = (
        ", by a formula that does not know of teeth that never become numb,"
        if protocol.plan.primary == "hazard_ratio"
        else ", which is not the main outcome's,"
    )
    wish = (
        f"To find a hazard ratio of {ratio:g} (becoming numb at {ratio:g} times the rate) with {100 * power:.0f} % "
        f"power of the log-rank test{other} takes {events} teeth seen to go numb"
    )
    if counts.onsets >= events:
        text = f"{wish}; {counts.onsets} have been seen."
    elif cases is None:
        text = f"{wish}; none has been seen so far, so the number of cases cannot be told."
    else:
        text = (
            f"{wish}, about {cases} cases at the share seen so far; "
            f"{counts.onsets} such teeth in {counts.cases} cases have been seen."
        )
    return MoreNeeded(
        hazard_ratio=ratio,
        power=power,
        alpha=alpha,
        events_needed=events,
        events_seen=counts.onsets,
        cases_needed=cases,
        cases_seen=counts.cases,
        text=text,
        source=SOURCE,
    )
