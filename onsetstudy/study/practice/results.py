"""Everything a practice's report needs, in the order of the plan, and what may be said of it.

That is its claims, and by the rule that was declared before the lock: adopt, do not adopt, or undecided; only once the
study is over.
"""

from __future__ import annotations

import dataclasses

import pandas as pd

from onsetstudy.adjustment.results import FairComparison
from onsetstudy.core.claims import Claims, first_decided
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import NO_SPREAD, Caution, Estimate, Flow
from onsetstudy.core.serialise import Serialisable, result_kind
from onsetstudy.doses.results import DoseSummary
from onsetstudy.outcomes.chair_results import ChairTime
from onsetstudy.outcomes.harm_results import Safety
from onsetstudy.outcomes.published_results import PublishedContext
from onsetstudy.outcomes.scores.pain_moment_results import Comfort
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.outcomes.scores.paired_results import Blinding, PairedStudy, success_test
from onsetstudy.protocol.governance import AdoptionRule
from onsetstudy.protocol.lock_results import LockStanding
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.results import AllocationReview, ArmStanding, Doubt
from onsetstudy.study.answer.claims import (
    Told,
    cases_told,
    claims_among,
    deciding_look,
    mean_pain,
    shown_test,
    shutting,
)
from onsetstudy.study.results import (
    Adoption,
    AdoptionPart,
    AnytimeTaken,
    ArmTable,
    ColdTestErrors,
    DataQuality,
    Diagnostics,
    LooksTaken,
    MoreNeeded,
    NegativeControl,
    Population,
    Provenance,
    Variation,
)
from onsetstudy.study.topics.outcomes import carried
from onsetstudy.watch.results import Watch


@result_kind("study_results")
class StudyResults(Serialisable):
    """Results of one study up to one quarter.

    ``overall`` is cumulative to the end of ``quarter``; ``by_quarter`` has one entry per quarter so far,
    the last being ``quarter`` itself; ``by_technique`` and ``by_practice`` are cumulative. ``arms``
    says how the arm of a randomised case is known.
    """

    protocol: Protocol
    quarter: str
    period_start: str
    period_end: str
    practices: tuple[str, ...]
    n_clinicians: int
    overall: Population
    by_quarter: tuple[Population, ...]
    by_technique: tuple[Population, ...]
    by_practice: tuple[Population, ...]
    flow: Flow
    arm_table: ArmTable
    data_quality: DataQuality
    more_needed: MoreNeeded | None
    caution: tuple[Caution, ...]
    provenance: Provenance
    sensitivity: tuple[Variation, ...] = ()
    diagnostics: Diagnostics | None = None
    allocation: AllocationReview | None = None
    standing: LockStanding | None = None
    chair_time: ChairTime | None = None
    doses: DoseSummary | None = None
    context: PublishedContext | None = None
    safety: Safety | None = None
    watch: Watch | None = None
    looks: LooksTaken | None = None
    anytime: AnytimeTaken | None = None
    comfort: Comfort | None = None
    paired: PairedStudy | None = None
    blinding: Blinding | None = None
    fair: FairComparison | None = None
    arms: ArmStanding | None = None
    doubts: tuple[Doubt, ...] = ()
    negative: tuple[NegativeControl, ...] = ()
    test_errors: ColdTestErrors | None = None

    @property
    def claims(self) -> Claims:
        """Every claim that these records bear, and with which number."""
        protocol, whole, pain = self.protocol, self.overall, self.overall.pain
        shift = pain.shift if isinstance(pain, PainComparison) else dataclasses.replace(pain, quantity="pain_shift")
        paired_test = None if self.paired is None else success_test(whole.success_difference)
        found: dict[str, Told] = {
            "rmst_difference": (whole.wait_difference, whole.wait, None),
            "hazard_ratio": (whole.hazard_ratio, (), shown_test(whole.onset_test)),
            "success_difference": (whole.success_difference, whole.success, paired_test),
            "not_numb_difference": (whole.never_numb_difference, whole.never_numb, None),
            "pain_difference": (mean_pain(whole, protocol), (), None),
            "pain_shift": (shift, (), shown_test(pain.test) if isinstance(pain, PainComparison) else None),
        }
        if whole.treatment_difference is not None:
            found["treatment_success_difference"] = (whole.treatment_difference, whole.treatment, None)
        if self.chair_time is not None:
            found["chair_time_difference"] = (self.chair_time.difference, self.chair_time.spent, None)
        claims = claims_among(
            found,
            protocol,
            shut=shutting(self.doubts),
            look=deciding_look(self.looks),
            population=cases_told(whole.n.cases, len(self.practices)),
            known=whole.n,
        )
        return Claims(lead=protocol.plan.primary, claims=claims)

    def with_looks(self, looks: LooksTaken | None) -> StudyResults:
        """The same with these interim analyses; hours and money follow the minutes with the allowance for them."""
        found = dataclasses.replace(self, looks=looks)
        claim = found.claims.get("chair_time_difference")
        if found.chair_time is None or claim is None:
            return found
        return dataclasses.replace(found, chair_time=carried(found.chair_time, claim.answer, self.protocol))

    @property
    def over(self) -> bool:
        """Whether this is the closing page: a boundary crossed, the planned size reached, or the last quarter come."""
        verdicts = () if self.looks is None else self.looks.verdicts
        decided = first_decided(v.code for v in verdicts) is not None
        return decided or self.quarter == self.protocol.quarters[-1].label

    @property
    def adoption(self) -> Adoption | None:
        """What the rule of adoption says; ``None`` without a rule, or as long as the study goes on."""
        rule = self.protocol.adoption
        if rule is None or not self.over:
            return None
        if rule.none_because is not None:
            return Adoption(verdict="", none_because=rule.none_because)
        claims = self.claims
        gains = {
            "net_min": ("chair_time_difference", rule.net_min or 0.0),
            "pain_margin": ("pain_shift", -(rule.pain_margin or 0.0)),
            "not_numb_margin": ("not_numb_difference", -(rule.not_numb_margin or 0.0)),
        }
        # As they are claimed: what a page withholds decides nothing here.
        answers = {key: None if (claim := claims.get(key)) is None else claim.answer for key, _ in gains.values()}
        codes = {name: side_of_margin(key, answers[key], least) for name, (key, least) in gains.items()}
        codes["stopping_harms"] = _harms(self, rule)
        parts = tuple(AdoptionPart(name=name, code=code) for name, code in codes.items())
        return Adoption(verdict=verdict_of(parts), parts=parts)

    def to_frame(self) -> pd.DataFrame:
        """Every estimate, labelled by the set of cases it is of."""
        populations = (self.overall, *self.by_quarter, *self.by_technique, *self.by_practice)
        frames = [p.to_frame().assign(dimension=p.dimension, level=p.level) for p in populations]
        return pd.concat(frames, ignore_index=True)


