"""The protocol as frozen values."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from pydantic import Field, StrictInt, StrictStr

from onsetstudy.core.errors import Problem, RecordsError
from onsetstudy.core.serialise import result_kind
from onsetstudy.protocol import keys
from onsetstudy.protocol.earlier_names import EARLIER_KEYS, todays_outcome, todays_strategy
from onsetstudy.protocol.governance import AdoptionRule, Conduct, Governance
from onsetstudy.protocol.keys import Keys, Minute, Share, Text, coded, one_of
from onsetstudy.protocol.vocabulary import CODES, MILD, PAIRED, SENSITIVITY

SIZES_TOLD = "write the 64 signs that the command block-sizes told"


@result_kind("arm")
class Arm(Keys):
    """One way of preparing the anaesthetic: code in the records, label for readers.

    ``mix_mode`` is how bicarbonate is mixed in (none, add, replace); empty, as in protocols from before it could be
    said: the protocol does not tell.
    """

    code: Annotated[StrictStr, coded("arm")]
    label: Text
    preparation: StrictStr = ""
    mix_mode: Annotated[StrictStr, one_of("", *CODES["mix_mode"])] = ""


@result_kind("study_identity")
class StudyIdentity:
    """What the study is and how it was set up.

    ``design`` is one of parallel, crossover, split_mouth, before_after, audit; ``allocation`` one of randomised,
    clinician_choice, alternating, date_based. ``invented`` marks data that were made up to show the tool.
    ``case_codes`` is the pattern of case codes, empty where none is declared.
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
    case_codes: str = ""

    @property
    def randomised(self) -> bool:
        """Whether arms were allocated at random."""
        return self.allocation == "randomised"

    @property
    def paired(self) -> bool:
        """Whether each patient receives both arms."""
        return self.design in PAIRED

    def code_fault(self, code: str, practice: str = "") -> str:
        """Why a code is none of this practice's, or of any that the protocol names; empty if it is one."""
        return keys.code_fault(code, self.case_codes, [practice] if practice else self.practices)


@result_kind("eligibility")
class Eligibility(Keys):
    """Who may be included. An empty list of codes admits every code."""

    include: tuple[Text, ...] = ()
    exclude: tuple[Text, ...] = ()
    procedures: tuple[Annotated[StrictStr, coded("procedure")], ...] = ()
    techniques: tuple[Annotated[StrictStr, coded("technique")], ...] = ()
    pulp_status: tuple[Annotated[StrictStr, coded("pulp_status")], ...] = ()
    agents: tuple[Annotated[StrictStr, coded("agent")], ...] = ()
    age_bands: tuple[Annotated[StrictStr, coded("age_band")], ...] = ()


@result_kind("schedule")
class Schedule:
    """When teeth are tested.

    ``tests_min`` are the planned minutes after ``clock_zero`` (``injection_end`` or ``injection_start``).
    ``window_min`` is how far from its planned minute a test may be done to answer for it, and onset lies between
    planned minutes; ``None``, as in protocols from before it could be said: every test decides, with its own minute.
    """

    clock_zero: str
    tests_min: tuple[float, ...]
    tooth_notation: str
    control_tooth: str = "required"
    control_window_min: float = 0.5
    baseline_response: str = "required"
    window_min: float | None = None


@result_kind("onset_definition", earlier={key: now for (table, key), now in EARLIER_KEYS.items() if table == "onset"})
class OnsetDefinition(Keys):
    """What counts as onset: ``confirmations`` consecutive valid readings *not felt*, dated at the first.

    ``tau_min`` is the minute up to which waiting is counted.
    """

    confirmations: Annotated[StrictInt, Field(ge=1, le=5)] = 2
    target_min: Minute = 2.0
    tau_min: Minute


@result_kind("rescue_rule")
class RescueRule(Keys):
    """What a supplemental injection before onset means for each question: the strategy by its standard name.

    Earlier names (``failure``, ``censored``) are understood.
    """

    success: Annotated[StrictStr, coded("rescue_rule")] = "composite"
    wait: Annotated[StrictStr, coded("rescue_rule")] = "composite"
    hazard: Annotated[StrictStr, coded("rescue_rule")] = "hypothetical"

    def __post_init__(self) -> None:
        for name in ("success", "wait", "hazard"):
            object.__setattr__(self, name, todays_strategy(getattr(self, name)))


@result_kind("instrument")
class Instrument:
    """A scale with its range; ``important_difference`` is the difference that matters to this study, if stated."""

    scale: str
    low: float
    high: float
    unit: str
    important_difference: float | None = None


