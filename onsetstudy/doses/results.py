"""Results of the doses room: mixtures, flags and what was deposited in each arm."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.results import Caution, Estimate, NotAvailable, Reasons, estimates_frame
from onsetstudy.core.serialise import Serialisable, result_kind


@result_kind("mixture", arrays=True)
class Mixture(Serialisable):
    """What one cartridge holds after mixing; every array has shape (n,), ``nan`` where it cannot be told.

    ``anaesthetic_ml`` is the anaesthetic left in the cartridge: mixing ``replace`` draws some out first.
    """

    volume_ml: FloatArray
    drug_mg: FloatArray
    drug_mg_per_ml: FloatArray
    vasoconstrictor_ug: FloatArray
    vasoconstrictor_ug_per_ml: FloatArray
    bicarbonate_mmol_per_l: FloatArray
    anaesthetic_ml: FloatArray
    bicarbonate_ml: FloatArray

    @property
    def parts_to_one(self) -> FloatArray:
        """Parts of anaesthetic to one part of bicarbonate in the mixture, by volume; ``inf`` without bicarbonate."""
        with np.errstate(divide="ignore"):
            return np.divide(self.anaesthetic_ml, self.bicarbonate_ml)

    def to_frame(self) -> pd.DataFrame:
        """One row per cartridge."""
        return pd.DataFrame({name: getattr(self, name) for name in MIXTURE_FIELDS})


MIXTURE_FIELDS = tuple(field.name for field in fields(Mixture))


@result_kind("free_base")
class FreeBase(Serialisable):
    """Percent of the drug present as free base at some pH: an illustration of the chemistry, never of minutes.

    ``rows`` are ``(what has this pH, pH, percent free base)``. ``temperature_c`` is that of the pKa, ``None`` where
    its source does not say.
    """

    agent: str
    pka: float
    temperature_c: float | None
    source: str
    rows: tuple[tuple[str, float, float], ...]
    caution: tuple[Caution, ...] = ()


@result_kind("limit_used")
class LimitUsed:
    """The limit that applied and was the lowest: amount in mg, what it says and where it comes from.

    ``basis`` is ``weight`` (so many mg per kg), ``absolute`` (so many mg) or ``cartridges``.
    """

    substance: str
    list_name: str
    basis: str
    max_mg: float
    text: str
    source: str
    label: str


@result_kind("dose_flag")
class DoseFlag:
    """One caution about one case; ``code`` is stable, ``text`` a sentence, ``limit`` what was passed, if anything."""

    code: str
    text: str
    limit: LimitUsed | None = None
    given_mg: float | None = None


@result_kind("dose_flag_count")
class FlagCount:
    """How many cases a caution is about, in the order of the arms, and how many cases could be looked at for it."""

    code: str
    text: str
    counts: tuple[int, ...]
    of: tuple[int, ...]


@result_kind("arm_amount")
class ArmAmount:
    """Amount per case of one arm: mean and standard deviation (``None`` where too few cases have it)."""

    arm: str
    cases: int
    with_amount: int
    mean: float | None
    sd: float | None


@result_kind("agent_dose")
class AgentDose:
    """What was deposited of one anaesthetic in each arm, reference first.

    Differences are buffered less plain: of drug in mg, of vasoconstrictor in µg. ``relative`` is the difference in
    drug as a share of the reference arm's mean.
    """

    agent: str
    drug_mg: tuple[ArmAmount, ...]
    drug_difference: Estimate | NotAvailable
    relative: float | None
    vasoconstrictor_ug: tuple[ArmAmount, ...]
    vasoconstrictor_difference: Estimate | NotAvailable
    volume_ml: tuple[ArmAmount, ...]

    def to_frame(self) -> pd.DataFrame:
        """Both differences, with the estimate columns."""
        return estimates_frame([self.drug_difference, self.vasoconstrictor_difference])


@result_kind("dose_summary")
class DoseSummary(Serialisable):
    """Doses of the analysed cases: what was deposited, what calls for a look, and what could not be told.

    ``lists`` are the lists of limits looked at; ``weight_missing`` counts, by arm, the cases that were held against
    absolute limits only. ``sources`` are those of the limits that were passed.
    """

    arms: tuple[str, ...]
    cases: int
    by_agent: tuple[AgentDose, ...]
    flags: tuple[FlagCount, ...]
    not_computable: tuple[Reasons, ...]
    weight_missing: tuple[int, ...]
    lists: tuple[str, ...]
    table_date: str
    table_title: str
    sources: tuple[str, ...] = ()
    caution: tuple[Caution, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """The differences in amounts deposited, one agent after the other."""
        frames = [agent.to_frame().assign(agent=agent.agent) for agent in self.by_agent]
        return pd.concat(frames, ignore_index=True) if frames else estimates_frame([])