def side_of_margin(key: str, estimate: object, least_gain: float) -> str:
    """Whether the gain of the other arm is at least ``least_gain`` (a loss that is allowed: below nought).

    Parameters
    ----------
    key : str
        Quantity: its row of the table says which side is better.
    estimate : object
        An ``Estimate``, or anything else where there is none.
    least_gain : float
        In the quantity's unit.

    Returns
    -------
    str
        ``met`` where the whole interval is, ``failed`` where nothing of it is, else ``open``; so where values that do
        not vary leave an interval of one number.
    """
    if not isinstance(estimate, Estimate) or NO_SPREAD in estimate.caution:
        return "open"
    ends = [quantity_of(key).favours * end for end in (estimate.interval.low, estimate.interval.high)]
    if min(ends) >= least_gain:
        return "met"
    return "failed" if max(ends) < least_gain else "open"


def _harms(results: StudyResults, rule: AdoptionRule) -> str:
    if results.safety is None:
        return "open"
    other, stopping = results.protocol.contrast_arm, rule.stopping_harms or ()
    seen = [(event, serious) for arm, event, serious, _, count in results.safety.listing if arm == other and count]
    if any(event in stopping or ("serious" in stopping and serious == "yes") for event, serious in seen):
        return "failed"
    silent = any(arm.arm == other and not arm.cases for line in results.safety.harms[:1] for arm in line.arms)
    unrated = "serious" in stopping and any(serious not in ("yes", "no") for _, serious in seen)
    return "open" if stopping and (silent or unrated) else "met"


def verdict_of(parts: tuple[AdoptionPart, ...]) -> str:
    """One condition that failed is enough not to adopt; to adopt, all have to be met."""
    codes = {part.code for part in parts}
    if "failed" in codes:
        return "do_not_adopt"
    return "adopt" if codes == {"met"} else "undecided"
