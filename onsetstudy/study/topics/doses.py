"""Doses of the analysed cases: what was deposited in each arm, and what calls for a look."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray, StrArray
from onsetstudy.core.results import Caution, Estimate, NotAvailable, Reasons
from onsetstudy.doses.cartridge import Preparation, deposited_mg, mix, vasoconstrictor_ug_per_ml
from onsetstudy.doses.deposited import arm_amounts, mean_difference
from onsetstudy.doses.dose_check import FLAG_TEXTS, DoseCases, check_doses, check_visits
from onsetstudy.doses.limits import LISTS, ClinicLimits, DoseLimit, LimitsTable
from onsetstudy.doses.mixing import MIXING_TEXTS, MixingCases, check_mixing
from onsetstudy.doses.results import AgentDose, ArmAmount, DoseFlag, DoseSummary, FlagCount
from onsetstudy.protocol.model import DoseRule, Protocol

__all__ = ["clinic_limits", "doses_of", "lists_of"]


LESS_DRUG = 0.05
BICARBONATE_PERCENT = 8.4
REASONS = (
    ("no_strength", "the strength of the anaesthetic is not recorded"),
    ("no_cartridge", "a buffered case without the volume of its cartridge"),
    ("no_mixing", "a buffered case whose bicarbonate is not recorded, or as large as its cartridge"),
)
VASOCONSTRICTOR_REASONS = (
    ("no_vasoconstrictor", "whether there was a vasoconstrictor is not recorded (drug is counted)"),
    ("no_dilution", "a vasoconstrictor without its dilution (drug is counted)"),
    ("felypressin", "felypressin is measured in units, not in milligrams (drug is counted)"),
)


def clinic_limits(rule: DoseRule | None) -> ClinicLimits:
    """The clinic's own limits of a protocol."""
    own = () if rule is None else rule.clinic
    return ClinicLimits(limits=tuple((limit.drug, limit.mg_per_kg, limit.max_mg) for limit in own))


def lists_of(rule: DoseRule | None) -> tuple[str, ...]:
    """Lists of limits a protocol looks at: the label always, the conservative list unless it says label."""
    return ("label",) if rule is not None and rule.limits == "label" else LISTS


