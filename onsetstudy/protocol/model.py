"""The protocol as frozen values."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from onsetstudy.core.serialise import result_kind

__all__ = [
    "AnalysisPlan",
    "Arm",
    "Eligibility",
    "Instrument",
    "OnsetDefinition",
    "PainPlan",
    "Protocol",
    "Quarter",
    "RescueRule",
    "Schedule",
    "StudyIdentity",
]

PAIN_MOMENTS = ("insertion", "placement", "deposition", "treatment")


@result_kind("arm")
@dataclass(frozen=True, slots=True, kw_only=True)
class Arm:
    """One way of preparing the anaesthetic: code in the records, label for readers."""

    code: str
    label: str
    preparation: str = ""


@result_kind("study_identity")
@dataclass(frozen=True, slots=True, kw_only=True)
class StudyIdentity:
    """What the study is and how it was set up.

    ``design`` is one of parallel, crossover, split_mouth, before_after, audit; ``allocation``
    one of randomised, clinician_choice, alternating, date_based. ``invented`` marks data that
    were made up to show the tool.
    """

    id: str
    title: str
    question: str
    design: str
    allocation: str
    ethics_status: str
    invented: bool = False
    practices: tuple[str, ...] = ()
    blinding: tuple[tuple[str, str], ...] = ()

    @property
    def randomised(self) -> bool:
        """Whether arms were allocated at random."""
        return self.allocation == "randomised"

    @property
    def paired(self) -> bool:
        """Whether each patient receives both arms."""
        return self.design in ("crossover", "split_mouth")


@result_kind("eligibility")
@dataclass(frozen=True, slots=True, kw_only=True)
class Eligibility:
    """Who may be included. An empty list of codes admits every code."""

    include: tuple[str, ...] = ()
    exclude: tuple[str, ...] = ()
    procedures: tuple[str, ...] = ()
    techniques: tuple[str, ...] = ()
    pulp_status: tuple[str, ...] = ()
    agents: tuple[str, ...] = ()
    age_bands: tuple[str, ...] = ()


@result_kind("schedule")
@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """When teeth are tested.

    ``tests_min`` are the planned minutes after ``clock_zero`` (``injection_end`` or ``injection_start``).
    """

    clock_zero: str
    tests_min: tuple[float, ...]
    tooth_notation: str
    control_tooth: str = "required"
    control_window_min: float = 0.5
    baseline_response: str = "required"


@result_kind("onset_definition")
@dataclass(frozen=True, slots=True, kw_only=True)
class OnsetDefinition:
    """What counts as onset: ``confirmations`` consecutive valid readings *not felt*, dated at the first."""

    confirmations: int = 2
    target_min: float = 2.0
    horizon_min: float = 15.0


@result_kind("rescue_rule")
@dataclass(frozen=True, slots=True, kw_only=True)
class RescueRule:
    """What a supplemental injection before onset means for each estimand: ``failure`` or ``censored``."""

    success: str = "failure"
    wait: str = "failure"
    hazard: str = "censored"


@result_kind("instrument")
@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """A scale with its range; ``important_difference`` is the difference that matters to this study, if stated."""

    scale: str
    low: float
    high: float
    unit: str
    important_difference: float | None = None


@result_kind("pain_plan")
@dataclass(frozen=True, slots=True, kw_only=True)
class PainPlan:
    """Pain instrument and the moment compared between arms."""

    instrument: Instrument
    moment: str = "deposition"


@result_kind("analysis_plan")
@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisPlan:
    """What will be computed.

    ``primary`` is one of success_by_target, hazard_ratio, restricted_wait, pain.
    ``wait_difference_min`` is the difference in waiting that matters, minutes (positive).
    """

    primary: str
    seed: int
    strata: tuple[str, ...] = ()
    covariates: tuple[str, ...] = ()
    cluster: str | None = None
    conf_level: float = 0.95
    min_stratum_cases: int = 20
    wait_difference_min: float | None = None
    sensitivity: tuple[str, ...] = ()
    planned_power: float = 0.8
    planned_hazard_ratio: float = 1.5


@result_kind("quarter")
@dataclass(frozen=True, slots=True, kw_only=True)
class Quarter:
    """A calendar quarter, for example ``2026Q3``."""

    label: str

    @property
    def year(self) -> int:
        """The year."""
        return int(self.label[:4])

    @property
    def first_day(self) -> dt.date:
        """First day of the quarter."""
        return dt.date(self.year, 3 * int(self.label[5]) - 2, 1)

    @property
    def last_day(self) -> dt.date:
        """Last day of the quarter."""
        return self.next().first_day - dt.timedelta(days=1)

    def next(self) -> Quarter:
        """The quarter that follows."""
        number = int(self.label[5])
        return Quarter(label=f"{self.year + number // 4}Q{number % 4 + 1}")

    @classmethod
    def of(cls, day: dt.date) -> Quarter:
        """The quarter in which a day lies."""
        return cls(label=f"{day.year}Q{(day.month + 2) // 3}")


@result_kind("protocol")
@dataclass(frozen=True, slots=True, kw_only=True)
class Protocol:
    """A study as promised; ``digest`` is the SHA-256 of its normalised content."""

    study: StudyIdentity
    arms: tuple[Arm, ...]
    reference_arm: str
    eligibility: Eligibility
    schedule: Schedule
    onset: OnsetDefinition
    rescue: RescueRule
    pain: PainPlan | None
    anxiety: Instrument | None
    plan: AnalysisPlan
    quarters: tuple[Quarter, ...]
    digest: str = field(default="")

    @property
    def arm_codes(self) -> tuple[str, ...]:
        """Codes of the arms, reference first."""
        others = tuple(arm.code for arm in self.arms if arm.code != self.reference_arm)
        return (self.reference_arm, *others)

    @property
    def contrast_arm(self) -> str:
        """The (first) arm that is compared with the reference."""
        return self.arm_codes[1]

    def label(self, arm: str) -> str:
        """Label of an arm for readers."""
        return next((a.label for a in self.arms if a.code == arm), arm)
