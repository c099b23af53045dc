"""Doses of the analysed cases: what each was given, what was deposited in each arm, and what calls for a look."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray, StrArray
from onsetstudy.core.results import Caution, Estimate, NotAvailable, Reasons
from onsetstudy.doses.cartridge import Preparation, deposited_mg, mix, vasoconstrictor_ug_per_ml
from onsetstudy.doses.dose_by_arm import arm_amounts, mean_difference
from onsetstudy.doses.dose_check import FLAG_TEXTS, DoseCases, check_doses, check_visits
from onsetstudy.doses.limits import EU_TEXT, LISTS, DoseLimit, LimitsTable, clinic_limits
from onsetstudy.doses.mixing import MIXING_TEXTS, check_mixing
from onsetstudy.doses.results import AgentDose, ArmAmount, DoseFlag, DoseSummary, FlagCount
from onsetstudy.protocol.model import DoseRule, Protocol
from onsetstudy.records.model import OpenTables

BICARBONATE_PERCENT = 8.4
LESS_DRUG = 0.05
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


class GivenDoses:
    """What cases were given, as arrays, and what follows from it.

    ``planned`` are the planned injections as the check of doses takes them, ``supplements`` the supplements beside.
    ``several`` are those that no row of a case can tell, as in ``OpenTables``.
    """

    def __init__(self, cases: pd.DataFrame, several: pd.DataFrame) -> None:
        self.arm, self.mode = _codes(cases, "arm"), _codes(cases, "mix_mode")
        patient, day = _codes(cases, "patient_id"), _codes(cases, "case_date")
        # Without patient and day a case is a visit of its own: its supplement belongs to it all the same.
        alone = np.char.add("case ", np.arange(self.arm.size).astype(np.str_))
        together = np.char.add(np.char.add(patient, " on "), day)
        self.visit = np.where((patient == "") | (day == ""), alone, together)
        self.volume_ml = _numbers(cases, "volume_ml")
        self.since_mixing_min = _numbers(cases, "mixed_to_injection_min")
        self.dilution = _numbers(cases, "vasoconstrictor_dilution")
        self.mixed = np.isin(self.mode, ("add", "replace"))
        cartridge, solution = _numbers(cases, "cartridge_ml"), _codes(cases, "vasoconstrictor")
        bicarbonate = np.where(self.mixed, _numbers(cases, "bicarbonate_ml"), 0.0)
        # A cartridge that would be all bicarbonate is a slip of the pen; its dose cannot be told.
        impossible = (self.mode == "replace") & (bicarbonate >= cartridge)
        self.bicarbonate_ml = np.where(impossible, np.nan, bicarbonate)
        strength, percent = _numbers(cases, "bicarbonate_percent"), _numbers(cases, "agent_percent")
        dilution = _told_dilution(solution, self.dilution)
        mixture = mix(
            Preparation(
                cartridge_ml=cartridge,
                agent_percent=percent,
                mode=np.where(self.mixed, self.mode, "none"),
                bicarbonate_ml=self.bicarbonate_ml,
                bicarbonate_percent=np.where(np.isnan(strength), BICARBONATE_PERCENT, strength),
                dilution=dilution,
            )
        )
        drug, vasoconstrictor = deposited_mg(mixture, self.volume_ml)
        plain = vasoconstrictor_ug_per_ml(dilution) * self.volume_ml / 1000
        self.planned = DoseCases(
            agent=_codes(cases, "agent"),
            vasoconstrictor=solution,
            # A plain case needs no cartridge, a buffered one does.
            drug_mg=np.where(self.mixed, drug, 10 * percent * self.volume_ml),
            vasoconstrictor_mg=np.where(self.mixed, vasoconstrictor, plain),
            weight_kg=_numbers(cases, "weight_kg"),
            age_band=_codes(cases, "age_band"),
            agent_percent=percent,
            cartridge_ml=cartridge,
        )
        self.supplements = Supplements(cases, several, self)
        self.topical = int(np.isin(_codes(cases, "topical"), ("lidocaine", "lidocaine_prilocaine")).sum())
        self.no_weight = np.isnan(self.planned.weight_kg) & ~np.isnan(self.planned.drug_mg)

    def dose_flags(self, limits: LimitsTable) -> list[tuple[int, DoseFlag]]:
        """Cautions about all planned injections and all supplements known, each by itself and those of one visit."""
        added = self.supplements
        both = DoseCases(**{
            name: np.concatenate([getattr(d, name) for d in (self.planned, added.doses)])
            for name in DoseCases.__slots__
        })  # fmt: skip
        case = np.concatenate([np.arange(self.arm.size), added.rows])
        found = (*check_doses(both, limits), *check_visits(both, self.visit[case], limits))
        return [(int(case[row]), flag) for row, flag in found]

    def mixing_flags(self) -> tuple[tuple[int, DoseFlag], ...]:
        """Cautions about mixtures."""
        ratio = np.where(self.mixed, self.bicarbonate_ml / self.planned.cartridge_ml, 0.0)
        # A mixture of unknown proportions is a mixture all the same.
        known = np.where(self.mixed & np.isnan(ratio), 0.1, ratio)
        return check_mixing(self.planned.agent, known, self.since_mixing_min)

    def not_computable(self) -> tuple[Reasons, ...]:
        """Why amounts cannot be told; each case under its first reason, of drug and of vasoconstrictor apart."""
        solution = self.planned.vasoconstrictor
        drug = (
            np.isnan(self.planned.agent_percent),
            self.mixed & np.isnan(self.planned.cartridge_ml),
            self.mixed & np.isnan(self.bicarbonate_ml),
        )
        missing = np.logical_or.reduce(drug)
        other = (
            ~missing & (solution == ""),
            ~missing & ~np.isin(solution, ("", "none", "felypressin")) & np.isnan(self.dilution),
            ~missing & (solution == "felypressin"),
        )
        return (*_first_reasons(drug, REASONS), *_first_reasons(other, VASOCONSTRICTOR_REASONS))

    def looked_at(self, code: str) -> BoolArray:
        """Cases in which a caution could have been found."""
        planned = self.planned
        found: BoolArray = ~np.isnan(planned.vasoconstrictor_mg if "vasoconstrictor" in code else planned.drug_mg)
        if code in ("mixed_long_ago", "mepivacaine_clouds"):
            found = self.mixed & ~np.isnan(self.since_mixing_min)
        elif code in MIXING_TEXTS:
            found = self.mixed
        elif code.endswith("not_checked"):
            found = (planned.agent != "") & ~np.isnan(planned.drug_mg)
        elif code == "age_rule":
            found = planned.age_band != ""
        return found


class Supplements:
    """Supplements of which volume and strength are known, a row for all of one case, or for each of several solutions.

    ``rows`` are their cases, ``doses`` what the check of doses takes, weight and age as of their cases. ``given`` cases
    had a supplement; of ``uncounted`` cases one at least is in no sum.
    What is not told of the solution is taken from the planned one where the agent is the same. Supplements are taken
    as not buffered, so that what was mixed in makes a dose no smaller.
    """

    def __init__(self, cases: pd.DataFrame, several: pd.DataFrame, table: GivenDoses) -> None:
        number = {code: row for row, code in enumerate(_codes(cases, "case_id").tolist()) if code}
        several = several[several["case_id"].isin(number)]
        beside = [number[code] for code in several["case_id"]]
        alone = np.setdiff1d(np.arange(len(cases)), beside)
        of = np.concatenate([alone, np.array(beside, dtype=np.intp)])
        told = pd.concat([cases.iloc[alone], several], ignore_index=True)
        planned, volume, agent = table.planned, _numbers(told, "rescue_volume_ml"), _codes(told, "rescue_agent")
        given = ~np.isnan(_numbers(told, "rescue_min")) | ~np.isnan(volume) | (agent != "") | np.isin(of, beside)
        agent = np.where(agent == "", planned.agent[of], agent)
        same = agent == planned.agent[of]
        percent, dilution = _numbers(told, "rescue_percent"), _numbers(told, "rescue_dilution")
        percent = np.where(np.isnan(percent) & same, planned.agent_percent[of], percent)
        solution = _codes(told, "rescue_vasoconstrictor")
        solution = np.where((solution == "") & same, planned.vasoconstrictor[of], solution)
        alike = np.isnan(dilution) & same & (solution == planned.vasoconstrictor[of])
        dilution = _told_dilution(solution, np.where(alike, table.dilution[of], dilution))
        mg = 10 * percent * volume
        known = ~np.isnan(mg)
        self.rows = rows = of[known]
        self.given, self.uncounted = (int(np.unique(of[which]).size) for which in (given, given & ~known))
        self.doses = DoseCases(
            agent=agent[known],
            vasoconstrictor=solution[known],
            drug_mg=mg[known],
            vasoconstrictor_mg=(vasoconstrictor_ug_per_ml(dilution) * volume / 1000)[known],
            weight_kg=planned.weight_kg[rows],
            age_band=planned.age_band[rows],
            agent_percent=percent[known],
            cartridge_ml=planned.cartridge_ml[rows],
        )


def _told_dilution(solution: StrArray, dilution: FloatArray) -> FloatArray:
    """Dilution of the vasoconstrictor: infinite where there is none, ``nan`` where no milligrams can be told."""
    dilution = np.where(solution == "none", np.inf, dilution)
    return np.where(np.isin(solution, ("", "felypressin")), np.nan, dilution)


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
    first = np.select(rows, range(len(rows)), -1)
    counts = [int((first == k).sum()) for k in range(len(rows))]
    return tuple(Reasons(code=c, text=text, count=n) for (c, text), n in zip(reasons, counts, strict=True) if n)


def doses_of(
    cases: pd.DataFrame,
    protocol: Protocol,
    limits: LimitsTable,
    *,
    left_out: pd.DataFrame | None = None,
    supplements: pd.DataFrame | None = None,
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
    supplements : DataFrame or None
        Those that no row of a case can tell, as in ``OpenTables``.

    Returns
    -------
    DoseSummary
        Amounts by arm are of the planned injections alone, which is what the arms differ in; what a visit comes to
        counts supplements too, where their volume was recorded.
    """
    several = OpenTables().supplements if supplements is None else supplements
    table = GivenDoses(cases, several)
    rule = protocol.doses or DoseRule()
    own = clinic_limits((limit.drug, limit.mg_per_kg, limit.max_mg) for limit in rule.clinic)
    lists = ("label",) if rule.limits == "label" else LISTS
    limits = replace(limits, names=lists, country=rule.country, clinic=own)
    everyone = table
    if left_out is not None and len(left_out):
        everyone = GivenDoses(pd.concat([cases, left_out], ignore_index=True), several)
    flags = [*everyone.dose_flags(limits), *everyone.mixing_flags()]
    arms = protocol.arm_codes
    by_agent = tuple(_agent_dose(table, agent, protocol) for agent in sorted(set(table.planned.agent)) if agent)
    passed = sorted({f"{f.limit.source} ({f.limit.label})" for _, f in flags if f.limit is not None})
    return DoseSummary(
        arms=arms,
        cases=len(cases),
        by_agent=by_agent,
        flags=_counts(flags, everyone, arms),
        not_computable=table.not_computable(),
        weight_missing=tuple(int((table.no_weight & (table.arm == arm)).sum()) for arm in arms),
        lists=lists,
        table_date=limits.date,
        table_title=limits.title,
        sources=tuple(passed),
        caution=_cautions(by_agent, limits, table, everyone),
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
    by_agent: tuple[AgentDose, ...], limits: LimitsTable, table: GivenDoses, everyone: GivenDoses
) -> tuple[Caution, ...]:
    added, topical, no_weight = everyone.supplements, everyone.topical, int(table.no_weight.sum())
    others = everyone.arm.size - table.arm.size
    left_out = "1 case that is not analysed is" if others == 1 else f"{others} cases that are not analysed are"
    texts = {
        "not_dosing": f"Dose limits come from the table dated {limits.date}; check the label and the patient. This is "
        "not a dosing tool, and a case without a caution has not been found free of danger.",
        "planned_injection_only": "Amounts by arm are of the planned injections alone. What a patient got in one visit "
        "counts supplements too, where their volume was recorded.",
        "left_out_looked_at": f"{left_out} held against the limits too; no amount by arm counts "
        f"{'it' if others == 1 else 'them'}."
        if others
        else "",
        "supplement_not_counted": f"In {added.uncounted} of {added.given} case{'' if added.given == 1 else 's'} with a "
        "supplement a volume or strength is not recorded: what was given in these visits was more than is counted, and "
        "a total without a caution says nothing there."
        if added.uncounted
        else "",
        "topical_not_counted": f"In {topical} case{'' if topical == 1 else 's'} topical lidocaine, alone or with "
        "prilocaine, was used: its amount is not recorded and is in no total."
        if topical
        else "",
        "weight_missing": f"{no_weight} case{'' if no_weight == 1 else 's'} without a weight: held against absolute "
        "limits only."
        if no_weight
        else "",
    }
    found = [Caution(code=code, text=text) for code, text in texts.items() if text]
    found += [c for agent in by_agent if (c := _unlike(agent)) is not None]
    found += [
        Caution(code="agent_warning", text=f"{rule.text.capitalize()} ({rule.source}).")
        for rule in limits.rules
        if rule.under_years is None and rule.substance in {agent.agent for agent in by_agent}
    ]
    found += [c for limit in limits.clinic if (c := _no_effect(limit, limits)) is not None]
    if limits.country in EU_TEXT:
        found.append(Caution(code="eu_product_text", text=EU_TEXT[limits.country]))
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
    above, looked_at = [], (line for name in limits.names for line in limits.lines(name))
    usual = [x for x in looked_at if x.substance == own.substance and x.limits and not x.aged]
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