def doses_of(
    cases: pd.DataFrame, protocol: Protocol, limits: LimitsTable, *, clinic: ClinicLimits | None = None
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
    clinic : ClinicLimits or None
        Instead of the protocol's own limits.

    Returns
    -------
    DoseSummary
        Amounts are of the planned injections alone: the volume of supplements is not recorded.
    """
    table = _Doses(cases)
    own = clinic_limits(protocol.doses) if clinic is None else clinic
    lists = lists_of(protocol.doses)
    country = "US" if protocol.doses is None else protocol.doses.country
    given = table.dose_cases()
    flags = [
        *check_doses(given, limits, own, lists=lists, country=country),
        *check_visits(given, table.visit, limits, own, lists=lists, country=country),
        *check_mixing(table.mixing_cases()),
    ]
    arms = protocol.arm_codes
    agents = tuple(agent for agent in sorted(set(table.agent)) if agent)
    by_agent = tuple(_agent_dose(table, agent, protocol) for agent in agents)
    no_weight = np.isnan(table.weight_kg) & ~np.isnan(table.drug_mg)
    passed = sorted({f"{f.limit.source} ({f.limit.label})" for _, f in flags if f.limit is not None})
    return DoseSummary(
        arms=arms,
        cases=len(cases),
        by_agent=by_agent,
        flags=_counts(flags, table, arms),
        not_computable=table.not_computable(),
        weight_missing=tuple(int((no_weight & (table.arm == arm)).sum()) for arm in arms),
        lists=lists,
        table_date=limits.date,
        table_title=limits.title,
        sources=tuple(passed),
        caution=_cautions(by_agent, limits, own, agents, int(no_weight.sum())),
    )


class _Doses:
    """Columns of the cases as arrays, and what follows from them."""

    def __init__(self, cases: pd.DataFrame) -> None:
        self.arm = _codes(cases, "arm")
        patient, day = _codes(cases, "patient_id"), _codes(cases, "case_date")
        visit = np.char.add(np.char.add(patient, " on "), day)
        self.visit = np.where((patient == "") | (day == ""), "", visit)
        self.agent = _codes(cases, "agent")
        self.vasoconstrictor = _codes(cases, "vasoconstrictor")
        self.mode = _codes(cases, "mix_mode")
        self.age_band = _codes(cases, "age_band")
        self.percent = _numbers(cases, "agent_percent")
        self.dilution = _numbers(cases, "vasoconstrictor_dilution")
        self.cartridge_ml = _numbers(cases, "cartridge_ml")
        self.volume_ml = _numbers(cases, "volume_ml")
        self.weight_kg = _numbers(cases, "weight_kg")
        self.since_mixing_min = _numbers(cases, "mixed_to_injection_min")
        self.mixed = np.isin(self.mode, ("add", "replace"))
        bicarbonate = np.where(self.mixed, _numbers(cases, "bicarbonate_ml"), 0.0)
        # A cartridge that would be all bicarbonate is a slip of the pen; its dose cannot be told.
        impossible = (self.mode == "replace") & (bicarbonate >= self.cartridge_ml)
        self.bicarbonate_ml = np.where(impossible, np.nan, bicarbonate)
        strength = _numbers(cases, "bicarbonate_percent")
        self.strength = np.where(np.isnan(strength), BICARBONATE_PERCENT, strength)
        self.drug_mg, self.vasoconstrictor_mg = self._amounts()

    def _amounts(self) -> tuple[FloatArray, FloatArray]:
        """Deposited mg; a plain case needs no cartridge, a buffered one does."""
        dilution = np.where(self.vasoconstrictor == "none", np.inf, self.dilution)
        dilution = np.where(np.isin(self.vasoconstrictor, ("", "felypressin")), np.nan, dilution)
        mixture = mix(
            Preparation(
                cartridge_ml=self.cartridge_ml,
                agent_percent=self.percent,
                mode=np.where(self.mixed, self.mode, "none"),
                bicarbonate_ml=self.bicarbonate_ml,
                bicarbonate_percent=self.strength,
                dilution=dilution,
            )
        )
        drug, vasoconstrictor = deposited_mg(mixture, self.volume_ml)
        return (
            np.where(self.mixed, drug, 10 * self.percent * self.volume_ml),
            np.where(self.mixed, vasoconstrictor, vasoconstrictor_ug_per_ml(dilution) * self.volume_ml / 1000),
        )

    def dose_cases(self) -> DoseCases:
        return DoseCases(
            agent=self.agent,
            vasoconstrictor=self.vasoconstrictor,
            drug_mg=self.drug_mg,
            vasoconstrictor_mg=self.vasoconstrictor_mg,
            weight_kg=self.weight_kg,
            age_band=self.age_band,
            agent_percent=self.percent,
            cartridge_ml=self.cartridge_ml,
        )

    def mixing_cases(self) -> MixingCases:
        ratio = np.where(self.mixed, self.bicarbonate_ml / self.cartridge_ml, 0.0)
        # A mixture of unknown proportions is a mixture all the same.
        known = np.where(self.mixed & np.isnan(ratio), 0.1, ratio)
        return MixingCases(agent=self.agent, ratio=known, since_mixing_min=self.since_mixing_min)

    def not_computable(self) -> tuple[Reasons, ...]:
        """Why amounts cannot be told; each case under its first reason, of drug and of vasoconstrictor apart."""
        drug = (
            np.isnan(self.percent),
            self.mixed & np.isnan(self.cartridge_ml),
            self.mixed & np.isnan(self.bicarbonate_ml),
        )
        missing = np.logical_or.reduce(drug)
        other = (
            ~missing & (self.vasoconstrictor == ""),
            ~missing & ~np.isin(self.vasoconstrictor, ("", "none", "felypressin")) & np.isnan(self.dilution),
            ~missing & (self.vasoconstrictor == "felypressin"),
        )
        return (*_first_reasons(drug, REASONS), *_first_reasons(other, VASOCONSTRICTOR_REASONS))

    def looked_at(self, code: str) -> BoolArray:
        """Cases in which a caution could have been found."""
        if code in MIXING_TEXTS:
            late = code in ("mixed_long_ago", "mepivacaine_clouds")
            known = ~np.isnan(self.since_mixing_min) if late else np.ones(self.arm.size, dtype=bool)
            found: BoolArray = self.mixed & known
            return found
        if code.endswith("not_checked"):
            return np.asarray((self.agent != "") & ~np.isnan(self.drug_mg), dtype=bool)
        if code == "age_rule":
            return np.asarray(self.age_band != "", dtype=bool)
        given = self.vasoconstrictor_mg if code.startswith("vasoconstrictor") else self.drug_mg
        return ~np.isnan(given)


def _codes(cases: pd.DataFrame, name: str) -> StrArray:
    if name not in cases:
        return np.full(len(cases), "", dtype=np.str_)
    column = cases[name].astype(object)
    return column.where(column.notna(), "").to_numpy().astype(np.str_)


def _numbers(cases: pd.DataFrame, name: str) -> FloatArray:
    if name not in cases:
        return np.full(len(cases), np.nan)
    return cases[name].to_numpy(dtype=np.float64)


def _first_reasons(rows: tuple[BoolArray, ...], reasons: tuple[tuple[str, str], ...]) -> tuple[Reasons, ...]:
    told = []
    taken = np.zeros(rows[0].shape, dtype=bool)
    for found, (code, text) in zip(rows, reasons, strict=True):
        new = found & ~taken
        taken |= new
        if new.any():
            told.append(Reasons(code=code, text=text, count=int(new.sum())))
    return tuple(told)


def _counts(flags: list[tuple[int, DoseFlag]], table: _Doses, arms: tuple[str, ...]) -> tuple[FlagCount, ...]:
    """Cases flagged, by kind and arm; a case counts once for each kind."""
    counted = []
    for code, text in {**FLAG_TEXTS, **MIXING_TEXTS}.items():
        rows = np.zeros(table.arm.size, dtype=bool)
        rows[[row for row, flag in flags if flag.code == code]] = True
        if rows.any():
            looked = table.looked_at(code) | rows
            counted.append(
                FlagCount(
                    code=code,
                    text=text,
                    counts=tuple(int((rows & (table.arm == arm)).sum()) for arm in arms),
                    of=tuple(int((looked & (table.arm == arm)).sum()) for arm in arms),
                )
            )
    return tuple(counted)


def _agent_dose(table: _Doses, agent: str, protocol: Protocol) -> AgentDose:
    rows = table.agent == agent
    arms = protocol.arm_codes
    arm = table.arm[rows]
    level = protocol.plan.conf_level

    def amounts(values: FloatArray) -> tuple[ArmAmount, ...]:
        return arm_amounts(values[rows], arm, arms)

    drug, vasoconstrictor = amounts(table.drug_mg), amounts(1000 * table.vasoconstrictor_mg)
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
    by_agent: tuple[AgentDose, ...], limits: LimitsTable, own: ClinicLimits, agents: tuple[str, ...], no_weight: int
) -> tuple[Caution, ...]:
    found = [
        Caution(
            code="not_dosing",
            text=f"Dose limits come from the table dated {limits.date}; check the label and the patient. This is not a "
            "dosing tool, and a case without a caution has not been found free of danger.",
        ),
        Caution(
            code="planned_injection_only",
            text="Amounts are of the planned injections alone: how much a supplement held is not recorded.",
        ),
    ]
    if no_weight:
        text = f"{no_weight} case{'' if no_weight == 1 else 's'} without a weight: held against absolute limits only."
        found.append(Caution(code="weight_missing", text=text))
    found += [c for agent in by_agent if (c := _unlike(agent)) is not None]
    found += [
        Caution(code="agent_warning", text=f"{rule.text.capitalize()} ({rule.source}).")
        for rule in limits.rules
        if rule.under_years is None and rule.substance in agents
    ]
    found += [c for limit in own.as_limits() if (c := _no_effect(limit, limits)) is not None]
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
    for name, unit in (("mg_per_kg", "mg/kg"), ("max_mg", "mg")):
        value = getattr(own, name)
        lines = [
            (line.vasoconstrictor, getattr(line, name))
            for line in limits.limits
            if line.substance == own.substance
            and getattr(line, name) is not None
            and not (line.heart or line.usual or line.aged)
        ]
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