@result_kind("pain_plan")
class PainPlan:
    """Pain instrument and the moment compared between arms.

    A score of at most ``painless_at_most`` counts as painless, one of at most ``mild_at_most`` as mild: a treatment
    with no more and without a supplement was a success. ``None``: as the scale says, where it says so (``mild``).
    """

    instrument: Instrument
    moment: str = "deposition"
    painless_at_most: float = 0.0
    mild_at_most: float | None = None

    @property
    def mild(self) -> float | None:
        """The highest score that is mild, ``None`` where neither the protocol nor the scale says it."""
        return MILD.get(self.instrument.scale) if self.mild_at_most is None else self.mild_at_most


@result_kind("analysis_plan")
class AnalysisPlan(Keys):
    """What will be computed.

    ``primary`` is a quantity: success_difference, hazard_ratio, rmst_difference, pain_difference or
    treatment_success_difference; earlier names are understood, here and in ``secondary``. ``wait_difference_min`` is
    the difference in waiting that matters, minutes (positive). ``secondary`` outcomes share one error rate by
    ``multiplicity`` (holm, hochberg, fixed_sequence or none). Within ``strata`` arms are compared for the test and the
    hazard ratio; within ``estimate_strata`` (practice, technique) differences are estimated. ``grace_min``: minutes
    before a target or horizon within which a last test still counts as followed to it; ``None``: from the schedule.
    """

    primary: Annotated[StrictStr, coded("primary")]
    seed: Annotated[StrictInt, Field(ge=0)]
    strata: tuple[Annotated[StrictStr, one_of(*keys.STRATA)], ...] = ()
    covariates: tuple[Annotated[StrictStr, one_of(*keys.COVARIATES)], ...] = ()
    cluster: Annotated[StrictStr, one_of(*keys.CLUSTERS)] | None = None
    conf_level: Annotated[float, Field(gt=0.5, lt=1, strict=True)] = 0.95
    min_stratum_cases: Annotated[StrictInt, Field(ge=2)] = 20
    wait_difference_min: Annotated[float, Field(gt=0, le=60, strict=True)] | None = None
    sensitivity: tuple[Annotated[StrictStr, one_of(*SENSITIVITY)], ...] = ()
    planned_power: Annotated[float, Field(gt=0.5, lt=1, strict=True)] = 0.8
    planned_hazard_ratio: Annotated[float, Field(gt=0, strict=True)] = 1.5
    secondary: tuple[Annotated[StrictStr, one_of(*keys.SECONDARY)], ...] = ()
    multiplicity: Annotated[StrictStr, coded("multiplicity")] = "holm"
    estimate_strata: keys.EstimateStrata = ("practice",)
    grace_min: Annotated[float, Field(ge=0, le=60, strict=True)] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "primary", todays_outcome(self.primary))
        object.__setattr__(self, "secondary", tuple(map(todays_outcome, self.secondary)))


@result_kind("look_rule")
class LookRule(Keys):
    """How repeated looks at a growing study are allowed for.

    ``boundary`` is anytime, none, or by spending on ``sided`` sides (obrien_fleming, pocock, power with ``rho``);
    ``planned_information`` are all onsets or cases. ``futility`` is none, non_binding or binding.
    """

    boundary: Annotated[StrictStr, coded("look_boundary")]
    planned_information: Annotated[StrictInt, Field(ge=4)]
    alpha: Annotated[float, Field(gt=0, lt=0.5, strict=True)] = 0.05
    sided: Annotated[StrictInt, Field(ge=1, le=2)] = 2
    rho: Annotated[float, Field(gt=0, le=20, strict=True)] = 3.0
    information: Annotated[StrictStr, coded("look_information")] = "onsets"
    futility: Annotated[StrictStr, coded("futility")] = "none"


@result_kind("allocation_rule")
class AllocationRule(Keys):
    """How arms are allocated: permuted_blocks, minimisation or paired; ``ratio`` in the order of the arms.

    ``washout_days`` are the days at least between two injections of one patient who has both arms.

    The seed of the list is not in the protocol. Where ``block_sizes_digest`` is given, nor are the sizes of the blocks:
    ``block_sizes`` is then empty, and the list's keeper has the file of that digest; else they are 2, 4 and 6 by
    default.
    """

    method: Annotated[StrictStr, coded("allocation_method")]
    block_sizes: Annotated[tuple[Annotated[StrictInt, Field(ge=2, le=24)], ...], Field(min_length=1)] = ()
    strata: tuple[Annotated[StrictStr, one_of(*keys.STRATA)], ...] = ()
    ratio: tuple[Annotated[StrictInt, Field(ge=1, le=4)], ...] = ()
    washout_days: Annotated[StrictInt, Field(ge=0, le=365)] = 0
    block_sizes_digest: Annotated[StrictStr, keys.matching("([0-9a-f]{64})?", SIZES_TOLD)] = ""

    def __post_init__(self) -> None:
        if not self.block_sizes and not self.block_sizes_digest:
            object.__setattr__(self, "block_sizes", (2, 4, 6))


