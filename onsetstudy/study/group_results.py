"""Results of a study group."""

from __future__ import annotations

from onsetstudy.core.results import Counts, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.core.serialise import result_kind
from onsetstudy.outcomes.harm_results import ArmEvents
from onsetstudy.pool.results import CommonOdds
from onsetstudy.records.derived.results import Doubt
from onsetstudy.study.results import ArmCurve
from onsetstudy.survival.results import SharedFrailty

__all__ = ["Agreement", "GroupGate", "GroupHarm", "GroupOverall", "GroupPractice", "GroupSuccess", "Reconciled"]


@result_kind("group_practice")
class GroupPractice:
    """One practice: its code, the letter under which the others see it, what it sent and how complete that is.

    ``by_quarter`` counts analysed cases, periods that were joined with their last quarter. The numbers of rows, of pain
    scores and of cases moved are ``None`` where the practice's files reach beyond the report: they carry no quarter.
    """

    code: str
    letter: str
    quarters: tuple[str, ...]
    files: tuple[str, ...]
    n: Counts
    by_quarter: tuple[tuple[str, int], ...]
    recorded: int | None
    refused: int | None
    left_out: int | None
    scores: int | None
    moved: int | None


@result_kind("group_gate")
class GroupGate:
    """Whether the cold tests of one practice can bear the group's claim.

    ``verdict`` is ``open``, ``qualified``, ``shut`` or ``not_told`` (its file was made before this was told);
    ``doubts`` are the reasons with their counts over all that it sent. ``left_out``: its cases are not in the answer.
    """

    letter: str
    verdict: str
    doubts: tuple[Doubt, ...]
    left_out: bool


@result_kind("group_harm")
class GroupHarm:
    """One kind of harm by arm (``any`` or ``serious``), among the cases that recorded whether it happened."""

    event: str
    arms: tuple[ArmEvents, ...]


@result_kind("group_success")
class GroupSuccess:
    """Success by the target (or the horizon) over practices.

    ``undecided`` counts cases by arm that were tested neither numb before nor not numb after the minute. ``if_numb``
    and ``if_not_numb`` are the results had all of them been numb in time, or none; ``if_for`` and ``if_against`` had
    those of the other arm alone been numb, or those of the reference arm alone: the most they can do to the difference
    either way. ``None`` where there are none or
    nobody asked.
    """

    undecided: tuple[tuple[str, int], ...]
    pooled: CommonOdds
    if_not_numb: CommonOdds | None
    if_numb: CommonOdds | None
    if_against: CommonOdds | None = None
    if_for: CommonOdds | None = None


@result_kind("group_overall")
class GroupOverall:
    """All cases of all practices in one stage, every practice compared within itself.

    ``by_target``, ``never_numb``, ``wait`` and ``treatment`` are those of each arm over the mix of strata of both arms,
    reference first. ``differences`` are taken within strata (practices, and what the plan names, as counts allow) and
    combined by their numbers of cases, as in a report from the rows; empty in results from before they were kept.
    """

    n: Counts
    curves: tuple[ArmCurve, ...]
    onset_test: HypothesisTest | NotAvailable
    hazard_ratio: EstimateLike
    frailty: SharedFrailty | NotAvailable
    success: GroupSuccess
    numb_at_all: GroupSuccess
    by_target: tuple[EstimateLike, ...]
    never_numb: tuple[EstimateLike, ...]
    wait: tuple[EstimateLike, ...] = ()
    differences: tuple[EstimateLike, ...] = ()
    treatment: tuple[EstimateLike, ...] = ()

    def difference(self, key: str) -> EstimateLike | None:
        """What compares the arms within practices, the ratio in one stage too; ``None`` if it was not asked."""
        if key == "hazard_ratio" and self.differences:
            return self.hazard_ratio
        return next((e for e in self.differences if e.quantity == key), None)


@result_kind("reconciled")
class Reconciled:
    """One quantity combined in two ways; ``within`` is the answer.

    ``reasons`` say why they differ, by code: ``left_out``, ``spread``, ``weights``.
    """

    quantity: str
    within: EstimateLike
    mean_of_practices: EstimateLike
    reasons: tuple[str, ...]


@result_kind("agreement")
class Agreement:
    """Whether one stage and two stages say the same, and why not.

    ``apart`` is the difference of the log ratios in standard errors of the two-stage average; ``reasons`` are codes:
    ``left_out``, ``spread``, ``few``, ``weights``.
    """

    apart: float | None
    reasons: tuple[str, ...]
