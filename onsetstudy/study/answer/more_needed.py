"""What it would take to know more, at the pace so far."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from onsetstudy.core.errors import DesignError
from onsetstudy.core.results import Counts
from onsetstudy.design.sizes.formulas import log_rank_events
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.planning.power import plan_of, size_told
from onsetstudy.study.planning.results import Needed
from onsetstudy.study.planning.sizes import overall_alpha
from onsetstudy.study.results import MoreNeeded

PACE_QUARTERS = 2
SOURCE = "Schoenfeld 1983, Biometrics 39:499-503 (events of the log-rank test)"


def more_needed(
    protocol: Protocol,
    counts: Counts,
    cases_by_quarter: tuple[int, ...],
    pairs_by_quarter: tuple[int, ...] | None = None,
) -> MoreNeeded:
    """Onsets, cases and quarters that the plan's effect asks for; patients where the plan's size is of patients.

    Parameters
    ----------
    protocol : Protocol
        Gives the effect to be found, the power and the level.
    counts : Counts
        Analysed cases and onsets so far.
    cases_by_quarter : tuple of int
        Analysed cases of each quarter so far, oldest first.
    pairs_by_quarter : tuple of int or None
        Of a design that gives each patient both arms: the patients whose second case came in each quarter. By default
        as many as there can be of these cases.
    """
    seen, by_quarter, whose = counts.cases, tuple(map(float, cases_by_quarter)), "cases"
    if protocol.study.paired:
        fewer = min((arm.cases for arm in counts.by_arm), default=counts.cases // 2)
        seen = fewer if pairs_by_quarter is None else sum(pairs_by_quarter)
        by_quarter = tuple(n / 2 for n in cases_by_quarter) if pairs_by_quarter is None else pairs_by_quarter
        whose = "patients"
    found = _of_plan(protocol, counts, seen)
    if found is None:
        found, seen, by_quarter, whose = _by_onsets(protocol, counts), counts.cases, cases_by_quarter, "cases"
    pace, quarters = _pace(found.cases_needed, seen, by_quarter)
    text = found.text
    if pace is not None and quarters and not (found.events_needed and counts.onsets >= found.events_needed):
        at = "less than one" if pace < 0.5 else f"{pace:.0f}"
        many = whose.removesuffix("s") if pace < 1.5 else whose
        text += f" At {at} {many} a quarter that is about {quarters} more quarter{'' if quarters == 1 else 's'}."
    return dataclasses.replace(found, cases_per_quarter=pace, quarters_more=quarters, text=text)


def _pace(needed: int | None, seen: int, by_quarter: tuple[float, ...]) -> tuple[float | None, int | None]:
    """Cases (or patients) a quarter of late, and quarters until so many are in."""
    begun = next((i for i, n in enumerate(by_quarter) if n > 0), 0)
    recent = by_quarter[begun:][-PACE_QUARTERS:]
    pace = float(np.mean(recent)) if recent and sum(recent) > 0 else None
    return pace, None if needed is None or pace is None else max(0, math.ceil((needed - seen) / pace))


def _of_plan(protocol: Protocol, counts: Counts, seen: int) -> MoreNeeded | None:
    """The size that the plan tells of its main outcome, by formula or by simulated trials, beside the cases so far.

    Where each patient has both arms, ``seen`` and the size are of patients with both.
    """
    ratio = protocol.plan.planned_hazard_ratio
    try:
        takes = size_told(protocol)
    except DesignError:  # plan and lock say so; what was found is reported all the same
        takes = None
    if takes is None:
        return None
    included, cases, simulated = takes.total, takes.analysed, isinstance(takes, Needed)
    if isinstance(takes, Needed):
        power, alpha = protocol.plan.planned_power, overall_alpha(protocol)
        effect, meaning = f"a hazard ratio of {ratio:g}", f", becoming numb at {ratio:g} times the rate"
        looked = "" if plan_of(protocol) is None else " and with the planned interim analyses"
        how, source = "by simulated trials", "simulated trials of the plan"
    else:
        power, alpha, effect, meaning, looked = takes.power, takes.alpha, takes.effect_text, "", ""
        how, source = "for a single analysis", f"{takes.method} ({takes.source})"
    who, both = ("patient", " with both arms") if protocol.study.paired else ("case", "")
    lost = f" to include, {cases} of them analysed" if included > cases or simulated else ""
    text = (
        f"To find what is planned for in the main outcome ({effect}{meaning}) with {100 * power:.0f} % power of the "
        f"{takes.test}{looked} takes {included} {who}s{lost}, as the plan has it {how}; "
        f"{seen} {who}{' has' if seen == 1 else 's have'} been analysed{both}."
    )
    return MoreNeeded(
        hazard_ratio=ratio if simulated else None,
        test=takes.test,
        effect=effect,
        power=power,
        alpha=alpha,
        events_seen=counts.onsets,
        cases_to_include=included,
        cases_needed=cases,
        cases_seen=seen,
        text=text,
        source=source,
    )


def _by_onsets(protocol: Protocol, counts: Counts) -> MoreNeeded:
    """Onsets of the log-rank test by formula, which knows nothing of teeth that never become numb."""
    ratio, power = protocol.plan.planned_hazard_ratio, protocol.plan.planned_power
    alpha = overall_alpha(protocol)
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
    if protocol.study.paired:
        other += " as if the arms were different patients,"
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
