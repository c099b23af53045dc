"""Published results that can stand beside a practice's own: the same techniques, whatever they found."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pandas as pd

from onsetstudy.core.results import Caution, Counts, EstimateLike, NotAvailable, complement_of
from onsetstudy.inference.estimate_or_reason import not_asked, without_number
from onsetstudy.outcomes.published_results import (
    ContextGroup,
    ContextPanel,
    PublishedContext,
    PublishedRange,
    PublishedTable,
)
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.results import Population

TEST_METHOD = "cold"
TEST_NAMES = {"cold": "cold", "ept": "an electric pulp tester", "treatment pain": "pain on treatment"}
PATIENTS = {"volunteers": ("volunteers",), "inflamed pulps": ("pulpitis", "pulpally"), "children": ("children",)}
"""Who was treated, by words of the table."""
ORDERED_WORDS = ("vrs4",)
ALSO_TOLD = {"onset": ("numb_by",), "success": (), "pain": ("painless",)}
INJECTION = ("insertion", "placement", "deposition")
SELECTION = Caution(
    code="published_selection",
    text="A selection by topic, not a systematic review. Trials that found something are published more often, and "
    "means without an interval show no uncertainty although they have it.",
)
NO_YARDSTICK = Caution(
    code="no_yardstick",
    text="Published results come from other teeth, operators and tests: they show what is usual and do not judge "
    "yours.",
)


def context_of(
    populations: tuple[Population, ...], cases: pd.DataFrame, protocol: Protocol, table: PublishedTable
) -> PublishedContext:
    """The practice's own differences among published ones.

    Parameters
    ----------
    populations : tuple of Population
        All cases first, then (if there are several techniques) one population for each technique.
    cases : DataFrame
        Analysed cases, for their techniques and agents.
    protocol : Protocol
    table : PublishedTable
        Chosen from it by technique alone, never by what was found.
    """
    techniques, agents = _levels(cases, "technique"), _levels(cases, "agent")
    overall, by_technique = populations[0], {p.level: p for p in populations if p.dimension == "technique"}
    mine = {code: overall if len(techniques) == 1 else by_technique.get(code) for code in techniques}
    made = [panel for make in (_onset, _success, _pain) if (panel := make(protocol)) is not None]
    panels = [_filled(panel, own, mine, overall, table) for panel, own in made]
    return PublishedContext(
        panels=tuple(panels),
        techniques=techniques,
        agents=agents,
        test_method=TEST_METHOD,
        table_date=table.date,
        table_title=table.title,
        words=_words(_shown(panels), agents, protocol),
        caution=(NO_YARDSTICK, SELECTION),
    )


def _levels(cases: pd.DataFrame, name: str) -> tuple[str, ...]:
    return tuple(sorted(cases[name].dropna().astype(str).unique())) if name in cases else ()


Own = Callable[[Population], EstimateLike]
Panel = tuple[ContextPanel, Own]


def _onset(protocol: Protocol) -> Panel:
    meaning = (
        f"difference in restricted mean times to onset up to {protocol.onset.tau_min:g} min, every case counted; "
        "published means are mostly of the teeth that went numb"
    )
    return ContextPanel(outcome="onset", unit="min", own_meaning=meaning), lambda p: p.wait_difference


def _success(protocol: Protocol) -> Panel:
    meaning = (
        f"difference in the proportion numb within {protocol.onset.tau_min:g} min by the first injection alone; "
        "published success is by each trial's own definition"
    )
    # A share comes as a fraction; drawn are points of a hundred.
    panel = ContextPanel(outcome="success", unit="points of a hundred", own_meaning=meaning, own_factor=100.0)
    return panel, lambda p: complement_of(p.never_numb_difference, "numb_by_horizon_difference")


def _pain(protocol: Protocol) -> Panel | None:
    plan = protocol.pain
    if plan is None or plan.moment not in INJECTION:
        return None

    def own(p: Population) -> EstimateLike:
        if isinstance(p.pain, NotAvailable):
            return p.pain
        shift = p.pain.shift
        if plan.instrument.scale not in ORDERED_WORDS:
            return shift
        return without_number(shift, "no_common_scale", "four words have no place on a line from 0 to 100")

    low, high = plan.instrument.low, plan.instrument.high
    factor = 100 / (high - low)
    scaled = "" if factor == 1 else f"your scale of {low:g} to {high:g} stretched to 0 to 100 for drawing"
    meaning = (
        f"middle difference in pain at {plan.moment} (Hodges-Lehmann); published differences are of mean injection pain"
    )
    return ContextPanel(outcome="pain", unit="of 100", own_meaning=meaning, own_factor=factor, own_scaled=scaled), own


def _filled(
    panel: ContextPanel, own: Own, mine: dict[str, Population | None], overall: Population, table: PublishedTable
) -> ContextPanel:
    """The panel with a group for each technique; ``mine`` are the cases of each that were analysed by themselves."""
    of_outcome = sorted(
        (r for r in table.ranges if r.outcome in (panel.outcome, *ALSO_TOLD[panel.outcome])),
        key=lambda r: (r.year, r.id),
    )
    contrast, none = overall.wait_difference.contrast, Counts(cases=0, onsets=0)
    reason = "this technique was not analysed by itself"
    nothing = not_asked(panel.outcome, reason, code="not_analysed", contrast=contrast, unit=panel.unit, n=none)
    groups = []
    for technique, found in mine.items():
        beside = [r for r in of_outcome if technique in r.techniques]
        ours = nothing if found is None else own(found)
        drawn = tuple(r for r in beside if r.outcome == panel.outcome and r.drawn() is not None)
        listed = tuple(r for r in beside if r not in drawn)
        groups.append(ContextGroup(technique=technique, own=ours, drawn=drawn, listed=listed))
    other = sum(not set(r.techniques) & mine.keys() for r in of_outcome)
    return dataclasses.replace(panel, groups=tuple(groups), other=other)


def _shown(panels: list[ContextPanel]) -> tuple[PublishedRange, ...]:
    seen = {r.id: r for panel in panels for group in panel.groups for r in (*group.drawn, *group.listed)}
    return tuple(sorted(seen.values(), key=lambda r: (r.year, r.id)))


def _words(shown: tuple[PublishedRange, ...], agents: tuple[str, ...], protocol: Protocol) -> tuple[str, ...]:
    """What differs between the published results shown and this practice, in counts."""
    if not shown:
        return ("No published result in the table shares a technique with these cases.",)
    n = len(shown)
    texts = [f"{n} published result{'' if n == 1 else 's'} share a technique with these cases, whatever they found."]
    if n == 1:
        texts = ["One published result shares a technique with these cases."]
    other = [r for r in shown if r.agent and r.agent not in agents]
    if other:
        names = ", ".join(sorted({r.agent for r in other}))
        texts.append(f"Agent: {len(other)} of {n} used another anaesthetic than these cases ({names}).")
    by_test = [
        f"{sum(r.test_method == method for r in shown)} by {name}"
        for method, name in TEST_NAMES.items()
        if any(r.test_method == method for r in shown)
    ]
    unread = sum(not r.test_method for r in shown)
    told = [*by_test, *([f"{unread} by a test that was not read"] if unread else [])]
    texts.append(f"Test: here teeth were tested by cold; of the published results {', '.join(told)}.")
    of = {name: sum(any(w in r.patients for w in words) for r in shown) for name, words in PATIENTS.items()}
    who = [f"{k} of {name}" for name, k in of.items() if k]
    if who:
        texts.append(f"Patients: {', '.join(who)}. None of this is adjusted for.")
    if not protocol.study.randomised:
        texts.append("Most published arms were allocated at random; yours were not.")
    return tuple(texts)
