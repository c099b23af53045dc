"""What the records room finds beside the records themselves."""

from __future__ import annotations

from dataclasses import dataclass

from onsetstudy.core.serialise import result_kind

__all__ = ["AllocationReview", "Deviation"]


@result_kind("allocation_deviation")
@dataclass(frozen=True, slots=True, kw_only=True)
class Deviation:
    """One way in which allocation did not follow the list: how often, and at which slips or cases."""

    code: str
    text: str
    count: int
    where: tuple[str, ...]


@result_kind("allocation_review")
@dataclass(frozen=True, slots=True, kw_only=True)
class AllocationReview:
    """Records held against the list of slips.

    ``received`` counts, for each pair of arms ``(allocated, received)``, the cases with a slip. ``commitment`` is of
    the list's seed.
    """

    cases: int
    with_slip: int
    received: tuple[tuple[str, str, int], ...]
    deviations: tuple[Deviation, ...]
    commitment: str = ""

    @property
    def other_arm(self) -> int:
        """Cases that received another arm than was allocated."""
        return sum(count for allocated, received, count in self.received if allocated != received)
