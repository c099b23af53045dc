"""What each case was given, planned injections and supplements, as arrays for the arithmetic of doses."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray, StrArray
from onsetstudy.core.results import Reasons
from onsetstudy.doses.cartridge import Preparation, deposited_mg, mix, vasoconstrictor_ug_per_ml
from onsetstudy.doses.dose_check import DoseCases, check_doses, check_visits
from onsetstudy.doses.limits import DoseLimit, LimitsTable
from onsetstudy.doses.mixing import MIXING_TEXTS, check_mixing
from onsetstudy.doses.results import DoseFlag

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


class GivenDoses:
    """What cases were given, as arrays, and what follows from it.

    ``planned`` are the planned injections as the check of doses takes them, ``supplements`` the supplements beside.
    """

    def __init__(self, cases: pd.DataFrame) -> None:
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
        self.supplements = Supplements(cases, self)

    def visit_flags(
        self, limits: LimitsTable, own: tuple[DoseLimit, ...], *, lists: tuple[str, ...], country: str
    ) -> list[tuple[int, DoseFlag]]:
        """Cautions about what a patient got in one visit: all planned injections, and all supplements known."""
        added, rows = self.supplements.doses, self.supplements.rows
        both = DoseCases(**{
            name: np.concatenate([getattr(self.planned, name), getattr(added, name)]) for name in DoseCases.__slots__
        })  # fmt: skip
        number = np.concatenate([np.arange(self.arm.size), rows])
        found = check_visits(both, self.visit[number], limits, own, lists=lists, country=country)
        alone = check_doses(added, limits, own, lists=lists, country=country)
        return [*((int(number[row]), flag) for row, flag in found), *((int(rows[row]), flag) for row, flag in alone)]

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
        found: BoolArray = ~np.isnan(
            planned.vasoconstrictor_mg if code.startswith("vasoconstrictor") else planned.drug_mg
        )
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
    """Supplements of which volume and strength are known, one row each.

    ``rows`` are their cases, ``doses`` what the check of doses takes, weight and age as of their cases. ``given`` cases
    had a supplement; that of ``uncounted`` cases is in no sum.
    What is not told of the solution is taken from the planned one where the agent is the same. Supplements are taken
    as not buffered, so that what was mixed in makes a dose no smaller.
    """

    def __init__(self, cases: pd.DataFrame, table: GivenDoses) -> None:
        planned, volume = table.planned, _numbers(cases, "rescue_volume_ml")
        agent = _codes(cases, "rescue_agent")
        given = ~np.isnan(_numbers(cases, "rescue_min")) | ~np.isnan(volume) | (agent != "")
        agent = np.where(agent == "", planned.agent, agent)
        same = agent == planned.agent
        percent, dilution = _numbers(cases, "rescue_percent"), _numbers(cases, "rescue_dilution")
        percent = np.where(np.isnan(percent) & same, planned.agent_percent, percent)
        solution = _codes(cases, "rescue_vasoconstrictor")
        solution = np.where((solution == "") & same, planned.vasoconstrictor, solution)
        alike = np.isnan(dilution) & same & (solution == planned.vasoconstrictor)
        dilution = _told_dilution(solution, np.where(alike, table.dilution, dilution))
        mg = 10 * percent * volume
        self.rows = rows = np.flatnonzero(~np.isnan(mg))
        self.given = int(given.sum())
        self.uncounted = int((given & np.isnan(mg)).sum())
        self.doses = DoseCases(
            agent=agent[rows],
            vasoconstrictor=solution[rows],
            drug_mg=mg[rows],
            vasoconstrictor_mg=(vasoconstrictor_ug_per_ml(dilution) * volume / 1000)[rows],
            weight_kg=planned.weight_kg[rows],
            age_band=planned.age_band[rows],
            agent_percent=percent[rows],
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
    told = []
    taken = np.zeros(rows[0].shape, dtype=bool)
    for found, (code, text) in zip(rows, reasons, strict=True):
        new = found & ~taken
        taken |= new
        if new.any():
            told.append(Reasons(code=code, text=text, count=int(new.sum())))
    return tuple(told)
