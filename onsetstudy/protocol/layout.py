"""The shape of a protocol file: its tables and keys, types, codes and ranges."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StrictBool, StrictInt, StrictStr

from onsetstudy.protocol.case_pattern import pattern_fault
from onsetstudy.protocol.governance import QUESTIONS
from onsetstudy.protocol.vocabulary import CODES

__all__ = ["CONDUCT", "ProtocolFile"]

SENSITIVITY = (
    "confirmations_1",
    "confirmations_2",
    "rescue_other_way",
    "accept_unconfirmed",
    "control_ignored",
    "first_cases_left_out",
    "per_protocol",
    "all_tests",
)
STRATA = ("technique", "procedure", "practice_id", "agent", "pulp_status", "topical")
ESTIMATE_STRATA = ("practice", "technique")
CLUSTERS = ("patient_id", "clinician_id", "practice_id")
DRUGS = tuple(dict.fromkeys((*CODES["agent"], *(c for c in CODES["vasoconstrictor"] if c != "none"))))
HARMS = tuple(code for code in CODES["adverse_event"] if code != "none")
COVARIATES = (*STRATA, "volume_ml", "anxiety_before", "age_band")
SECONDARY = (
    "success_difference",
    "hazard_ratio",
    "rmst_difference",
    "not_numb_difference",
    "pain_difference",
    "treatment_success_difference",
    "anxiety_change",
    "painless_share",
)
CONDUCT = (
    "registration",
    "version_note",
    "funding",
    "interests",
    "roles",
    "patient_involvement",
    "background",
    "setting",
    "stopping_rules_for_a_case",
    "concomitant_care",
    "harms",
    "recruitment",
    "concealment",
    "blinding_procedure",
    "training",
    "data_management",
    "monitoring",
    "consent",
    "confidentiality",
    "care_after_the_study",
    "sharing",
    "dissemination",
)
LONGEST_CODE = 60
PAIN_SCALES = ("vas100", "nrs11", "hp170", "vrs4", "faces")
ANXIETY_SCALES = ("mdas", "das", "nrs11")


def _one_of(*codes: str) -> AfterValidator:
    def check(value: str) -> str:
        if value not in codes:
            raise ValueError(f"write one of {', '.join(codes)}")
        return value

    return AfterValidator(check)


def _case_codes(pattern: str) -> str:
    if pattern and (fault := pattern_fault(pattern)):
        raise ValueError(fault)
    return pattern


def _digest(text: str) -> str:
    if text and not re.fullmatch("[0-9a-f]{64}", text):
        raise ValueError("write the 64 signs that the command block-sizes told")
    return text


def _practice_code(code: str) -> str:
    """Files are named after practices: a code must be no path, and stand in the name of a file on every system."""
    if not code.isprintable() or set(code) & set('/\\:*?"<>|') or code.startswith(".") or len(code) > LONGEST_CODE:
        raise ValueError(f"write a code of letters, digits and hyphens, at most {LONGEST_CODE} signs")
    return code


def _code(field: str) -> AfterValidator:
    return _one_of(*CODES[field])


Text = Annotated[StrictStr, Field(min_length=1)]
Minute = Annotated[float, Field(gt=0, le=180, strict=True)]
Share = Annotated[float, Field(ge=0, lt=1, strict=True)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class StudyTable(_Table):
    """``[study]``."""

    id: Annotated[StrictStr, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9-]{0,59}$")]
    title: Text
    question: Text
    design: Annotated[StrictStr, _code("design")]
    allocation: Annotated[StrictStr, _code("allocation")]
    ethics_status: Text
    blinding: dict[
        Annotated[StrictStr, _one_of("patient", "operator", "assessor")], Annotated[StrictStr, _code("blinded")]
    ] = {}
    invented: StrictBool = False
    practices: list[Annotated[Text, AfterValidator(_practice_code)]] = []
    case_codes: Annotated[StrictStr, AfterValidator(_case_codes)] = ""


class PopulationTable(_Table):
    """``[population]``."""

    include: list[Text] = []
    exclude: list[Text] = []
    procedures: list[Annotated[StrictStr, _code("procedure")]] = []
    techniques: list[Annotated[StrictStr, _code("technique")]] = []
    pulp_status: list[Annotated[StrictStr, _code("pulp_status")]] = []
    agents: list[Annotated[StrictStr, _code("agent")]] = []
    age_bands: list[Annotated[StrictStr, _code("age_band")]] = []


class ArmTable(_Table):
    """One ``[[arms]]``."""

    code: Annotated[StrictStr, _code("arm")]
    label: Text
    preparation: StrictStr = ""
    mix_mode: Annotated[StrictStr, _one_of("", *CODES["mix_mode"])] = ""


class ChairsideTable(_Table):
    """``[testing]``."""

    reference_arm: Annotated[StrictStr, _code("arm")]
    clock_zero: Annotated[StrictStr, _code("clock_zero")] = "injection_end"
    schedule_min: Annotated[list[Minute], Field(min_length=1)]
    control_tooth: Annotated[StrictStr, _code("control_tooth")] = "required"
    control_window_min: Annotated[float, Field(ge=0, le=5, strict=True)] = 0.5
    baseline_response: Annotated[StrictStr, _code("requirement")] = "required"
    window_min: Annotated[float, Field(gt=0, le=10, strict=True)] | None = None
    tooth_notation: Annotated[StrictStr, _code("tooth_notation")]


class OnsetTable(_Table):
    """``[onset]``."""

    confirmations: Annotated[StrictInt, Field(ge=1, le=5)] = 2
    target_min: Minute = 2.0
    tau_min: Minute


class RescueTable(_Table):
    """``[rescue]``."""

    success: Annotated[StrictStr, _code("rescue_rule")] = "composite"
    wait: Annotated[StrictStr, _code("rescue_rule")] = "composite"
    hazard: Annotated[StrictStr, _code("rescue_rule")] = "hypothetical"


class PainTable(_Table):
    """``[pain]``."""

    scale: Annotated[StrictStr, _one_of(*PAIN_SCALES)]
    moment: Annotated[StrictStr, _code("pain_moment")] = "deposition"
    important_difference: Annotated[float, Field(gt=0, strict=True)] | None = None
    painless_at_most: Annotated[float, Field(ge=0, strict=True)] = 0.0
    mild_at_most: Annotated[float, Field(ge=0, strict=True)] | None = None


class AnxietyTable(_Table):
    """``[anxiety]``."""

    scale: Annotated[StrictStr, _one_of(*ANXIETY_SCALES)]
    important_difference: Annotated[float, Field(gt=0, strict=True)] | None = None


class AnalysisTable(_Table):
    """``[analysis]``."""

    primary: Annotated[StrictStr, _code("primary")]
    seed: Annotated[StrictInt, Field(ge=0)]
    strata: list[Annotated[StrictStr, _one_of(*STRATA)]] = []
    covariates: list[Annotated[StrictStr, _one_of(*COVARIATES)]] = []
    cluster: Annotated[StrictStr, _one_of(*CLUSTERS)] | None = None
    conf_level: Annotated[float, Field(gt=0.5, lt=1, strict=True)] = 0.95
    min_stratum_cases: Annotated[StrictInt, Field(ge=2)] = 20
    wait_difference_min: Annotated[float, Field(gt=0, le=60, strict=True)] | None = None
    planned_hazard_ratio: Annotated[float, Field(gt=0, strict=True)] = 1.5
    planned_power: Annotated[float, Field(gt=0.5, lt=1, strict=True)] = 0.8
    sensitivity: list[Annotated[StrictStr, _one_of(*SENSITIVITY)]] = []
    secondary: list[Annotated[StrictStr, _one_of(*SECONDARY)]] = []
    multiplicity: Annotated[StrictStr, _code("multiplicity")] = "holm"
    estimate_strata: Annotated[list[Annotated[StrictStr, _one_of(*ESTIMATE_STRATA)]], Field(min_length=1)] = [
        "practice"
    ]
    grace_min: Annotated[float, Field(ge=0, le=60, strict=True)] | None = None


class LooksTable(_Table):
    """``[looks]``."""

    boundary: Annotated[StrictStr, _code("look_boundary")]
    planned_information: Annotated[StrictInt, Field(ge=4)]
    alpha: Annotated[float, Field(gt=0, lt=0.5, strict=True)] = 0.05
    sided: Annotated[StrictInt, Field(ge=1, le=2)] = 2
    rho: Annotated[float, Field(gt=0, le=20, strict=True)] = 3.0
    information: Annotated[StrictStr, _code("look_information")] = "onsets"
    futility: Annotated[StrictStr, _code("futility")] = "none"


class AllocationTable(_Table):
    """``[allocation]``."""

    method: Annotated[StrictStr, _code("allocation_method")]
    block_sizes: Annotated[list[Annotated[StrictInt, Field(ge=2, le=24)]], Field(min_length=1)] = [2, 4, 6]
    strata: list[Annotated[StrictStr, _one_of(*STRATA)]] = []
    ratio: list[Annotated[StrictInt, Field(ge=1, le=4)]] = []
    washout_days: Annotated[StrictInt, Field(ge=0, le=365)] = 0
    block_sizes_digest: Annotated[StrictStr, AfterValidator(_digest)] = ""


class PlanningTable(_Table):
    """``[planning]``."""

    cases_per_month: Annotated[float, Field(gt=0, le=10_000, strict=True)]
    median_min: Minute
    shape: Annotated[float, Field(gt=0.2, le=10, strict=True)] = 1.5
    never_reference: Share = 0.0
    never_other: Share = 0.0
    eligible_share: Annotated[float, Field(gt=0, le=1, strict=True)] = 1.0
    lost_share: Share = 0.05
    missed_share: Share = 0.05
    wait_sd_min: Annotated[float, Field(gt=0, strict=True)] | None = None
    pain_sd: Annotated[float, Field(gt=0, strict=True)] | None = None
    treated_reference: Annotated[float, Field(gt=0, lt=1, strict=True)] | None = None
    treated_other: Annotated[float, Field(gt=0, lt=1, strict=True)] | None = None
    operator_spread: Annotated[float, Field(ge=0, le=2, strict=True)] = 0.1
    within_patient_correlation: Annotated[float, Field(ge=0, lt=1, strict=True)] | None = None
    sources: list[Text] = []


class ChairTimeTable(_Table):
    """``[chair_time]``."""

    cases_per_month: Annotated[float, Field(gt=0, le=10_000, strict=True)]
    mixing_min: Annotated[float, Field(ge=0, le=30, strict=True)] | None = None
    chair_hour_cost: Annotated[float, Field(ge=0, strict=True)] | None = None
    material_cost: Annotated[float, Field(ge=0, strict=True)] | None = None
    currency: StrictStr = ""


class ClinicLimitTable(_Table):
    """One ``[doses.clinic.<drug>]``."""

    mg_per_kg: Annotated[float, Field(gt=0, strict=True)] | None = None
    max_mg: Annotated[float, Field(gt=0, strict=True)] | None = None


class DosesTable(_Table):
    """``[doses]``."""

    limits: Annotated[StrictStr, _code("dose_limits")] = "conservative"
    country: Annotated[StrictStr, _code("dose_country")] = "US"
    clinic: dict[Annotated[StrictStr, _one_of(*DRUGS)], ClinicLimitTable] = {}


class WatchTable(_Table):
    """``[watch]``."""

    odds_ratio: Annotated[float, Field(gt=1, le=20, strict=True)] = 2.0
    run_length: Annotated[StrictInt, Field(ge=50, le=100_000)] = 500
    failure_share: Annotated[float, Field(gt=0, lt=1, strict=True)] | None = None
    first_cases: Annotated[StrictInt, Field(ge=10)] = 50


class ReportTable(_Table):
    """``[report]``."""

    quarters: Annotated[list[Annotated[StrictStr, Field(pattern=r"^\d{4}Q[1-4]$")]], Field(min_length=1)]


class AdoptionTable(_Table):
    """``[adoption]``: by what the closing page says adopt, do not adopt or undecided; or why there is no such rule."""

    none_because: Text | None = None
    net_min: Annotated[float, Field(ge=0, le=60, strict=True)] | None = None
    pain_margin: Annotated[float, Field(ge=0, strict=True)] | None = None
    not_numb_margin: Annotated[float, Field(ge=0, lt=1, strict=True)] | None = None
    stopping_harms: list[Annotated[StrictStr, _one_of("serious", *HARMS)]] | None = None


class ProtocolFile(_Table):
    """The whole file."""

    study: StudyTable
    population: PopulationTable = PopulationTable()
    arms: Annotated[list[ArmTable], Field(min_length=2)]
    testing: ChairsideTable
    onset: OnsetTable
    rescue: RescueTable = RescueTable()
    pain: PainTable | None = None
    anxiety: AnxietyTable | None = None
    analysis: AnalysisTable
    report: ReportTable
    looks: LooksTable | None = None
    allocation: AllocationTable | None = None
    planning: PlanningTable | None = None
    chair_time: ChairTimeTable | None = None
    doses: DosesTable | None = None
    watch: WatchTable | None = None
    conduct: dict[Annotated[StrictStr, _one_of(*CONDUCT)], StrictStr] | None = None
    governance: dict[Annotated[StrictStr, _one_of(*QUESTIONS)], Text] | None = None
    adoption: AdoptionTable | None = None
