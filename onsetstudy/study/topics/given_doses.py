"""What each case was given, planned injections and supplements, as arrays for the arithmetic of doses."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, FloatArray, StrArray
from onsetstudy.core.results import Reasons
from onsetstudy.doses.cartridge import Preparation, deposited_mg, mix, vasoconstrictor_ug_per_ml
from onsetstudy.doses.dose_check import DoseCases, check_doses, check_visits
from onsetstudy.doses.limits import ClinicLimits, LimitsTable
from onsetstudy.doses.mixing import MIXING_TEXTS, MixingCases
from onsetstudy.doses.results import DoseFlag

__all__ = ["GivenDoses", "Supplements"]

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
        self.supplements = Supplements(cases, self)

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
        """Planned injections as the check of doses takes them."""
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

    def visit_flags(
        self, limits: LimitsTable, own: ClinicLimits, *, lists: tuple[str, ...], country: str
    ) -> list[tuple[int, DoseFlag]]:
        """Cautions about what a patient got in one visit: all planned injections, and all supplements known."""
        extra = self.supplements
        planned, added = self.dose_cases(), extra.dose_cases(self)
        both = DoseCases(**{
            name: np.concatenate([getattr(planned, name), getattr(added, name)]) for name in DoseCases.__slots__
        })  # fmt: skip
        number = np.concatenate([np.arange(self.arm.size), extra.rows])
        # Without patient and day a case is a visit of its own: its supplement belongs to it all the same.
        alone = np.char.add("case ", np.arange(self.arm.size).astype(np.str_))
        visit = np.where(self.visit == "", alone, self.visit)[number]
        found = check_visits(both, visit, limits, own, lists=lists, country=country)
        alone_flags = check_doses(added, limits, own, lists=lists, country=country)
        return [*((int(number[row]), flag) for row, flag in found),
                *((int(extra.rows[row]), flag) for row, flag in alone_flags)]  # fmt: skip

    def mixing_cases(self) -> MixingCases:
        """Mixtures as the check of mixing takes them."""
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


class Supplements:
    """Supplements of which volume and strength are known, one row each.

    ``given`` cases had a supplement; that of ``uncounted`` cases is in no sum.
    What is not told of the solution is taken from the planned one where the agent is the same. Supplements are taken
    as not buffered, so that what was mixed in makes a dose no smaller.
    """

    def __init__(self, cases: pd.DataFrame, planned: GivenDoses) -> None:
        volume = _numbers(cases, "rescue_volume_ml")
        agent = _codes(cases, "rescue_agent")
        given = ~np.isnan(_numbers(cases, "rescue_min")) | ~np.isnan(volume) | (agent != "")
        agent = np.where(agent == "", planned.agent, agent)
        same = agent == planned.agent
        percent, dilution = _numbers(cases, "rescue_percent"), _numbers(cases, "rescue_dilution")
        percent = np.where(np.isnan(percent) & same, planned.percent, percent)
        solution = _codes(cases, "rescue_vasoconstrictor")
        told = solution != ""
        solution = np.where(~told & same, planned.vasoconstrictor, solution)
        dilution = np.where(
            np.isnan(dilution) & same & (solution == planned.vasoconstrictor), planned.dilution, dilution
        )
        dilution = np.where(solution == "none", np.inf, dilution)
        dilution = np.where(np.isin(solution, ("", "felypressin")), np.nan, dilution)
        mg = 10 * percent * volume
        self.rows = np.flatnonzero(~np.isnan(mg))
        self.given = int(given.sum())
        self.uncounted = int((given & np.isnan(mg)).sum())
        rows = self.rows
        self.agent, self.solution, self.percent, self.drug_mg = agent[rows], solution[rows], percent[rows], mg[rows]
        self.vasoconstrictor_mg = (vasoconstrictor_ug_per_ml(dilution) * volume / 1000)[rows]

    def dose_cases(self, planned: GivenDoses) -> DoseCases:
        """Supplements as the check of doses takes them, weight and age as of their cases."""
        rows = self.rows
        return DoseCases(
            agent=self.agent,
            vasoconstrictor=self.solution,
            drug_mg=self.drug_mg,
            vasoconstrictor_mg=self.vasoconstrictor_mg,
            weight_kg=planned.weight_kg[rows],
            age_band=planned.age_band[rows],
            agent_percent=self.percent,
            cartridge_ml=planned.cartridge_ml[rows],
        )


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
