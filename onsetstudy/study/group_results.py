"""Results of a study group."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from onsetstudy.core.results import Caution, Counts, Estimate, HypothesisTest, NotAvailable
from onsetstudy.core.serialise import result_kind, to_dict
from onsetstudy.pool.results import CommonOdds, Funnel, Pooled, Step, Subgroups
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.results import ArmCurve, LooksTaken, Provenance
from onsetstudy.survival.results import SharedFrailty

__all__ = ["Agreement", "GroupOverall", "GroupPractice", "GroupResults"]

EstimateLike = Estimate | NotAvailable


@result_kind("group_practice")
@dataclass(frozen=True, slots=True, kw_only=True)
class GroupPractice:
    """One practice: its code, the letter under which the others see it, what it sent and how complete that is."""

    code: str
    letter: str
    quarters: tuple[str, ...]
    files: tuple[str, ...]
    n: Counts
    recorded: int
    refused: int
    left_out: int
    scores: int
    moved: int


@result_kind("group_overall")
@dataclass(frozen=True, slots=True, kw_only=True)
class GroupOverall:
    """All cases of all practices in one stage, every practice compared within itself."""

    n: Counts
    curves: tuple[ArmCurve, ...]
    onset_test: HypothesisTest | NotAvailable
    hazard_ratio: EstimateLike
    frailty: SharedFrailty | NotAvailable
    success: CommonOdds


@result_kind("agreement")
@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Whether one stage and two stages say the same, and why not.

    ``apart`` is the difference of the log ratios in standard errors of the two-stage average; ``reasons`` are codes:
    ``left_out``, ``spread``, ``few``, ``weights``.
    """

    apart: float | None
    reasons: tuple[str, ...]


@result_kind("group_results")
@dataclass(frozen=True, slots=True, kw_only=True)
class GroupResults:
    """A study group up to a quarter; practices are named by letters, except in ``practices``.

    ``pooled`` has one entry per quantity, ``cumulative`` the two-stage average of the rate by quarter, ``subgroups``
    the rate by technique and by practice.
    """

    protocol: Protocol
    quarter: str
    period_start: str
    period_end: str
    practices: tuple[GroupPractice, ...]
    overall: GroupOverall
    pooled: tuple[Pooled, ...]
    cumulative: tuple[Step, ...]
    subgroups: tuple[Subgroups, ...]
    agreement: Agreement
    funnels: tuple[Funnel | NotAvailable, ...]
    looks: LooksTaken | None
    events: tuple[tuple[str, int, int, int], ...]
    notes: tuple[str, ...]
    caution: tuple[Caution, ...]
    provenance: Provenance

    def letter(self, code: str) -> str | None:
        """Letter of a practice, ``None`` for a code that is not among them."""
        return next((p.letter for p in self.practices if p.code == code), None)

    def quantity(self, name: str) -> Pooled | None:
        """Pooled result of one quantity."""
        return next((p for p in self.pooled if p.quantity == name), None)

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types; holds the key of the letters, so it is for the coordinator."""
        return to_dict(self)
