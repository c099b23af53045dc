"""Everything a practice's report needs, in the order of the plan."""

from __future__ import annotations

import pandas as pd

from onsetstudy.adjustment.results import FairComparison
from onsetstudy.core.claims import Claims
from onsetstudy.core.results import Caution, Flow
from onsetstudy.core.serialise import Serialisable, result_kind
from onsetstudy.doses.results import DoseSummary
from onsetstudy.outcomes.chair_results import ChairTime
from onsetstudy.outcomes.harm_results import Safety
from onsetstudy.outcomes.published_results import PublishedContext
from onsetstudy.outcomes.scores.pain_moment_results import Comfort
from onsetstudy.outcomes.scores.paired_results import Blinding, PairedStudy
from onsetstudy.protocol.lock_results import LockStanding
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.results import AllocationReview, ArmStanding, Doubt
from onsetstudy.study.adoption_results import Adoption
from onsetstudy.study.answer.adoption import adoption_of, is_over
from onsetstudy.study.answer.claims import claims_of_practice
from onsetstudy.study.cold_test_results import ColdTestErrors
from onsetstudy.study.control_results import NegativeControl
from onsetstudy.study.results import (
    AnytimeTaken,
    ArmTable,
    DataQuality,
    Diagnostics,
    LooksTaken,
    MoreNeeded,
    Population,
    Provenance,
    Variation,
)
from onsetstudy.watch.results import Watch

__all__ = ["StudyResults"]


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
        """What may be said of these results, and with which number."""
        return claims_of_practice(self)

    @property
    def adoption(self) -> Adoption | None:
        """What the rule of adoption says, once the study is over."""
        return adoption_of(self)

    @property
    def over(self) -> bool:
        """Whether the study is over: a boundary crossed, the planned size reached, or its last quarter come."""
        return is_over(self)

    def to_frame(self) -> pd.DataFrame:
        """Every estimate, labelled by the set of cases it is of."""
        populations = (self.overall, *self.by_quarter, *self.by_technique, *self.by_practice)
        frames = [p.to_frame().assign(dimension=p.dimension, level=p.level) for p in populations]
        return pd.concat(frames, ignore_index=True)
