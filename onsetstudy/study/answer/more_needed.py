"""What it would take to know more, at the pace so far."""

from __future__ import annotations

import math

import numpy as np

from onsetstudy.core.results import Counts
from onsetstudy.design.formulas import log_rank_events
from onsetstudy.design.size_results import SampleSize
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.planning.power import rate_needed
from onsetstudy.study.planning.sizes import main_size, overall_alpha
from onsetstudy.study.planning_results import Needed
from onsetstudy.study.results import MoreNeeded

__all__ = ["PACE_QUARTERS", "more_needed"]

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
    main = main_size(protocol)
    if main is not None:
        return _of_plan(main, counts, cases_by_quarter)
    rate = rate_needed(protocol)
    if rate is not None:
        return _of_trials(protocol, rate, counts, cases_by_quarter)
    return _by_onsets(protocol, counts, cases_by_quarter)


def _of_plan(main: SampleSize, counts: Counts, cases_by_quarter: tuple[int, ...]) -> MoreNeeded:
    """The size that the plan tells of its main outcome, beside the cases so far."""
    cases = math.ceil(main.unrounded)
    pace, quarters = _pace(cases, counts, cases_by_quarter)
    included = f" to include, {cases} of them analysed" if main.total > cases else ""
    whose = "patients" if len(main.cases) == 1 else "cases"
    seen = f"{counts.cases} cases have been analysed"
    text = (
        f"To find what is planned for in the main outcome ({main.effect_text}) with {100 * main.power:.0f} % power of "
        f"the {main.test} takes {main.total} {whose}{included}, as the plan has it for a single analysis; {seen}."
    )
    return MoreNeeded(
        hazard_ratio=None,
        test=main.test,
        effect=main.effect_text,
        power=main.power,
        alpha=main.alpha,
        events_needed=None,
        events_seen=counts.onsets,
        cases_to_include=main.total,
        cases_needed=cases,
        cases_seen=counts.cases,
        cases_per_quarter=pace,
        quarters_more=quarters,
        text=text + _at_pace(pace, quarters),
        source=f"{main.method} ({main.source})",
    )


def _of_trials(protocol: Protocol, rate: Needed, counts: Counts, cases_by_quarter: tuple[int, ...]) -> MoreNeeded:
    """The size that the plan's simulated trials give a study of the rate, beside the cases so far."""
    ratio, power = protocol.plan.planned_hazard_ratio, protocol.plan.planned_power
    pace, quarters = _pace(rate.analysed, counts, cases_by_quarter)
    looked = "" if protocol.looks is None else " and with the planned interim analyses"
    effect = f"a hazard ratio of {ratio:g}"
    text = (
        f"To find what is planned for in the main outcome ({effect}, becoming numb at {ratio:g} times the rate) with "
        f"{100 * power:.0f} % power of the {rate.test}{looked} takes {rate.included} cases to include, {rate.analysed} "
        f"of them analysed, as the plan has it by simulated trials; {counts.cases} cases have been analysed."
    )
    return MoreNeeded(
        hazard_ratio=ratio,
        test=rate.test,
        effect=effect,
        power=power,
        alpha=overall_alpha(protocol),
        events_needed=None,
        events_seen=counts.onsets,
        cases_to_include=rate.included,
        cases_needed=rate.analysed,
        cases_seen=counts.cases,
        cases_per_quarter=pace,
        quarters_more=quarters,
        text=text + _at_pace(pace, quarters),
        source="simulated trials of the plan",
    )


def _pace(cases: int | None, counts: Counts, cases_by_quarter: tuple[int, ...]) -> tuple[float | None, int | None]:
    """Cases a quarter of late, and quarters until so many cases are in."""
    begun = next((i for i, n in enumerate(cases_by_quarter) if n > 0), 0)
    recent = cases_by_quarter[begun:][-PACE_QUARTERS:]
    pace = float(np.mean(recent)) if recent and sum(recent) > 0 else None
    if cases is None or pace is None:
        return pace, None
    return pace, max(0, math.ceil((cases - counts.cases) / pace))


def _at_pace(pace: float | None, quarters: int | None) -> str:
    if not quarters or pace is None:
        return ""
    word = "quarter" if quarters == 1 else "quarters"
    return f" At {pace:.0f} cases a quarter that is about {quarters} more {word}."


def _by_onsets(protocol: Protocol, counts: Counts, cases_by_quarter: tuple[int, ...]) -> MoreNeeded:
    """Onsets of the log-rank test by formula, which knows nothing of teeth that never become numb."""
    ratio, power = protocol.plan.planned_hazard_ratio, protocol.plan.planned_power
    alpha = 1 - protocol.plan.conf_level
    sizes = [counts.arm(code).cases for code in protocol.arm_codes[:2]]
    share = sizes[1] / sum(sizes) if all(sizes) else 0.5
    events = math.ceil(log_rank_events(ratio, power=power, alpha=alpha, allocation_share=share))
    onset_share = counts.onsets / counts.cases if counts.cases else 0.0
    cases = math.ceil(events / onset_share) if onset_share > 0 else None
    pace, quarters = _pace(cases, counts, cases_by_quarter)
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
        return f"{wish}; {counts.onsets} have been seen."
    if cases is None:
        return f"{wish}; none has been seen so far, so the number of cases cannot be told."
    told = (
        f"{wish}, about {cases} cases at the share seen so far; "
        f"{counts.onsets} such teeth in {counts.cases} cases have been seen."
    )
    return told + _at_pace(pace, quarters)
