"""The shape of a protocol file: its tables and keys.

Tables that the protocol holds as they stand are its own values; those that differ from them have a model here.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StrictBool, StrictStr

from onsetstudy.protocol import model
from onsetstudy.protocol.governance import QUESTIONS, AdoptionRule
from onsetstudy.protocol.keys import Minute, Text, code_pattern, coded, one_of, practice_code
from onsetstudy.protocol.vocabulary import CODES

DRUGS = tuple(dict.fromkeys((*CODES["agent"], *(c for c in CODES["vasoconstrictor"] if c != "none"))))
CONDUCT = (
    "registration", "version_note", "funding", "interests", "roles", "patient_involvement", "background", "setting",
    "stopping_rules_for_a_case", "concomitant_care", "harms", "recruitment", "concealment", "blinding_procedure",
    "training", "data_management", "monitoring", "consent", "confidentiality", "care_after_the_study", "sharing",
    "dissemination",
)  # fmt: skip
PAIN_SCALES = ("vas100", "nrs11", "hp170", "vrs4", "faces")
ANXIETY_SCALES = ("mdas", "das", "nrs11")


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class StudyTable(_Table):
    """``[study]``."""

    id: Annotated[StrictStr, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9-]{0,59}$")]
    title: Text
    question: Text
    design: Annotated[StrictStr, coded("design")]
    allocation: Annotated[StrictStr, coded("allocation")]
    ethics_status: Text
    blinding: dict[
        Annotated[StrictStr, one_of("patient", "operator", "assessor")], Annotated[StrictStr, coded("blinded")]
    ] = {}
    invented: StrictBool = False
    practices: list[Annotated[Text, AfterValidator(practice_code)]] = []
    case_codes: Annotated[StrictStr, AfterValidator(code_pattern)] = ""


class ChairsideTable(_Table):
    """``[testing]``."""

    reference_arm: Annotated[StrictStr, coded("arm")]
    clock_zero: Annotated[StrictStr, coded("clock_zero")] = "injection_end"
    schedule_min: Annotated[list[Minute], Field(min_length=1)]
    control_tooth: Annotated[StrictStr, coded("control_tooth")] = "required"
    control_window_min: Annotated[float, Field(ge=0, le=5, strict=True)] = 0.5
    baseline_response: Annotated[StrictStr, coded("requirement")] = "required"
    window_min: Annotated[float, Field(gt=0, le=10, strict=True)] | None = None
    tooth_notation: Annotated[StrictStr, coded("tooth_notation")]


class PainTable(_Table):
    """``[pain]``."""

    scale: Annotated[StrictStr, one_of(*PAIN_SCALES)]
    moment: Annotated[StrictStr, coded("pain_moment")] = "deposition"
    important_difference: Annotated[float, Field(gt=0, strict=True)] | None = None
    painless_at_most: Annotated[float, Field(ge=0, strict=True)] = 0.0
    mild_at_most: Annotated[float, Field(ge=0, strict=True)] | None = None


class AnxietyTable(_Table):
    """``[anxiety]``."""

    scale: Annotated[StrictStr, one_of(*ANXIETY_SCALES)]
    important_difference: Annotated[float, Field(gt=0, strict=True)] | None = None


class ClinicLimitTable(_Table):
    """One ``[doses.clinic.<drug>]``."""

    mg_per_kg: Annotated[float, Field(gt=0, strict=True)] | None = None
    max_mg: Annotated[float, Field(gt=0, strict=True)] | None = None


class DosesTable(_Table):
    """``[doses]``."""

    limits: Annotated[StrictStr, coded("dose_limits")] = "conservative"
    country: Annotated[StrictStr, coded("dose_country")] = "US"
    clinic: dict[Annotated[StrictStr, one_of(*DRUGS)], ClinicLimitTable] = {}


class ReportTable(_Table):
    """``[report]``."""

    quarters: Annotated[list[Annotated[StrictStr, Field(pattern=r"^\d{4}Q[1-4]$")]], Field(min_length=1)]


class ProtocolFile(_Table):
    """The whole file."""

    study: StudyTable
    population: model.Eligibility = model.Eligibility()
    arms: Annotated[list[model.Arm], Field(min_length=2)]
    testing: ChairsideTable
    onset: model.OnsetDefinition
    rescue: model.RescueRule = model.RescueRule()
    pain: PainTable | None = None
    anxiety: AnxietyTable | None = None
    analysis: model.AnalysisPlan
    report: ReportTable
    looks: model.LookRule | None = None
    allocation: model.AllocationRule | None = None
    planning: model.PlanningAssumptions | None = None
    chair_time: model.ChairTimeRule | None = None
    doses: DosesTable | None = None
    watch: model.WatchRule | None = None
    conduct: dict[Annotated[StrictStr, one_of(*CONDUCT)], StrictStr] | None = None
    governance: dict[Annotated[StrictStr, one_of(*QUESTIONS)], Text] | None = None
    adoption: AdoptionRule | None = None
