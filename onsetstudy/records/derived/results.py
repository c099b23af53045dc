"""What the records room finds beside the records themselves."""

from __future__ import annotations

from onsetstudy.core.results import Reasons
from onsetstudy.core.serialise import result_kind
from onsetstudy.protocol.model import Protocol

NOT_CHECKED = "arms as injected; allocation not checked"
"""What a page says where nothing tells which arm chance had chosen."""


@result_kind("allocation_deviation")
class Deviation:
    """One way in which allocation did not follow the list: how often, and at which slips or cases."""

    code: str
    text: str
    count: int
    where: tuple[str, ...]


@result_kind("allocation_review")
class AllocationReview:
    """Records held against the list of slips.

    ``received`` counts, for each pair of arms ``(allocated, received)``, the cases with a slip. ``commitment`` is of
    the list's seed. ``source`` is ``list`` or ``log`` (the slips that were opened).
    """

    cases: int
    with_slip: int
    received: tuple[tuple[str, str, int], ...]
    deviations: tuple[Deviation, ...]
    commitment: str = ""
    source: str = "list"

    @property
    def other_arm(self) -> int:
        """Cases that received another arm than was allocated."""
        return sum(count for allocated, received, count in self.received if allocated != received)


@result_kind("arm_standing")
class ArmStanding:
    """How the arm of the cases of a randomised study is known.

    Parameters
    ----------
    source : str
        ``list`` (the whole list of slips), ``log`` (the practice's own opening log) or ``none``: arms as injected.
    cases : int
        Cases analysed that were randomised.
    verified : int
        Of these, cases whose slip is on the list or in the log: they are compared in the allocated arm. The others are
        counted in the arm that was injected.
    other_arm : int
        Verified cases that received another arm than was allocated.
    kept : int
        Verified cases that stay in the analysis although what was recorded after the slip was opened (anaesthetic,
        technique, procedure) lies outside the protocol.
    reason : str
        Why there is neither list nor log; empty where there is.
    """

    source: str
    cases: int
    verified: int
    other_arm: int
    kept: int = 0
    reason: str = ""

    @property
    def as_injected(self) -> bool:
        """Whether not one case could be compared in the arm that chance had chosen."""
        return self.verified == 0


SHUTS, QUALIFIES = "shuts", "qualifies"
"""What a doubt does to a claim: withholds its number, or makes its sentence say why."""


@result_kind("doubt")
class Doubt:
    """One reason why the cold tests may not say when teeth went numb.

    Parameters
    ----------
    code : str
        ``control_lost``, ``control_lost_in_arm``, ``clock``, ``not_tested_again``, ``some_not_tested_again``,
        ``control_in_field``, ``off_schedule_positive``, ``tested_differently``, ``tests_vanished``, ``tested_later``,
        ``given_up``, ``onset_unconfirmed`` or ``tests_discarded``.
    effect : str
        ``shuts`` (the number is withheld) or ``qualifies`` (the sentence says why).
    counts : tuple of (str, int)
        What was counted, in words that fit after a number.
    practices : tuple of str
        Whose cases they are; empty where it is about all together.
    p_value : float or None
        Of the statistical doubts.
    """

    code: str
    effect: str
    counts: tuple[tuple[str, int], ...]
    practices: tuple[str, ...] = ()
    p_value: float | None = None


def shut(doubts: tuple[Doubt, ...]) -> bool:
    """Whether the numbers of the cold tests are kept off the first page."""
    return any(d.effect == SHUTS for d in doubts)


@result_kind("missing_field")
class MissingField:
    """One field that is missing in ``missing`` of the ``of`` cases that should have it.

    ``whom``: practice, operator and missing cases of each, most first. ``why``: what is lost.
    """

    column: str
    missing: int
    of: int
    whom: tuple[tuple[str, str, int], ...]
    why: str


def arms_told(lost: Reasons, protocol: Protocol) -> str:
    """Of which arms cases left out are, as far as that can be read; nothing where it can of none."""
    told = [f"{arm.cases} {protocol.label(arm.arm)}" for arm in lost.by_arm]
    known = sum(arm.cases for arm in lost.by_arm)
    told += [f"{lost.count - known} of an arm that cannot be read"] if known < lost.count else []
    return f" ({', '.join(told)})" if known else ""
