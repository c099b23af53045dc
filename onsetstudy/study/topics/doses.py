"""Doses of the analysed cases: what was deposited in each arm, and what calls for a look."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.results import Caution, Estimate, NotAvailable
from onsetstudy.doses.dose_by_arm import arm_amounts, mean_difference
from onsetstudy.doses.dose_check import FLAG_TEXTS, check_doses
from onsetstudy.doses.limits import LISTS, DoseLimit, LimitsTable, clinic_limits
from onsetstudy.doses.mixing import MIXING_TEXTS
from onsetstudy.doses.results import AgentDose, ArmAmount, DoseFlag, DoseSummary, FlagCount
from onsetstudy.protocol.model import DoseRule, Protocol
from onsetstudy.study.topics.given_doses import GivenDoses, Supplements

LESS_DRUG = 0.05


def doses_of(
    cases: pd.DataFrame, protocol: Protocol, limits: LimitsTable, *, left_out: pd.DataFrame | None = None
) -> DoseSummary:
    """Doses of the planned injections of the analysed cases.

    Parameters
    ----------
    cases : DataFrame, n rows
        Analysed cases with the columns of the data dictionary; row order does not matter.
    protocol : Protocol
        Names the arms, the level of the intervals, the lists to look at and the clinic's own limits.
    limits : LimitsTable
        The dated table of limits.
    left_out : DataFrame or None
        Accepted cases that are not analysed: held against the limits all the same, since what a patient got in one
        visit counts whether or not the study compares it. No amount by arm counts them.

    Returns
    -------
    DoseSummary
        Amounts by arm are of the planned injections alone, which is what the arms differ in; what a visit comes to
        counts supplements too, where their volume was recorded.
    """
    table = GivenDoses(cases)
    rule = protocol.doses or DoseRule()
    own = clinic_limits((limit.drug, limit.mg_per_kg, limit.max_mg) for limit in rule.clinic)
    lists = ("label",) if rule.limits == "label" else LISTS
    others = 0 if left_out is None else len(left_out)
    everyone = table if left_out is None or not others else GivenDoses(pd.concat([cases, left_out], ignore_index=True))
    flags = [
        *check_doses(everyone.planned, limits, own, lists=lists, country=rule.country),
        *everyone.visit_flags(limits, own, lists=lists, country=rule.country),
        *everyone.mixing_flags(),
    ]
    arms = protocol.arm_codes
    by_agent = tuple(_agent_dose(table, agent, protocol) for agent in sorted(set(table.planned.agent)) if agent)
    no_weight = np.isnan(table.planned.weight_kg) & ~np.isnan(table.planned.drug_mg)
    passed = sorted({f"{f.limit.source} ({f.limit.label})" for _, f in flags if f.limit is not None})
    return DoseSummary(
        arms=arms,
        cases=len(cases),
        by_agent=by_agent,
        flags=_counts(flags, everyone, arms),
        not_computable=table.not_computable(),
        weight_missing=tuple(int((no_weight & (table.arm == arm)).sum()) for arm in arms),
        lists=lists,
        table_date=limits.date,
        table_title=limits.title,
        sources=tuple(passed),
        caution=_cautions(by_agent, limits, own, int(no_weight.sum()), everyone.supplements, others),
    )


def _counts(flags: list[tuple[int, DoseFlag]], table: GivenDoses, arms: tuple[str, ...]) -> tuple[FlagCount, ...]:
    """Cases flagged, by kind and arm; a case counts once for each kind."""
    counted = []
    for code, text in {**FLAG_TEXTS, **MIXING_TEXTS}.items():
        rows = np.isin(np.arange(table.arm.size), [row for row, flag in flags if flag.code == code])
        of = table.looked_at(code) | rows
        by_arm = [tuple(int((which & (table.arm == arm)).sum()) for arm in arms) for which in (rows, of)]
        if rows.any():
            counted.append(FlagCount(code=code, text=text, counts=by_arm[0], of=by_arm[1]))
    return tuple(counted)


def _agent_dose(table: GivenDoses, agent: str, protocol: Protocol) -> AgentDose:
    rows, level = table.planned.agent == agent, protocol.plan.conf_level

    def amounts(values: FloatArray) -> tuple[ArmAmount, ...]:
        return arm_amounts(values[rows], table.arm[rows], protocol.arm_codes)

    drug, vasoconstrictor = amounts(table.planned.drug_mg), amounts(1000 * table.planned.vasoconstrictor_mg)
    difference = mean_difference((drug[0], drug[1]), quantity="drug_deposited", unit="mg", conf_level=level)
    first = drug[0].mean
    return AgentDose(
        agent=agent,
        drug_mg=drug,
        drug_difference=difference,
        relative=difference.estimate / first if isinstance(difference, Estimate) and first else None,
        vasoconstrictor_ug=vasoconstrictor,
        vasoconstrictor_difference=mean_difference(
            (vasoconstrictor[0], vasoconstrictor[1]), quantity="vasoconstrictor_deposited", unit="µg", conf_level=level
        ),
        volume_ml=amounts(table.volume_ml),
    )


def _cautions(
    by_agent: tuple[AgentDose, ...],
    limits: LimitsTable,
    own: tuple[DoseLimit, ...],
    no_weight: int,
    supplements: Supplements,
    others: int,
) -> tuple[Caution, ...]:
    found = [
        Caution(
            code="not_dosing",
            text=f"Dose limits come from the table dated {limits.date}; check the label and the patient. This is not a "
            "dosing tool, and a case without a caution has not been found free of danger.",
        ),
        Caution(
            code="planned_injection_only",
            text="Amounts by arm are of the planned injections alone. What a patient got in one visit counts "
            "supplements too, where their volume was recorded.",
        ),
    ]
    if others:
        cases = "1 case that is not analysed is" if others == 1 else f"{others} cases that are not analysed are"
        text = f"{cases} held against the limits too; no amount by arm counts {'it' if others == 1 else 'them'}."
        found.append(Caution(code="left_out_looked_at", text=text))
    if supplements.uncounted:
        cases = f"{supplements.given} case{'' if supplements.given == 1 else 's'}"
        text = (
            f"In {supplements.uncounted} of {cases} with a supplement a volume or strength is not recorded: what "
            "was given in these visits was more than is counted, and a total without a caution says nothing there."
        )
        found.append(Caution(code="supplement_not_counted", text=text))
    if no_weight:
        text = f"{no_weight} case{'' if no_weight == 1 else 's'} without a weight: held against absolute limits only."
        found.append(Caution(code="weight_missing", text=text))
    found += [c for agent in by_agent if (c := _unlike(agent)) is not None]
    found += [
        Caution(code="agent_warning", text=f"{rule.text.capitalize()} ({rule.source}).")
        for rule in limits.rules
        if rule.under_years is None and rule.substance in {agent.agent for agent in by_agent}
    ]
    found += [c for limit in own if (c := _no_effect(limit, limits)) is not None]
    return tuple(found)


def _unlike(agent: AgentDose) -> Caution | None:
    """Arms that did not get the same amount of drug differ in more than the buffer."""
    difference = agent.drug_difference
    if isinstance(difference, NotAvailable) or agent.relative is None or abs(agent.relative) < LESS_DRUG:
        return None
    other, reference = str(difference.contrast).split(" - ")
    word = "less" if agent.relative < 0 else "more"
    return Caution(
        code="unlike_doses",
        text=f"{other.capitalize()} cases got {abs(100 * agent.relative):.0f} % {word} {agent.agent} than {reference} "
        "ones: whatever differs between the arms may come from that too.",
    )


def _no_effect(own: DoseLimit, limits: LimitsTable) -> Caution | None:
    """A clinic's limit above the table's changes nothing, and says so."""
    above = []
    usual = [x for x in limits.limits if x.substance == own.substance and not (x.heart or x.usual or x.aged)]
    for name, unit in (("mg_per_kg", "mg/kg"), ("max_mg", "mg")):
        value = getattr(own, name)
        lines = [(line.vasoconstrictor, amount) for line in usual if (amount := getattr(line, name)) is not None]
        solutions = {code for codes, _ in lines for code in codes or ("",)}
        # It changes nothing only where it lies above the lowest line of every solution.
        lowest = max(
            (min(amount for codes, amount in lines if not codes or code in codes) for code in solutions), default=None
        )
        if value is not None and lowest is not None and value > lowest:
            above.append(f"{value:g} {unit}, above the table's {lowest:g} {unit}")
    if not above:
        return None
    return Caution(
        code="clinic_limit_not_lower",
        text=f"The clinic's own limit of {own.substance} is {' and '.join(above)}: it changes nothing, as the lowest "
        "limit counts.",
    )