@result_kind("planning_assumptions")
class PlanningAssumptions(Keys):
    """What is expected before the first case, and where that comes from.

    ``cases_per_month`` are injections, two of a patient who has both arms. Onset with the reference arm is Weibull with
    ``median_min`` minutes among teeth that become numb and ``shape``; ``never_reference`` and ``never_other`` are those
    that do not, ``treated_reference`` and ``treated_other`` the successful treatments, as shares between 0 and 1.
    ``within_patient_correlation`` is of a patient's two outcomes; without it pairs are not sized.
    """

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
    sources: tuple[Text, ...] = ()


@result_kind("chair_time_rule")
class ChairTimeRule(Keys):
    """What time and material cost in this practice; costs in ``currency``.

    ``mixing_min`` is charged where a buffered case has no mixing time recorded; ``None``: such a case is left out.
    """

    cases_per_month: Annotated[float, Field(gt=0, le=10_000, strict=True)]
    mixing_min: Annotated[float, Field(ge=0, le=30, strict=True)] | None = None
    chair_hour_cost: Annotated[float, Field(ge=0, strict=True)] | None = None
    material_cost: Annotated[float, Field(ge=0, strict=True)] | None = None
    currency: StrictStr = ""


@result_kind("clinic_limit")
class ClinicLimit:
    """The clinic's own limit of one drug: it can only lower the limits of the table."""

    drug: str
    mg_per_kg: float | None = None
    max_mg: float | None = None


@result_kind("dose_rule")
class DoseRule:
    """Which list of dose limits is looked at (label or conservative), whose labels these are, and the clinic's own."""

    limits: str = "conservative"
    country: str = "US"
    clinic: tuple[ClinicLimit, ...] = ()


@result_kind("watch_rule")
class WatchRule(Keys):
    """How failures are watched after adopting.

    A signal is tuned to a change of the odds of failure by ``odds_ratio`` and to one false alarm in ``run_length``
    cases. ``failure_share`` is the share expected; ``None``: from the first ``first_cases`` of the watched arm.
    """

    odds_ratio: Annotated[float, Field(gt=1, le=20, strict=True)] = 2.0
    run_length: Annotated[StrictInt, Field(ge=50, le=100_000)] = 500
    failure_share: Annotated[float, Field(gt=0, lt=1, strict=True)] | None = None
    first_cases: Annotated[StrictInt, Field(ge=10)] = 50


@result_kind("quarter")
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
    looks: LookRule | None = None
    allocation: AllocationRule | None = None
    planning: PlanningAssumptions | None = None
    chair_time: ChairTimeRule | None = None
    doses: DoseRule | None = None
    watch: WatchRule | None = None
    conduct: Conduct | None = None
    governance: Governance | None = None
    adoption: AdoptionRule | None = None
    digest: str = ""

    @property
    def arm_codes(self) -> tuple[str, ...]:
        """Codes of the arms, reference first."""
        return (self.reference_arm, *(arm.code for arm in self.arms if arm.code != self.reference_arm))

    @property
    def contrast_arm(self) -> str:
        """The (first) arm that is compared with the reference."""
        return self.arm_codes[1]

    @property
    def tells_treatment(self) -> bool:
        """Whether it can be told if a treatment succeeded: the protocol, or its scale, says which pain is mild."""
        return self.pain is not None and self.pain.mild is not None

    def quarter(self, label: str | None = None) -> Quarter:
        """The quarter of that label, or the last.

        Raises
        ------
        RecordsError
            If the study has no such quarter.
        """
        labels = [q.label for q in self.quarters]
        if label is not None and label not in labels:
            mend = f"choose one of {', '.join(labels)}, or add it to the protocol's quarters"
            what = f"{label} is not a quarter of this study"
            raise RecordsError(Problem(what=what, mend=mend, value=label, code="quarter"))
        return self.quarters[-1 if label is None else labels.index(label)]

    def label(self, arm: str) -> str:
        """Label of an arm for readers.

        The code ``plain``, labelled ``plain``, is shown as "not buffered": in this trade "plain" means without
        vasoconstrictor. The code stays as it is in records and files.
        """
        label = next((a.label for a in self.arms if a.code == arm), arm)
        return "not buffered" if arm == label == "plain" else label
