"""Results about harms, supplements and missed blocks."""

from __future__ import annotations

from onsetstudy.core.results import Caution, Counts, EstimateLike
from onsetstudy.core.serialise import result_kind
from onsetstudy.inference.tabled import Tabled


@result_kind("arm_events")
class ArmEvents:
    """One kind of event in one arm: ``count`` of ``cases`` that recorded whether it happened, with exact limits.

    ``at_most`` is the one-sided 95 % limit where nothing happened, and ``rule_of_three`` what 3/n makes of it; both are
    ``None`` otherwise.
    """

    arm: str
    count: int
    cases: int
    not_recorded: int
    share: EstimateLike
    at_most: float | None = None
    rule_of_three: float | None = None


@result_kind("event_line")
class EventLine:
    """One kind of event by arm, and the difference of the shares (other arm minus reference).

    ``event`` is ``any``, ``serious``, ``supplement``, ``missed_block`` or a code of an adverse event.
    """

    event: str
    arms: tuple[ArmEvents, ...]
    difference: EstimateLike


@result_kind("safety")
class Safety(Tabled):
    """Harms by arm, in all and by kind; then supplements and missed blocks. No case and no person is named.

    ``listing`` counts ``(arm, event, serious, technique, count)``.
    """

    harms: tuple[EventLine, ...]
    course: tuple[EventLine, ...]
    listing: tuple[tuple[str, str, str, str, int], ...]
    method: str
    n: Counts
    caution: tuple[Caution, ...] = ()
